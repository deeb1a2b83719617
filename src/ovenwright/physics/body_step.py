"""One step of an ensemble of heated bodies in time.

Two stages, each implicit, second order, and damping every ripple (the two-stage singly diagonal
scheme with γ = 1 - 1/√2, ALEXANDER1977). The unknown is heat content, so a boiling node simply
has no rise of temperature with heat, and what leaves one node enters the next: heat is conserved
whatever the step and however well the iteration has settled.
"""

from __future__ import annotations

import numpy as np

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_boiling import Boiling
from ovenwright.physics.body_faces import Below, Drying, Plane, row
from ovenwright.physics.body_front import plain_layers
from ovenwright.physics.body_grid import BodyGrid
from ovenwright.physics.body_material import Material
from ovenwright.physics.body_moment import Held, Moment, Stage, Totals
from ovenwright.physics.body_parameters import BodyParameters
from ovenwright.physics.body_rounds import Faces, Guess, Rounds
from ovenwright.physics.body_surroundings import Lines, Sampler, Surroundings

GAMMA = float(1.0 - np.sqrt(0.5))
_REST = (1.0 - GAMMA) / GAMMA
_CROSSED = 0.8  # nodes that the front may cross in a step
_SETTLED = 0.2  # of the tolerance: a stage is settled
_STRAIGHT = 10.0  # K at a tolerance of 1 K, by its root: over so much a property counts as straight


class Stepper:
    """Everything about the bodies that stays as it is, laid out for the step."""

    def __init__(
        self, body: BodyParameters, grid: BodyGrid, around: Surroundings, *, tolerance_k: float
    ) -> None:
        members = grid.volume_m.shape[1]
        self.grid, self.tolerance_k = grid, tolerance_k
        self.material = Material(body, members)
        self.water_kg_m3 = row(body.water_kg_m3, members)
        self.latent_j_kg = row(body.latent_j_kg, members)
        self.coefficient = row(body.coefficient_w_m2_k, members)
        self.emissivity = row(body.emissivity, members)
        self.below = Below(body.under, members) if body.under is not None else None
        dries = body.moist and bool(np.any(np.asarray(body.mass_transfer_kg_m2_s_pa) > 0.0))
        self.drying = Drying(body, grid) if dries else None
        self.around = Sampler(around, below=self.below is not None, vapour=dries)
        self.boiling = Boiling(
            self.material,
            grid,
            latent_j_kg=self.latent_j_kg,
            two_faces=self.below is not None,
            settled_k=_SETTLED * tolerance_k,
        )
        self.rounds = Rounds(
            self.material, self.boiling, area=grid.area, coefficient=self.coefficient,
            emissivity=self.emissivity, straight_k=_STRAIGHT * float(np.sqrt(tolerance_k)),
        )  # fmt: skip
        self._part = grid.volume_m / np.sum(grid.volume_m, axis=0)

    @property
    def has_pan(self) -> bool:
        """Whether the slab lies on a pan."""
        return self.below is not None and self.below.has_pan

    def moment(
        self, time_s: float, temp_c: FloatArray, left: FloatArray | None, *, kept: FloatArray | None,
        pan_c: FloatArray | None,         rate: FloatArray, inward: FloatArray, totals: Totals,
    ) -> Moment:  # fmt: skip
        """Lay out an instant from temperatures and water left."""
        moist = np.zeros(temp_c.shape, dtype=bool) if left is None else left > 0.0
        phase = self.material.phase(moist if self.material.evaporates else ~moist)
        k, capacity, heat = self.material.evaluate(temp_c, phase)
        return Moment(
            time_s=time_s,
            temp_c=temp_c,
            heat=heat if left is None else np.where(temp_c >= phase.cap_c, 0.0, heat),
            per_heat=1.0 / capacity,
            k=k,
            left=left,
            kept=kept,
            phase=phase,
            ahead=None,
            layers=plain_layers(self.grid) if left is None else self.boiling.layers(left),
            rate=rate,
            pan_c=pan_c,
            face_c=temp_c[-1],
            under_c=temp_c[0],
            inward=inward,
            under=None,
            totals=totals,
        )

    def advance(self, now: Moment, step_s: float) -> tuple[Moment, FloatArray]:
        """Take one step; return the new instant and an estimate of the error made, K, (members,)."""
        self.boiling.look_ahead(now, step_s)
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
        going = self.boiling.pass_on(now, first, base, early)
        second = self._stage(
            now, base, going, pan_base, plane=plane, tau=tau, inward=first.inward,
            around=self.around.about(end, 0.5 * tau), first=first,
        )  # fmt: skip
        late = (second.heat - base) / tau
        then = self._settle(now, plane, first, second, tau)
        then.time_s, then.rate = end, late
        if then.left is not None:
            then.face_c = then.temp_c[-1] + then.inward * self.boiling.skin(then.left)
            # a node that has only just dried is not warm yet where its skin was
            if then.phase is not now.phase:
                just = now.phase.moist[-1] & ~then.phase.moist[-1]
                then.face_c = np.where(just, np.maximum(then.face_c, now.face_c), then.face_c)
        error = late - early
        error *= then.per_heat
        if then.left is not None:
            # a node that boils stays as it is; one that dried out in this step jumps at any step
            error *= (then.temp_c < then.phase.cap_c) & (then.phase.moist | ~now.phase.moist)
        face = np.abs(error[-1])
        error *= error
        error *= self._part
        error_k = tau * np.maximum(np.sqrt(np.add.reduce(error)), 0.25 * face)
        if then.left is not None and now.left is not None and then.left is not now.left:
            # the front is followed as long as it does not cross more than a node in a step
            crossed = np.add.reduce(now.left - then.left) / _CROSSED
            error_k = np.maximum(error_k, self.tolerance_k * crossed * crossed)
        return then, error_k

    def _stage(
        self, now: Moment, base: FloatArray, rate: FloatArray, pan_base: FloatArray | None, *,
        plane: Plane | None, tau: float, inward: FloatArray, around: Lines,
        first: Stage | None = None,
    ) -> Stage:  # fmt: skip
        """Solve heat = base + tau · (flux in - flux out)/volume."""
        material, grid, layers, phase = self.material, self.grid, now.layers, now.phase
        heat = base + tau * rate
        line_c = now.temp_c + (heat - now.heat) * now.per_heat
        boils, ahead = None, now.ahead
        if ahead is not None:
            boils = phase.moist & (heat >= 0.0)
            line_c = np.where(boils, phase.cap_c, np.minimum(line_c, phase.cap_c))
            ends = boils & (heat > ahead.plateau)
            if first is not None and first.phase is not now.phase:
                ends |= now.phase.moist & ~first.phase.moist & (heat >= ahead.above)
            if bool(ends.any()):
                boils &= ~ends
                line_c = np.where(ends, line_c + (heat - ahead.above) * now.per_heat, line_c)
                phase = material.phase(now.phase.moist & ~ends)
        held = Held(now.phase, layers, ahead)
        faces = None
        if self.below is not None or plane is not None:
            faces = Faces(self.below, self.drying, plane, now=now, pan_base=pan_base, tau=tau)
        found = self.rounds.solve(
            held, Guess(base, heat, line_c, boils, phase, inward), faces,
            per_tau=grid.volume_m * (1.0 / tau), around=around,
        )  # fmt: skip
        line_c, inward, skin = found.line_c, found.inward, layers.skin
        face_c = line_c[-1] if skin is None else line_c[-1] + inward * skin
        against = None if faces is None else faces.against
        under = None if against is None else against.flux(line_c[0])
        return Stage(
            heat=found.heat,
            temp_c=line_c,
            phase=found.phase,
            inward=inward,
            radiant=found.radiant_level - found.radiant_slope * face_c,
            under=under,
            drying=None if faces is None else faces.drying_of(line_c),
            face_c=face_c,
            under_c=line_c[0]
            if against is None or under is None
            else line_c[0] + under * against.skin,
            pan_c=None if against is None else against.pan(line_c[0]),
        )

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
        kept = now.kept
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
            heat, left, kept, phase, temp_c = self.boiling.boil_off(now, second, heat, left, totals)
        k, capacity, content = self.material.evaluate(temp_c, phase)
        per_heat = 1.0 / capacity
        temp_c = temp_c + (heat - content) * per_heat
        if left is not None:
            temp_c = np.minimum(temp_c, phase.cap_c)
        return Moment(
            time_s=now.time_s,
            temp_c=temp_c,
            heat=heat,
            per_heat=per_heat,
            k=k,
            left=left,
            kept=kept,
            phase=phase,
            ahead=None,
            layers=layers,
            rate=now.rate,
            pan_c=second.pan_c,
            face_c=second.face_c,
            under_c=second.under_c,
            inward=second.inward,
            under=second.under,
            totals=totals,
        )
