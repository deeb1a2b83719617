"""One step of an ensemble of heated bodies in time.

Two stages, each implicit, second order, and damping every ripple (the two-stage singly diagonal
scheme with γ = 1 - 1/√2, ALEXANDER1977). The unknown is heat content, so a boiling node simply
has no rise of temperature with heat, and what leaves one node enters the next: heat is conserved
whatever the step and however well the iteration has settled.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_faces import Below, Drying, Plane, row
from ovenwright.physics.body_front import Layers, front_layers, plain_layers
from ovenwright.physics.body_grid import BodyGrid
from ovenwright.physics.body_material import Material, Phase
from ovenwright.physics.body_moment import Moment, Stage, Totals
from ovenwright.physics.body_parameters import BodyParameters
from ovenwright.physics.body_surface import face_exchange
from ovenwright.physics.body_surroundings import Sampler, Surroundings
from ovenwright.physics.body_tridiagonal import solve_three_diagonals

GAMMA = float(1.0 - np.sqrt(0.5))
_REST = (1.0 - GAMMA) / GAMMA
_ROUNDS = 8  # most iterations of a stage
_STRAIGHT_K = 2.0  # over so much a property counts as straight


class Stepper:
    """Everything about the bodies that stays as it is, laid out for the step."""

    def __init__(
        self, body: BodyParameters, grid: BodyGrid, around: Surroundings, *, settled_k: float
    ) -> None:
        members = grid.volume_m.shape[1]
        self.grid, self.settled_k = grid, settled_k
        self.material = Material(body, members)
        self.water_kg_m3 = row(body.water_kg_m3, members)
        self.latent_j_kg = row(body.latent_j_kg, members)
        self.coefficient = row(body.coefficient_w_m2_k, members)
        self.emissivity = row(body.emissivity, members)
        self.below = Below(body.under, members) if body.under is not None else None
        dries = body.moist and bool(np.any(np.asarray(body.mass_transfer_kg_m2_s_pa) > 0.0))
        self.drying = Drying(body, grid) if dries else None
        self.around = Sampler(around, below=self.below is not None, vapour=dries)
        self._part = grid.volume_m / np.sum(grid.volume_m, axis=0)

    @property
    def has_pan(self) -> bool:
        """Whether the slab lies on a pan."""
        return self.below is not None and self.below.has_pan

    def moment(
        self, time_s: float, temp_c: FloatArray, left: FloatArray | None, *, pan_c: FloatArray | None,
        rate: FloatArray, inward: FloatArray, totals: Totals,
    ) -> Moment:  # fmt: skip
        """Lay out an instant from temperatures and water left."""
        moist = np.zeros(temp_c.shape, dtype=bool) if left is None else left > 0.0
        phase = self.material.phase(moist if self.material.evaporates else ~moist)
        _, capacity, heat = self.material.evaluate(temp_c, phase)
        return Moment(
            time_s=time_s,
            temp_c=temp_c,
            heat=heat if left is None else np.where(temp_c >= phase.cap_c, 0.0, heat),
            per_heat=1.0 / capacity,
            left=left,
            phase=phase,
            layers=plain_layers(self.grid) if left is None else self._layers(left),
            rate=rate,
            pan_c=pan_c,
            face_c=temp_c[-1],
            under_c=temp_c[0],
            inward=inward,
            totals=totals,
        )

    def _layers(self, left: FloatArray) -> Layers:
        return front_layers(
            left, grid=self.grid, dry_k=self.material.dry_layer_k, two_faces=self.below is not None
        )

    def _halfway(self, now: Moment, step_s: float) -> Layers:
        """Lay out the front where it will be in the middle of the step, by its speed of late.

        Taken as it is at the start, the step would be first order only.
        """
        boils = now.phase.moist & (now.temp_c >= now.phase.cap_c)
        left = now.left
        if left is None or not bool(boils.any()):
            return now.layers
        goes = now.rate * (0.5 * step_s) / self.material.latent_j_m3
        goes = np.minimum(np.maximum(goes, 0.0), left)
        return self._layers(np.where(boils, left - goes, left))

    def advance(self, now: Moment, step_s: float) -> tuple[Moment, FloatArray]:
        """Take one step; return the new instant and an estimate of the error made, K, (members,)."""
        if now.left is not None:
            now.layers = self._halfway(now, step_s)
        plane = self.drying.plane(now) if self.drying is not None else None
        tau, end = GAMMA * step_s, now.time_s + step_s
        first = self._stage(
            now, now.heat, now.rate, now.pan_c, plane=plane, tau=tau, inward=now.inward,
            around=self.around.mean(now.time_s, now.time_s + 2.0 * tau),
        )  # fmt: skip
        gain = first.heat - now.heat
        early = gain / tau
        base = now.heat + _REST * gain
        pan_base = None
        if now.pan_c is not None and first.pan_c is not None:
            pan_base = now.pan_c + _REST * (first.pan_c - now.pan_c)
        second = self._stage(
            now, base, early, pan_base, plane=plane, tau=tau, inward=first.inward,
            around=self.around.about(end, 0.5 * tau),
        )  # fmt: skip
        late = (second.heat - base) / tau
        then = self._settle(now, plane, first, second, tau)
        then.time_s, then.rate = end, late
        if then.layers.skin is not None:
            then.face_c = then.temp_c[-1] + then.inward * then.layers.skin
        error = late - early
        error *= then.per_heat
        if then.left is not None:
            # a node that boils stays as it is; one that dried out in this step jumps at any step
            error *= (then.temp_c < then.phase.cap_c) & (then.phase.moist | ~now.phase.moist)
        face = np.abs(error[-1])
        error *= error
        error *= self._part
        return then, tau * np.maximum(np.sqrt(np.sum(error, axis=0)), 0.25 * face)

    def _stage(
        self, now: Moment, base: FloatArray, rate: FloatArray, pan_base: FloatArray | None, *,
        plane: Plane | None, tau: float, inward: FloatArray, around: FloatArray,
    ) -> Stage:  # fmt: skip
        """Solve heat = base + tau · (flux in - flux out)/volume."""
        material, grid, layers, phase = self.material, self.grid, now.layers, now.phase
        heat = base + tau * rate
        line_c = now.temp_c + (heat - now.heat) * now.per_heat
        boils, latent = None, None
        if now.left is not None:
            latent = now.left * material.latent_j_m3
            boils = phase.moist & (heat >= 0.0)
            line_c = np.where(boils, phase.cap_c, np.minimum(line_c, phase.cap_c))
            ends = boils & (heat > latent)
            if bool(ends.any()):
                boils &= ~ends
                line_c = np.where(ends, line_c + (heat - latent) * now.per_heat, line_c)
                phase = material.phase(now.phase.moist & ~ends)
        per_tau = grid.volume_m * (1.0 / tau)
        skin = layers.skin
        for _ in range(_ROUNDS):
            temp_c = line_c
            k, capacity, content = material.evaluate(temp_c, phase)
            slope = 1.0 / capacity
            if boils is not None and latent is not None:
                if phase is not now.phase:
                    content = np.where(now.phase.moist & ~phase.moist, content + latent, content)
                content = np.where(boils, heat, content)
                slope = np.where(boils, 0.0, slope)
            between = layers.between(k, grid)
            face_c = temp_c[-1] if skin is None else temp_c[-1] + inward * skin
            outer = face_exchange(
                face_c, air_c=around[0], wall_c=around[1],
                coefficient_w_m2_k=self.coefficient, emissivity=self.emissivity,
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
            np.negative(between, out=between)
            upper = between * slope[1:]
            lower = between * slope[:-1]
            diagonal[:-1] -= lower
            diagonal[1:] -= upper
            diagonal[-1] += fall * slope[-1]
            against = None
            if self.below is not None:
                against = self.below.against(
                    temp_c[0], now, air_c=around[2], wall_c=around[3], pan_base=pan_base, tau=tau
                )
                right[0] += against.flux(temp_c[0])
                diagonal[0] += against.fall * slope[0]
            loss = None
            if plane is not None and self.drying is not None:
                loss = self.drying.loss(temp_c, plane, around[-1])
                right[plane.node, plane.member] -= loss[0]
                diagonal[plane.node, plane.member] += loss[1] * slope[plane.node, plane.member]
            change = solve_three_diagonals(lower, diagonal, upper, right)
            heat = content + change
            change *= slope
            line_c = temp_c + change
            inward = level - fall * line_c[-1]
            next_c, boils, phase, settled = self._look(
                now, phase, boils, latent, heat=heat, line_c=line_c, capacity=capacity
            )
            if settled and (material.constant or float(np.max(np.abs(change))) < _STRAIGHT_K):
                break
            line_c, ended_c = next_c, line_c
        else:
            line_c = ended_c
        face_c = line_c[-1] if skin is None else line_c[-1] + inward * skin
        drying = None
        if plane is not None and loss is not None:
            drying = loss[0] + loss[1] * (line_c - temp_c)[plane.node, plane.member]
        under = None if against is None else against.flux(line_c[0])
        return Stage(
            heat=heat,
            temp_c=line_c,
            phase=phase,
            inward=inward,
            radiant=outer.radiant_level - outer.radiant_slope * face_c,
            under=under,
            drying=drying,
            face_c=face_c,
            under_c=line_c[0]
            if against is None or under is None
            else line_c[0] + under * against.skin,
            pan_c=None if against is None else against.pan(line_c[0]),
        )

    def _look(
        self, now: Moment, phase: Phase, boils: NDArray[np.bool_] | None, latent: FloatArray | None, *,
        heat: FloatArray, line_c: FloatArray, capacity: FloatArray,
    ) -> tuple[FloatArray, NDArray[np.bool_] | None, Phase, bool]:  # fmt: skip
        """See which nodes have come to boil or dry out: (next temperatures, boils, phase, settled)."""
        if boils is None or latent is None:
            return line_c, None, phase, True
        boiling_c, moist = self.material.boiling_c, now.phase.moist
        # a boiling node is judged by its heat, any other by its temperature
        over_k = line_c - boiling_c
        beyond_k = heat - np.minimum(np.maximum(heat, 0.0), latent)
        beyond_k /= capacity
        np.abs(beyond_k, out=beyond_k)
        beyond_k = np.where(boils, beyond_k, over_k)
        dry = None
        if phase is not now.phase:
            dry = moist & ~phase.moist  # dried out within this stage
            beyond_k = np.where(dry, -over_k, beyond_k)
        if float(np.max(beyond_k, where=moist, initial=0.0)) < self.settled_k:
            return line_c, boils, phase, True
        ends = boils & (heat > latent)
        if dry is not None:
            ends |= dry & (over_k >= 0.0)
        fallen = boils & (heat < 0.0)
        boils = (
            moist
            & ~ends
            & ~fallen
            & (boils | (over_k >= 0.0) if dry is None else boils | dry | (over_k >= 0.0))
        )
        next_c = np.where(boils, boiling_c, line_c)
        next_c = np.where(fallen, boiling_c + heat / capacity, next_c)
        next_c = np.where(
            ends & (line_c <= boiling_c), boiling_c + (heat - latent) / capacity, next_c
        )
        some = bool(ends.any())
        return next_c, boils, self.material.phase(moist & ~ends) if some else now.phase, False

    def _settle(
        self, now: Moment, plane: Plane | None, first: Stage, second: Stage, tau: float
    ) -> Moment:
        """Book what passed, take the water that has gone off the nodes."""
        weight = _REST * tau
        radiated = weight * first.radiant + tau * second.radiant
        inward = weight * first.inward + tau * second.inward
        was = now.totals
        totals = Totals(
            convected=was.convected + (inward - radiated),
            radiated=was.radiated + radiated,
            under=was.under,
            boiled=was.boiled,
            dried=was.dried,
            carried=was.carried,
            vapour_kg_m2=was.vapour_kg_m2,
        )
        if first.under is not None and second.under is not None:
            totals.under = was.under + (weight * first.under + tau * second.under)
        heat, left, phase, layers, temp_c = (
            second.heat,
            now.left,
            now.phase,
            now.layers,
            second.temp_c,
        )
        if left is not None:
            if (
                first.drying is not None
                and second.drying is not None
                and plane is not None
                and self.drying is not None
            ):
                passed = weight * first.drying + tau * second.drying
                left, back = self.drying.take(plane, passed, left, totals)
                heat = heat.copy()
                heat[plane.node, plane.member] += back
            heat, left, phase, temp_c = self._boil(now, heat, left, temp_c, totals)
            if left is not now.left:
                layers = self._layers(left)
        _, capacity, content = self.material.evaluate(temp_c, phase)
        per_heat = 1.0 / capacity
        temp_c = temp_c + (heat - content) * per_heat
        if left is not None:
            temp_c = np.minimum(temp_c, phase.cap_c)
        return Moment(
            time_s=now.time_s,
            temp_c=temp_c,
            heat=heat,
            per_heat=per_heat,
            left=left,
            phase=phase,
            layers=layers,
            rate=now.rate,
            pan_c=second.pan_c,
            face_c=second.face_c,
            under_c=second.under_c,
            inward=second.inward,
            totals=totals,
        )

    def _boil(
        self, now: Moment, heat: FloatArray, left: FloatArray, temp_c: FloatArray, totals: Totals
    ) -> tuple[FloatArray, FloatArray, Phase, FloatArray]:
        """Turn heat beyond the boiling point into vapour; nodes without water become dry."""
        material, volume = self.material, self.grid.volume_m
        over = now.phase.moist & (heat > 0.0)
        if bool(np.any(over)):
            latent = left * material.latent_j_m3
            gone = np.where(over, np.minimum(heat, latent), 0.0)
            boiled = np.sum(volume * gone, axis=0)
            totals.boiled = totals.boiled + boiled
            totals.vapour_kg_m2 = totals.vapour_kg_m2 + boiled / self.latent_j_kg
            heat = heat - gone
            share = np.divide(gone, material.latent_j_m3, out=np.zeros_like(gone), where=gone > 0.0)
            left = np.where(gone >= latent, np.where(over, 0.0, left), left - share)
        moist = left > 0.0
        ended = now.phase.moist & ~moist
        if not bool(np.any(ended)):
            return heat, left, now.phase, np.where(over, material.boiling_c, temp_c)
        phase = material.phase(moist)
        # water that dried off below boiling takes its own heat content along
        cold = ended & (heat < 0.0)
        if bool(np.any(cold)):
            was = material.evaluate(temp_c, now.phase)
            node_c = np.where(cold, temp_c + (heat - was[2]) / was[1], temp_c)
            kept = material.evaluate(node_c, phase)[2]
            carried = np.where(cold, heat - kept, 0.0)
            totals.carried = totals.carried + np.sum(volume * carried, axis=0)
            heat = heat - carried
            temp_c = node_c
        dry_c = material.boiling_c + np.maximum(heat, 0.0) / material.evaluate(temp_c, phase)[1]
        temp_c = np.where(ended & ~cold, dry_c, temp_c)
        return heat, left, phase, np.where(over & moist, material.boiling_c, temp_c)
