"""The rounds in which one implicit stage of a step is solved, for the members that still need them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_boiling import Boiling
from ovenwright.physics.body_faces import Against, Below, Drying, Plane
from ovenwright.physics.body_material import Material, Phase
from ovenwright.physics.body_moment import Held, Moment
from ovenwright.physics.body_surface import face_exchange
from ovenwright.physics.body_surroundings import Lines
from ovenwright.physics.body_tridiagonal import solve_three_diagonals

_ROUNDS = 8  # most rounds of a stage
_APART_FROM = 24  # members; fewer are not worth parting
_APART_SHARE = 0.6  # of the members at most that go on without the others


@dataclass(slots=True)
class Guess:
    """Where a round starts: what the stage began from, and what is thought of its end."""

    base: FloatArray  # (nodes, members), J/m³
    heat: FloatArray
    line_c: FloatArray
    boils: NDArray[np.bool_] | None
    phase: Phase
    inward: FloatArray  # (members,) W/m²


@dataclass(slots=True)
class Found:
    """Where the rounds ended."""

    heat: FloatArray
    line_c: FloatArray
    phase: Phase
    inward: FloatArray
    radiant_level: FloatArray
    radiant_slope: FloatArray


class Faces:
    """What a stage has beside its outer face: the face below, and a plane that dries."""

    def __init__(
        self, below: Below | None, drying: Drying | None, plane: Plane | None, *,
        now: Moment, pan_base: FloatArray | None, tau: float,
    ) -> None:  # fmt: skip
        self._below, self._drying, self._plane = below, drying, plane
        self._now, self._pan_base, self._tau = now, pan_base, tau
        self.against: Against | None = None
        self._loss: tuple[FloatArray, FloatArray] | None = None
        self._temp_c = now.temp_c

    def add(
        self, temp_c: FloatArray, slope: FloatArray, right: FloatArray, diagonal: FloatArray,
        around: Lines,
    ) -> None:  # fmt: skip
        """Add what they take and give to the equations of a round."""
        self._temp_c = temp_c
        if self._below is not None:
            against = self.against = self._below.against(
                temp_c[0], self._now, air_c=around[2], wall_c=around[3],
                pan_base=self._pan_base, tau=self._tau,
            )  # fmt: skip
            right[0] += against.flux(temp_c[0])
            diagonal[0] += against.fall * slope[0]
        if self._plane is not None and self._drying is not None:
            at = self._plane.node, self._plane.member
            self._loss = self._drying.loss(temp_c, self._plane, around[-1])
            right[at] -= self._loss[0]
            diagonal[at] += self._loss[1] * slope[at]

    def drying_of(self, line_c: FloatArray) -> FloatArray | None:
        """Return what drying took from the plane, as of the last round."""
        if self._loss is None or self._plane is None:
            return None
        moved = (line_c - self._temp_c)[self._plane.node, self._plane.member]
        return self._loss[0] + self._loss[1] * moved


class Rounds:
    """Solves stages: heat = base + tau · (flux in - flux out) / volume."""

    def __init__(
        self, material: Material, boiling: Boiling, *, area: FloatArray,
        coefficient: FloatArray, emissivity: FloatArray, straight_k: float,
    ) -> None:  # fmt: skip
        self._material, self._boiling, self._area = material, boiling, area
        self._coefficient, self._emissivity = coefficient, emissivity
        self._straight_k = straight_k

    def take(self, pick: NDArray[np.intp]) -> Rounds:
        """Return rounds for some members."""
        material = self._material.take(pick)
        return Rounds(
            material, self._boiling.of(material), area=self._area[:, pick],
            coefficient=self._coefficient[pick], emissivity=self._emissivity[pick],
            straight_k=self._straight_k,
        )  # fmt: skip

    def solve(
        self, at: Held, guess: Guess, faces: Faces | None, *,
        per_tau: FloatArray, around: Lines, turn: int = 0,
    ) -> Found:  # fmt: skip
        """Go round until all members have settled.

        Parameters
        ----------
        at : what stays as it is
        guess : where to start
        faces : beside the outer one, if there are any
        per_tau : (nodes, members) volume over the length of the stage, m/s
        around : surroundings of the stage
        turn : rounds that have been gone already
        """
        material, layers, ahead = self._material, at.layers, at.ahead
        base, heat, line_c, boils = guess.base, guess.heat, guess.line_c, guess.boils
        phase, inward, skin = guess.phase, guess.inward, layers.skin
        while True:
            temp_c = line_c
            k, capacity, content, bend = material.evaluate_bent(temp_c, phase, bent=turn == 0)
            slope = 1.0 / capacity
            if boils is not None and ahead is not None:
                if phase is not at.phase:
                    content = np.where(
                        at.phase.moist & ~phase.moist, content + ahead.above, content
                    )
                content = np.where(boils, heat, content)
                slope = np.where(boils, 0.0, slope)
            between = layers.between(k, self._area)
            face_c = temp_c[-1] if skin is None else temp_c[-1] + inward * skin
            outer = face_exchange(
                face_c, air_c=around[0], wall_c=around[1],
                coefficient_w_m2_k=self._coefficient, emissivity=self._emissivity,
            )  # fmt: skip
            level, fall = outer.level, outer.slope
            if skin is not None:
                through = 1.0 / (1.0 + fall * skin)
                level, fall = level * through, fall * through
            flux = between * (temp_c[1:] - temp_c[:-1])
            right = base - content
            right *= per_tau
            right[:-1] += flux
            right[1:] -= flux
            right[-1] += level - fall * temp_c[-1]
            diagonal = per_tau.copy()
            if bend is None:
                np.negative(between, out=between)
                upper = between * slope[1:]
                lower = between * slope[:-1]
            else:
                # conductivity rises with temperature, and the flux with it, but never by more than
                # keeps the columns dominant; a guess that was far off is mended without, for a long
                # straight line would lead on to conductivities that don't exist
                bend /= k
                bend /= k
                flux *= between
                flux /= self._area
                upper = flux * layers.inner
                upper *= bend[1:]
                np.maximum(upper, -between, out=upper)
                upper += between
                upper *= slope[1:]
                np.negative(upper, out=upper)
                lower = flux
                lower *= layers.outer
                lower *= bend[:-1]
                np.minimum(lower, between, out=lower)
                lower -= between
                lower *= slope[:-1]
            diagonal[:-1] -= lower
            diagonal[1:] -= upper
            diagonal[-1] += fall * slope[-1]
            if faces is not None:
                faces.add(temp_c, slope, right, diagonal, around)
            change = solve_three_diagonals(lower, diagonal, upper, right)
            heat = content + change
            change *= slope
            line_c = temp_c + change
            inward = level - fall * line_c[-1]
            found = Found(heat, line_c, phase, inward, outer.radiant_level, outer.radiant_slope)
            settled = None
            if not material.constant:
                np.abs(change, out=change)
                settled = np.maximum.reduce(change, axis=0) < self._straight_k
            if boils is not None:
                still_boils = self._boiling.settled(
                    at, phase, boils, heat=heat, line_c=line_c, capacity=capacity, turn=turn
                )
                settled = still_boils if settled is None else settled & still_boils
            if settled is None or settled.all():
                return found
            rest = np.flatnonzero(~settled)
            if self._parts(settled.size, rest.size, turn) and faces is None:
                apart = self.take(rest)
                some = Guess(
                    base.take(rest, axis=1), heat.take(rest, axis=1), line_c.take(rest, axis=1),
                    None if boils is None else boils.take(rest, axis=1),
                    phase.take(rest), inward[rest],
                )  # fmt: skip
                still = at.take(rest)
                if phase is at.phase:  # known by being the same
                    some.phase = still.phase
                apart.mend(still, some, capacity.take(rest, axis=1), turn)
                done = apart.solve(
                    still, some, None, per_tau=per_tau.take(rest, axis=1),
                    around=_of(around, rest), turn=turn + 1,
                )  # fmt: skip
                return self._with(found, done, rest, at, still)
            some = Guess(base, heat, line_c, boils, phase, inward)
            self.mend(at, some, capacity, turn)
            turn += 1
            boils, phase = some.boils, some.phase
            if turn == _ROUNDS:
                found.phase = phase
                return found
            line_c = some.line_c

    @staticmethod
    def _parts(members: int, rest: int, turn: int) -> bool:
        """Whether the members that have not settled go on without the others."""
        return members >= _APART_FROM and rest <= _APART_SHARE * members and turn + 1 < _ROUNDS

    def mend(self, at: Held, guess: Guess, capacity: FloatArray, turn: int) -> None:
        """Set a guess right where nodes have come to boil or dry out."""
        if guess.boils is not None:
            guess.line_c, guess.boils, guess.phase = self._boiling.mend(
                at, guess.phase, guess.boils, heat=guess.heat, line_c=guess.line_c,
                capacity=capacity, turn=turn,
            )  # fmt: skip

    def _with(
        self, found: Found, done: Found, rest: NDArray[np.intp], at: Held, still: Held
    ) -> Found:
        """Put what went on without the others back to them."""
        found.heat[:, rest], found.line_c[:, rest] = done.heat, done.line_c
        found.inward[rest] = done.inward
        found.radiant_level[rest], found.radiant_slope[rest] = (
            done.radiant_level,
            done.radiant_slope,
        )
        if found.phase is not at.phase or done.phase is not still.phase:
            moist = found.phase.moist.copy()
            moist[:, rest] = done.phase.moist
            found.phase = self._material.phase(moist)
        return found


def _of(around: Lines, pick: NDArray[np.intp]) -> Lines:
    """Return the surroundings of some members."""
    rows = [np.asarray(line) for line in around]
    return [row[pick] if row.size > 1 else row for row in rows]
