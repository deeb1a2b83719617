"""Heat content of moist and dried body, and the front between them.

Heat content `h` (J/m³) counts from the boiling point. A node with free water left is moist below
0, boils from 0 on at the boiling point, and is dry once the whole latent heat is in. `left` is
the share of the free water that is still there at the start of a step; inside a step the water
that boils away is read off `h`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_curve import Evaluated

_BEGUN = 0.1  # share of a node's water gone at which its front counts in full


@dataclass(frozen=True, slots=True)
class Material:
    """The properties of all members, moist and dried, with the boiling point of each."""

    moist_k: Evaluated
    dry_k: Evaluated
    moist_heat: Evaluated
    dry_heat: Evaluated
    boiling_c: FloatArray  # (members,)
    latent_j_m3: FloatArray  # (members,) of the whole free water
    evaporates: bool
    changes: bool
    """Whether drying changes the heat capacity."""

    def take(self, members: NDArray[np.intp]) -> Material:
        """Return some of the members."""
        return Material(
            self.moist_k.take(members),
            self.dry_k.take(members),
            self.moist_heat.take(members),
            self.dry_heat.take(members),
            self.boiling_c[members],
            self.latent_j_m3[members],
            self.evaporates,
            self.changes,
        )

    def sensible(
        self, temp_c: FloatArray, left: FloatArray | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return heat content from the boiling point on and heat capacity, without latent heat."""
        capacity, heat = self.moist_heat.both(temp_c)
        if left is None or not self.changes:
            return heat, capacity
        dry_capacity, dry_heat = self.dry_heat.both(temp_c)
        return dry_heat + left * (heat - dry_heat), dry_capacity + left * (capacity - dry_capacity)

    def drier_by(self, temp_c: FloatArray) -> FloatArray:
        """Return by how much heat content falls when all free water leaves at `temp_c`."""
        if not self.changes:
            return np.zeros_like(temp_c)
        return np.asarray(self.moist_heat.both(temp_c)[1] - self.dry_heat.both(temp_c)[1])

    def temperature(
        self, heat: FloatArray, left: FloatArray | None, near_c: FloatArray, *, rounds: int = 1
    ) -> tuple[FloatArray, FloatArray]:
        """Return temperature and its rise with heat content (0 where it boils).

        `near_c` starts Newton's method; where heat capacity is constant it does not matter.
        """
        if left is None:
            temp_c = near_c
            for _ in range(rounds):
                content, capacity = self.sensible(temp_c, None)
                temp_c = temp_c + (heat - content) / capacity
            return temp_c, 1.0 / (
                capacity if self.moist_heat.constant else self.moist_heat.at(temp_c)
            )
        latent = left * self.latent_j_m3
        excess = heat - latent
        dry = (excess >= 0.0) & ((heat >= 0.0) | (left <= 0.0))
        boils = ~dry & (heat >= 0.0)
        target = np.where(dry, excess, np.minimum(heat, 0.0))
        wet_left = np.where(dry, 0.0, left)
        temp_c = near_c
        for _ in range(rounds):
            content, capacity = self.sensible(temp_c, wet_left)
            temp_c = temp_c + (target - content) / capacity
        # Newton from the far side of the boiling point may land on the wrong side of it
        moist_there = (wet_left > 0.0) & (temp_c > self.boiling_c)
        temp_c = np.where(boils | moist_there, self.boiling_c, temp_c)
        return temp_c, np.where(boils, 0.0, 1.0 / capacity)


def dried_share(left: FloatArray) -> FloatArray:
    """Share of a node that lies outside the front, 0 to 1."""
    return np.clip(1.0 - left, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class HalfCells:
    """How much of each half cell is dried and how much moist, in spacings.

    A node that is part dried holds the front: outside of it lies a dried layer as deep as its
    water has gone, inside the moist rest, and the node's temperature is that of the front. So
    the dried layer grows smoothly instead of by whole cells.
    """

    outer_dry: FloatArray
    outer_moist: FloatArray
    inner_dry: FloatArray
    inner_moist: FloatArray
    skin: FloatArray  # (members,) dried depth outside the outermost node, spacings
    under_skin: FloatArray  # the same below the first node


def half_cells(left: FloatArray, *, two_faces: bool) -> HalfCells:
    """Lay out the half cells for the water left, (nodes, members)."""
    dried = dried_share(left)
    whole = dried >= 1.0
    part = ~whole
    wide = np.ones(len(left))
    wide[0] = wide[-1] = 0.5
    depth = dried * wide[:, None]
    far_dry = np.where(whole, 0.5, depth)
    far_moist = np.where(part, np.maximum(0.5 - 0.5 * dried / _BEGUN, 0.0), 0.0)
    near_dry = np.where(whole, 0.5, 0.0)
    near_moist = np.where(part, np.clip(1.0 - dried, 0.05, 0.5), 0.0)
    skin = np.where(part[-1], depth[-1], 0.0)
    under_skin = np.zeros_like(skin)
    # the outer half of the outermost node is the face itself, its inner half the half cell
    if not two_faces:
        return HalfCells(far_dry, far_moist, near_dry, near_moist, skin, under_skin)
    from_below = np.zeros(left.shape, dtype=bool)
    from_below[1:-1] = dried[:-2] > dried[2:]
    from_below[0] = True
    from_below[-1] = dried[-2] > dried[-1]
    under_skin = np.where(part[0], depth[0], 0.0)
    skin = np.where(from_below[-1], 0.0, skin)
    return HalfCells(
        np.where(from_below, near_dry, far_dry),
        np.where(from_below, near_moist, far_moist),
        np.where(from_below, far_dry, near_dry),
        np.where(from_below, far_moist, near_moist),
        skin,
        under_skin,
    )


def conductances(
    temp_c: FloatArray,
    *,
    material: Material,
    cells: HalfCells | None,
    area: FloatArray,
    spacing_m: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Conductance between neighbours (nodes - 1, members), and dry conductivity at the faces.

    Resistances of the two half cells in series; per area of the outer face, W/m²/K.
    """
    moist = material.moist_k.at(temp_c)
    if cells is None:
        between = 2.0 * moist[:-1] * moist[1:] / (moist[:-1] + moist[1:])
        return area * between / spacing_m, moist
    dry = material.dry_k.at(temp_c)
    resistance = cells.outer_dry[:-1] / dry[:-1] + cells.outer_moist[:-1] / moist[:-1]
    resistance += cells.inner_dry[1:] / dry[1:] + cells.inner_moist[1:] / moist[1:]
    return area / (resistance * spacing_m), dry
