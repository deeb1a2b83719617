"""The face below a slab with its pan, and the moist plane that dries below boiling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_grid import BodyGrid
from ovenwright.physics.body_moment import Moment, Totals
from ovenwright.physics.body_parameters import BodyParameters, Number, Underside
from ovenwright.physics.body_surface import (
    LATENT_FALL_J_KG_K,
    face_exchange,
    vapour_flux_kg_m2_s,
)

_NODES_A_STEP = 4  # most nodes that may dry below boiling in one step


def row(value: Number, members: int) -> FloatArray:
    """Return a number of the body for each member."""
    return np.broadcast_to(np.asarray(value, dtype=np.float64), (members,)).copy()


@dataclass(slots=True)
class Against:
    """The flux into the face at position 0 as level - fall · T, with the pan between."""

    level: FloatArray
    fall: FloatArray
    skin: FloatArray | float
    pan_level: FloatArray | None
    pan_share: FloatArray | None

    def flux(self, temp_c: FloatArray) -> FloatArray:
        """Return the flux into the slab, W/m²."""
        return self.level - self.fall * temp_c

    def pan(self, temp_c: FloatArray) -> FloatArray | None:
        """Return the temperature of the pan."""
        if self.pan_level is None or self.pan_share is None:
            return None
        return self.pan_level + self.pan_share * temp_c


class Below:
    """The underside of a slab; the pan is folded into the balance of the face above it."""

    def __init__(self, under: Underside, members: int) -> None:
        self._coefficient = row(under.coefficient_w_m2_k, members)
        self._emissivity = row(under.emissivity, members)
        self._contact = None if under.contact_w_m2_k is None else row(under.contact_w_m2_k, members)
        self._capacity = row(under.heat_capacity_j_m2_k, members)

    @property
    def has_pan(self) -> bool:
        """Whether there is a pan between slab and surroundings."""
        return self._contact is not None

    def against(
        self,
        temp_c: FloatArray,
        now: Moment,
        *,
        air_c: float | FloatArray,
        wall_c: float | FloatArray,
        pan_base: FloatArray | None,
        tau: float,
    ) -> Against:
        """Balance a stage of length `tau` that starts with the pan at `pan_base`."""
        skin = 0.0 if now.layers.under_skin is None else now.layers.under_skin
        outer = face_exchange(
            temp_c if now.pan_c is None else now.pan_c,
            air_c=air_c,
            wall_c=wall_c,
            coefficient_w_m2_k=self._coefficient,
            emissivity=self._emissivity,
        )
        if self._contact is None or pan_base is None:
            through = 1.0 / (1.0 + outer.slope * skin)
            return Against(outer.level * through, outer.slope * through, skin, None, None)
        contact = 1.0 / (1.0 / self._contact + skin)
        kept = self._capacity / tau
        whole = kept + outer.slope + contact
        level = (kept * pan_base + outer.level) / whole
        fall = contact * (kept + outer.slope) / whole
        return Against(contact * level, fall, skin, level, contact / whole)


@dataclass(slots=True)
class Plane:
    """The outermost moist node of each member, and what stands between it and the air."""

    node: NDArray[np.intp]
    member: NDArray[np.intp]
    moist: NDArray[np.bool_]
    area: FloatArray
    resistance: FloatArray
    latent: FloatArray
    temp_c: FloatArray


class Drying:
    """Vapour that leaves a moist body below boiling, from a plane that recedes as it dries."""

    def __init__(self, body: BodyParameters, grid: BodyGrid) -> None:
        members = grid.volume_m.shape[1]
        transfer = row(body.mass_transfer_kg_m2_s_pa, members)
        self._air = np.full(members, np.inf)
        np.divide(1.0, transfer, out=self._air, where=transfer > 0.0)
        self._activity = row(body.water_activity, members)
        self._permeability = row(body.crust_permeability_kg_m_s_pa, members)
        self._latent_j_kg = row(body.latent_j_kg, members)
        self._boiling_c = row(body.boiling_c, members)
        self._water = row(body.water_kg_m3, members) * grid.volume_m
        self._grid = grid

    def plane(self, now: Moment) -> Plane:
        """Find the plane at the start of a step."""
        left = now.left if now.left is not None else np.ones_like(now.temp_c)
        nodes, members = left.shape
        moist = left > 0.0
        node = np.where(moist.any(axis=0), nodes - 1 - np.argmax(moist[::-1], axis=0), nodes - 1)
        member = np.arange(members)
        part = np.clip(1.0 - left[node, member], 0.0, 1.0)
        outermost = node == nodes - 1
        depth = np.where(outermost, 0.5 * part, nodes - 1.5 - node + part) * self._grid.spacing_m
        area = self._grid.area[np.minimum(node, nodes - 2), member]
        temp_c = now.temp_c[node, member]
        return Plane(
            node=node,
            member=member,
            moist=moist[node, member],
            area=np.where(outermost, 1.0, area),
            resistance=self._air + depth / self._permeability,
            latent=self._latent_j_kg + LATENT_FALL_J_KG_K * (self._boiling_c - temp_c),
            temp_c=temp_c,
        )

    def loss(
        self, temp_c: FloatArray, plane: Plane, vapour_pa: float | FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Heat that drying takes from the plane, W per m² of outer face, and its slope."""
        flux, slope = vapour_flux_kg_m2_s(
            temp_c[plane.node, plane.member],
            boiling_c=self._boiling_c,
            water_activity=self._activity,
            vapour_pressure_pa=vapour_pa,
            resistance_m2_s_pa_kg=plane.resistance,
        )
        scale = np.where(plane.moist, plane.area * plane.latent, 0.0)
        return flux * scale, slope * scale

    def take(
        self, plane: Plane, drying_j_m2: FloatArray, left: FloatArray, totals: Totals
    ) -> tuple[FloatArray, FloatArray]:
        """Book what dried off, no more than there was.

        Returns the share of water left, and the heat (J per m³ of the plane's node) that was
        asked for water that was not there.
        """
        asked = np.where(plane.moist, drying_j_m2 / plane.latent, 0.0)
        left = left.copy()
        node, rest = plane.node, asked
        for _ in range(_NODES_A_STEP):  # what the node has not, the next one inside gives
            water = self._water[node, plane.member]
            before = left[node, plane.member]
            mass = np.minimum(rest, before * water)
            share = np.divide(mass, water, out=np.zeros_like(mass), where=water > 0.0)
            left[node, plane.member] = np.where(rest > mass, 0.0, before - share)
            rest = rest - mass
            node = np.maximum(node - 1, 0)
            if not bool(np.any(rest > 0.0)):
                break
        mass = asked - rest
        totals.dried = totals.dried + mass * plane.latent
        totals.vapour_kg_m2 = totals.vapour_kg_m2 + mass
        return left, rest * plane.latent / self._grid.volume_m[plane.node, plane.member]
