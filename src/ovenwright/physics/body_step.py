"""One step of an ensemble of heated bodies in time.

Two stages, each implicit, second order, and damping every ripple (the two-stage singly diagonal
scheme with γ = 1 - 1/√2, ALEXANDER1977). The unknown is heat content, so a boiling node simply
has no rise of temperature with heat, and what leaves one node enters the next: heat is conserved
whatever the step and however well the iteration has settled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_curve import Evaluated
from ovenwright.physics.body_enthalpy import HalfCells, Material, conductances, half_cells
from ovenwright.physics.body_grid import BodyGrid
from ovenwright.physics.body_parameters import BodyParameters, Number, Underside
from ovenwright.physics.body_surface import (
    LATENT_FALL_J_KG_K,
    Exchange,
    face_exchange,
    vapour_flux_kg_m2_s,
)
from ovenwright.physics.body_surroundings import Sampler
from ovenwright.physics.body_tridiagonal import solve_three_diagonals

GAMMA = 1.0 - np.sqrt(0.5)
_ROUNDS = 6  # most iterations of a stage


@dataclass(slots=True)
class Totals:
    """Heat and water that passed since the start, (members,), J/m² and kg/m² of outer face."""

    convected: FloatArray
    radiated: FloatArray
    under: FloatArray
    boiled: FloatArray
    dried: FloatArray
    carried: FloatArray
    vapour_kg_m2: FloatArray


@dataclass(slots=True)
class Moment:
    """Where the ensemble stands."""

    time_s: float
    temp_c: FloatArray  # (nodes, members)
    heat: FloatArray  # (nodes, members), J/m³ from the boiling point on
    left: FloatArray | None  # (nodes, members), share of free water
    rate: FloatArray  # (nodes, members), W/m³, of the last stage
    pan_c: FloatArray | None
    face_c: FloatArray  # (members,) outer face, with its dried skin
    under_c: FloatArray  # (members,) the face at position 0
    inward: FloatArray  # (members,) flux into the outer face, W/m²
    totals: Totals


@dataclass(slots=True)
class _Stage:
    heat: FloatArray
    temp_c: FloatArray
    inward: FloatArray
    radiant: FloatArray
    under: FloatArray
    drying: FloatArray
    face_c: FloatArray
    under_c: FloatArray
    pan_c: FloatArray | None


@dataclass(slots=True)
class _Front:
    """The outermost moist node of each member, and what stands between it and the air."""

    node: NDArray[np.intp]
    moist: FloatArray  # 1 where there is one
    area: FloatArray
    resistance: FloatArray


def _row(value: Number, members: int) -> FloatArray:
    return np.broadcast_to(np.asarray(value, dtype=np.float64), (members,)).copy()


class Stepper:
    """Everything about the bodies that stays as it is, laid out for the step."""

    def __init__(
        self, body: BodyParameters, grid: BodyGrid, around: Sampler, *, settled_k: float
    ) -> None:
        members = grid.volume_m.shape[1]
        self.grid, self.around, self.settled_k = grid, around, settled_k
        boiling_c = _row(body.boiling_c, members)
        water = _row(body.water_kg_m3, members)
        dry_k = (
            body.conductivity_w_m_k
            if body.dry_conductivity_w_m_k is None
            else body.dry_conductivity_w_m_k
        )
        dry_heat = (
            body.heat_capacity_j_m3_k
            if body.dry_heat_capacity_j_m3_k is None
            else body.dry_heat_capacity_j_m3_k
        )
        self.material = Material(
            moist_k=Evaluated(body.conductivity_w_m_k, boiling_c),
            dry_k=Evaluated(dry_k, boiling_c),
            moist_heat=Evaluated(body.heat_capacity_j_m3_k, boiling_c),
            dry_heat=Evaluated(dry_heat, boiling_c),
            boiling_c=boiling_c,
            latent_j_m3=water * _row(body.latent_j_kg, members),
            evaporates=body.moist,
            changes=body.dry_heat_capacity_j_m3_k is not None,
        )
        self.water_kg_m3 = water
        self.latent_j_kg = _row(body.latent_j_kg, members)
        self.coefficient = _row(body.coefficient_w_m2_k, members)
        self.emissivity = _row(body.emissivity, members)
        transfer = _row(body.mass_transfer_kg_m2_s_pa, members)
        self.dries = body.moist and bool(np.any(transfer > 0.0))
        self.air_resistance = np.full(members, np.inf)
        np.divide(1.0, transfer, out=self.air_resistance, where=transfer > 0.0)
        self.activity = _row(body.water_activity, members)
        self.permeability = _row(body.crust_permeability_kg_m_s_pa, members)
        self.under = _Below(body.under, members) if body.under is not None else None
        self.has_pan = self.under is not None and self.under.contact is not None

    def advance(self, now: Moment, step_s: float) -> tuple[Moment, FloatArray]:
        """Take one step; return the new moment and an estimate of the error it made, K, (members,)."""
        cells = (
            half_cells(now.left, two_faces=self.under is not None) if now.left is not None else None
        )
        front = self._front(now) if self.dries and now.left is not None else None
        tau, start = GAMMA * step_s, now.time_s
        first = self._stage(
            now, cells, front, base=now.heat, tau=tau, rate=now.rate, near_c=now.temp_c, pan_base=now.pan_c,
            window=(start, start + 2.0 * tau), inward=now.inward,
        )  # fmt: skip
        share = (1.0 - GAMMA) / GAMMA
        early = (first.heat - now.heat) / tau
        base = now.heat + share * (first.heat - now.heat)
        pan_base = None
        if now.pan_c is not None and first.pan_c is not None:
            pan_base = now.pan_c + share * (first.pan_c - now.pan_c)
        end = start + step_s
        second = self._stage(
            now, cells, front, base=base, tau=tau, rate=early, near_c=first.temp_c, pan_base=pan_base,
            window=(end - 0.5 * tau, end + 0.5 * tau), inward=first.inward,
        )  # fmt: skip
        late = (second.heat - base) / tau
        weights = ((1.0 - GAMMA) * step_s, tau)
        then, slope = self._settle(now, front, (first, second), weights)
        then.time_s, then.rate = end, late
        error = tau * np.abs(late - early) * slope
        volume = self.grid.volume_m
        rms = np.sqrt(np.sum(volume * error * error, axis=0) / np.sum(volume, axis=0))
        return then, np.maximum(rms, 0.25 * error[-1])

    def _stage(
        self,
        now: Moment,
        cells: HalfCells | None,
        front: _Front | None,
        *,
        base: FloatArray,
        tau: float,
        rate: FloatArray,
        near_c: FloatArray,
        pan_base: FloatArray | None,
        window: tuple[float, float],
        inward: FloatArray,
    ) -> _Stage:
        """Solve heat = base + tau · (flux in - flux out)/volume."""
        material, grid, left = self.material, self.grid, now.left
        around = {name: self.around.mean(name, *window) for name in self.around.names}
        heat = base + tau * rate
        temp_c, slope = material.temperature(heat, left, near_c, rounds=2)
        per_tau = grid.volume_m / tau
        for _ in range(_ROUNDS):
            between, k_dry = conductances(
                temp_c, material=material, cells=cells, area=grid.area, spacing_m=grid.spacing_m
            )
            skin = 0.0 if cells is None else cells.skin * grid.spacing_m / k_dry[-1]
            outer = self._outer(temp_c[-1] + inward * skin, around)
            through = 1.0 / (1.0 + outer.slope * skin)
            level, fall = outer.level * through, outer.slope * through
            flux = between * (temp_c[1:] - temp_c[:-1])
            right = -per_tau * (heat - base)
            right[:-1] += flux
            right[1:] -= flux
            right[-1] += level - fall * temp_c[-1]
            diagonal = per_tau.copy()
            upper = -between * slope[1:]
            lower = -between * slope[:-1]
            diagonal[:-1] -= lower
            diagonal[1:] -= upper
            diagonal[-1] += fall * slope[-1]
            under = None
            if self.under is not None:
                under_skin = 0.0 if cells is None else cells.under_skin * grid.spacing_m / k_dry[0]
                under = self.under.against(
                    temp_c[0], now, around, pan_base=pan_base, tau=tau, skin=under_skin
                )
                right[0] += under.level - under.fall * temp_c[0]
                diagonal[0] += under.fall * slope[0]
            loss = None
            if front is not None:
                loss = self._loss(temp_c, front, around)
                member = np.arange(temp_c.shape[1])
                right[front.node, member] -= loss[0]
                diagonal[front.node, member] += loss[1] * slope[front.node, member]
            change = solve_three_diagonals(lower, diagonal, upper, right)
            heat = heat + change
            line_c = temp_c + slope * change
            was_c = temp_c
            temp_c, slope = material.temperature(heat, left, line_c)
            inward = level - fall * line_c[-1]
            if float(np.max(np.abs(temp_c - line_c))) < self.settled_k:
                break
        face_c = line_c[-1] + inward * skin
        drying = np.zeros_like(inward)
        if front is not None and loss is not None:
            drying = loss[0] + loss[1] * (line_c - was_c)[front.node, np.arange(temp_c.shape[1])]
        return _Stage(
            heat=heat,
            temp_c=temp_c,
            inward=inward,
            radiant=outer.radiant_level - outer.radiant_slope * face_c,
            under=under.level - under.fall * line_c[0]
            if under is not None
            else np.zeros_like(inward),
            drying=drying,
            face_c=face_c,
            under_c=line_c[0]
            if under is None
            else line_c[0] + (under.level - under.fall * line_c[0]) * under_skin,
            pan_c=under.pan(line_c[0]) if under is not None and self.has_pan else None,
        )

    def _outer(self, face_c: FloatArray, around: dict[str, FloatArray]) -> Exchange:
        return face_exchange(
            face_c,
            air_c=around["air"],
            wall_c=around["wall"],
            coefficient_w_m2_k=self.coefficient,
            emissivity=self.emissivity,
        )

    def _front(self, now: Moment) -> _Front:
        left = now.left
        assert left is not None  # noqa: S101 - for mypy; asked of moist bodies only
        nodes, members = left.shape
        moist = left > 0.0
        some = moist.any(axis=0)
        node = np.where(some, nodes - 1 - np.argmax(moist[::-1], axis=0), nodes - 1)
        member = np.arange(members)
        part = np.clip(1.0 - left[node, member], 0.0, 1.0)
        outermost = node == nodes - 1
        depth = np.where(outermost, 0.5 * part, nodes - 1.5 - node + part) * self.grid.spacing_m
        area = np.asarray(
            np.where(outermost, 1.0, self.grid.area[np.minimum(node, nodes - 2), member])
        )
        return _Front(
            node,
            moist[node, member].astype(np.float64),
            area,
            self.air_resistance + depth / self.permeability,
        )

    def _loss(
        self, temp_c: FloatArray, front: _Front, around: dict[str, FloatArray]
    ) -> tuple[FloatArray, FloatArray]:
        """Heat that drying takes from the front node, and its slope with temperature."""
        plane_c = temp_c[front.node, np.arange(temp_c.shape[1])]
        flux, slope = vapour_flux_kg_m2_s(
            plane_c,
            boiling_c=self.material.boiling_c,
            water_activity=self.activity,
            vapour_pressure_pa=around["vapour"],
            resistance_m2_s_pa_kg=front.resistance,
        )
        latent = self._latent(plane_c)
        scale = front.moist * front.area * latent
        return flux * scale, slope * scale

    def _latent(self, temp_c: FloatArray) -> FloatArray:
        return self.latent_j_kg + LATENT_FALL_J_KG_K * (self.material.boiling_c - temp_c)

    def _settle(
        self,
        now: Moment,
        front: _Front | None,
        stages: tuple[_Stage, _Stage],
        weights: tuple[float, float],
    ) -> tuple[Moment, FloatArray]:
        """Book what passed, take the water that has gone off the nodes."""

        def passed(name: str) -> FloatArray:
            total = weights[0] * getattr(stages[0], name) + weights[1] * getattr(stages[1], name)
            return np.asarray(total)

        second, material, volume = stages[1], self.material, self.grid.volume_m
        heat, left = second.heat, now.left
        radiated = passed("radiant")
        totals = Totals(
            convected=now.totals.convected + passed("inward") - radiated,
            radiated=now.totals.radiated + radiated,
            under=now.totals.under + passed("under"),
            boiled=now.totals.boiled,
            dried=now.totals.dried,
            carried=now.totals.carried,
            vapour_kg_m2=now.totals.vapour_kg_m2,
        )
        if left is not None:
            if front is not None:
                heat, left = self._dry(
                    now, front, heat, left, drying_j_m2=passed("drying"), totals=totals
                )
            latent = left * material.latent_j_m3
            gone = np.where(heat > 0.0, np.minimum(heat, latent), 0.0)
            gone = np.where(left > 0.0, gone, 0.0)
            boiled = np.sum(volume * gone, axis=0)
            totals.boiled = totals.boiled + boiled
            totals.vapour_kg_m2 = totals.vapour_kg_m2 + boiled / self.latent_j_kg
            heat = heat - gone
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(gone > 0.0, gone / material.latent_j_m3, 0.0)
            left = np.where(gone >= latent, 0.0, left - share)
        temp_c, slope = material.temperature(heat, left, second.temp_c)
        if left is not None:
            slope = np.where((left > 0.0) & (temp_c >= material.boiling_c), 0.0, slope)
        return (
            Moment(
                time_s=now.time_s,
                temp_c=temp_c,
                heat=heat,
                left=left,
                rate=now.rate,
                pan_c=second.pan_c,
                face_c=second.face_c,
                under_c=second.under_c,
                inward=second.inward,
                totals=totals,
            ),
            slope,
        )

    def _dry(
        self,
        now: Moment,
        front: _Front,
        heat: FloatArray,
        left: FloatArray,
        *,
        drying_j_m2: FloatArray,
        totals: Totals,
    ) -> tuple[FloatArray, FloatArray]:
        """Take the water that dried off from the front node; no more than it had."""
        node, member = front.node, np.arange(heat.shape[1])
        plane_c = now.temp_c[node, member]
        latent = self._latent(plane_c)
        volume = self.grid.volume_m[node, member]
        water = volume * self.water_kg_m3
        has = front.moist > 0.0
        asked = np.where(has, drying_j_m2 / latent, 0.0)
        mass = np.minimum(asked, left[node, member] * water)
        share = np.divide(mass, water, out=np.zeros_like(mass), where=water > 0.0)
        carried = share * self.material.drier_by(now.temp_c)[node, member] * volume
        heat, left = heat.copy(), left.copy()
        heat[node, member] += ((asked - mass) * latent - carried) / volume
        left[node, member] -= share
        left[node, member] = np.where(has & (mass < asked), 0.0, left[node, member])
        totals.dried = totals.dried + mass * latent
        totals.carried = totals.carried + carried
        totals.vapour_kg_m2 = totals.vapour_kg_m2 + mass
        return heat, left


@dataclass(slots=True)
class _Against:
    """The flux into the face at position 0 as level - fall · T, with the pan between."""

    level: FloatArray
    fall: FloatArray
    pan_level: FloatArray
    pan_share: FloatArray

    def pan(self, temp_c: FloatArray) -> FloatArray:
        return np.asarray(self.pan_level + self.pan_share * temp_c)


class _Below:
    """The underside of a slab, laid out for the step; the pan is folded into the face's balance."""

    def __init__(self, under: Underside, members: int) -> None:
        self.coefficient = _row(under.coefficient_w_m2_k, members)
        self.emissivity = _row(under.emissivity, members)
        self.contact = None if under.contact_w_m2_k is None else _row(under.contact_w_m2_k, members)
        self.capacity = _row(under.heat_capacity_j_m2_k, members)

    def against(
        self,
        temp_c: FloatArray,
        now: Moment,
        around: dict[str, FloatArray],
        *,
        pan_base: FloatArray | None,
        tau: float,
        skin: FloatArray | float,
    ) -> _Against:
        near_c = now.pan_c if now.pan_c is not None else temp_c
        outer = face_exchange(
            near_c,
            air_c=around["under_air"],
            wall_c=around["under_wall"],
            coefficient_w_m2_k=self.coefficient,
            emissivity=self.emissivity,
        )
        nothing = np.zeros_like(temp_c)
        if self.contact is None or pan_base is None:
            through = 1.0 / (1.0 + outer.slope * skin)
            return _Against(outer.level * through, outer.slope * through, nothing, nothing)
        contact = 1.0 / (1.0 / self.contact + skin)
        kept = self.capacity / tau
        whole = kept + outer.slope + contact
        level = (kept * pan_base + outer.level) / whole
        return _Against(
            level=contact * level,
            fall=contact * (kept + outer.slope) / whole,
            pan_level=level,
            pan_share=contact / whole,
        )
