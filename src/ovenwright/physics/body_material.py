"""Conductivity, heat capacity and heat content of moist and dried body, for many at once.

Heat content `h` (J/m³) counts from the boiling point. A node with free water left is moist below
0, boils from 0 on, and is dry once the latent heat of what was left is in. A node counts as moist
with the properties of the moist body until its last water has gone.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_curve import Property, PropertyCurve
from ovenwright.physics.body_parameters import BodyParameters

_MOST_KNOTS = 4096


@dataclass(frozen=True, slots=True)
class Phase:
    """Which nodes are moist, and the factors that follow, (nodes, members)."""

    moist: NDArray[np.bool_]
    row: NDArray[np.intp]
    k_scale: FloatArray
    heat_scale: FloatArray
    offset: FloatArray
    cap_c: FloatArray
    """Highest temperature a node can have: boiling where moist, none where dry."""

    def take(self, pick: NDArray[np.intp]) -> Phase:
        """Return the phase of some members."""
        return Phase(*(getattr(self, f.name).take(pick, axis=1) for f in fields(Phase)))


def _scale(given: Property, members: int) -> FloatArray:
    number = given.scale if isinstance(given, PropertyCurve) else given
    return np.broadcast_to(np.asarray(number, np.float64), (members,)).copy()


def _shape(given: Property, temp_c: FloatArray) -> FloatArray:
    return given.at(temp_c) if isinstance(given, PropertyCurve) else np.ones_like(temp_c)


class Material:
    """All properties in one table of evenly spaced temperatures, moist rows first, then dry."""

    def __init__(self, body: BodyParameters, members: int) -> None:
        self.evaporates = body.moist
        dry_k, dry_heat = body.dry_conductivity_w_m_k, body.dry_heat_capacity_j_m3_k
        self.boiling_c = np.broadcast_to(np.asarray(body.boiling_c, np.float64), (members,)).copy()
        conductivities: tuple[Property, Property] = (
            body.conductivity_w_m_k,
            body.conductivity_w_m_k if dry_k is None else dry_k,
        )
        capacities: tuple[Property, Property] = (
            body.heat_capacity_j_m3_k,
            body.heat_capacity_j_m3_k if dry_heat is None else dry_heat,
        )
        self._k_scales = [_scale(p, members) for p in conductivities]
        self._heat_scales = [_scale(p, members) for p in capacities]
        curves = [p for p in (*conductivities, *capacities) if isinstance(p, PropertyCurve)]
        self.constant = not curves
        if self.constant:
            self._offsets = [np.zeros(members), np.zeros(members)]
        else:
            self._tabulate(conductivities, capacities, curves)
        water = np.broadcast_to(np.asarray(body.water_kg_m3, np.float64), (members,))
        self.latent_j_m3 = np.asarray(water * np.asarray(body.latent_j_kg, np.float64))
        dry = self.phase(np.zeros((1, members), dtype=bool))
        at_boiling = self.evaluate(self.boiling_c[None, :], dry)
        self.dry_layer_k, self.dry_heat_j_m3_k = at_boiling[0][0], at_boiling[1][0]

    def _tabulate(
        self,
        conductivities: tuple[Property, Property],
        capacities: tuple[Property, Property],
        curves: list[PropertyCurve],
    ) -> None:
        low_c, high_c = min(c.low_c for c in curves), max(c.high_c for c in curves)
        step_k = max(min(c.step_k for c in curves), (high_c - low_c) / _MOST_KNOTS)
        knots = int(np.ceil((high_c - low_c) / step_k - 1e-9)) + 1
        temp_c: FloatArray = low_c + step_k * np.arange(
            -1.0, knots + 1.0
        )  # a flat piece at either end
        self._low_c, self._step_k, self._pieces = float(temp_c[0]), step_k, knots + 1
        rows = []
        for k, heat in zip(conductivities, capacities, strict=True):
            k_knots, heat_knots = _shape(k, temp_c), _shape(heat, temp_c)
            total = np.concatenate(
                ([0.0], np.cumsum(0.5 * step_k * (heat_knots[1:] + heat_knots[:-1])))
            )
            columns = (
                k_knots[:-1],
                np.diff(k_knots),
                heat_knots[:-1],
                np.diff(heat_knots),
                total[:-1],
            )
            rows.append(np.stack(columns, axis=1))
        self._table = np.concatenate(rows)
        self._offsets = [np.zeros_like(self.boiling_c), np.zeros_like(self.boiling_c)]
        for i, moist in enumerate((True, False)):
            phase = self.phase(np.full((1, len(self.boiling_c)), moist))
            self._offsets[i] = self.evaluate(self.boiling_c[None, :], phase)[2][0]

    def take(self, pick: NDArray[np.intp]) -> Material:
        """Return the material of some members."""
        out = copy.copy(self)
        out.boiling_c, out.latent_j_m3 = self.boiling_c[pick], self.latent_j_m3[pick]
        out.dry_layer_k, out.dry_heat_j_m3_k = self.dry_layer_k[pick], self.dry_heat_j_m3_k[pick]
        out._k_scales = [scale[pick] for scale in self._k_scales]  # noqa: SLF001
        out._heat_scales = [scale[pick] for scale in self._heat_scales]  # noqa: SLF001
        out._offsets = [offset[pick] for offset in self._offsets]  # noqa: SLF001
        return out

    def phase(self, moist: NDArray[np.bool_]) -> Phase:
        """Lay out the factors for nodes that are moist or dry."""
        boiling_c = np.broadcast_to(self.boiling_c, moist.shape)
        return Phase(
            moist=moist,
            row=np.where(moist, 0, 0 if self.constant else self._pieces).astype(np.intp),
            k_scale=np.where(moist, *self._k_scales),
            heat_scale=np.where(moist, *self._heat_scales),
            offset=np.where(moist, *self._offsets),
            cap_c=np.where(moist, boiling_c, np.inf)
            if self.evaporates
            else np.full(moist.shape, np.inf),
        )

    def evaluate(
        self, temp_c: FloatArray, phase: Phase
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return conductivity, heat capacity and heat content, (nodes, members)."""
        return self.evaluate_bent(temp_c, phase, bent=False)[:3]

    def evaluate_bent(
        self, temp_c: FloatArray, phase: Phase, *, bent: bool
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray | None]:
        """Return the same and, where `bent`, how conductivity rises with temperature.

        That is None where nothing changes with temperature.
        """
        if self.constant:
            content = (temp_c - self.boiling_c) * phase.heat_scale
            return phase.k_scale, phase.heat_scale, content, None
        place = temp_c - self._low_c
        place *= 1.0 / self._step_k
        index = np.minimum(np.maximum(place, 0.0), self._pieces - 1).astype(np.intp)
        place -= index
        index += phase.row
        rows = self._table.take(index, axis=0)
        rise = rows[..., 1]
        k = place * rise
        k += rows[..., 0]
        k *= phase.k_scale
        bend = None
        if bent:
            bend = rise * phase.k_scale
            bend *= 1.0 / self._step_k
        start = rows[..., 2]
        capacity = place * rows[..., 3]
        capacity += start
        content = start + capacity
        content *= place
        content *= 0.5 * self._step_k
        content += rows[..., 4]
        content *= phase.heat_scale
        content -= phase.offset
        capacity *= phase.heat_scale
        return k, capacity, content, bend
