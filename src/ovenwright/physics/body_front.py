"""The front inside a node: how deep a part-dried node is dry, and what resists heat around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_grid import BodyGrid

_BEGUN = 0.1  # share of a node's water gone at which its front counts in full
_LEAST = 0.05  # of a spacing: a node's moist rest never resists less


@dataclass(frozen=True, slots=True)
class Layers:
    """Resistances between nodes are inner / k + outer / k of the neighbour + layer.

    A node that is part dried holds the front: outside of it lies a dried layer as deep as its
    water has gone, inside the moist rest, and the node's temperature is that of the front. So
    the dried layer grows smoothly instead of by whole cells.
    """

    outer: FloatArray  # (nodes - 1, members), m, outer half of the node on the inside
    inner: FloatArray  # (nodes - 1, members), m, inner half of the node on the outside
    layer: FloatArray | None  # (nodes - 1, members), m² K/W, dried layers of part-dried nodes
    skin: FloatArray | None  # (members,) m² K/W, dried layer over the outermost node
    under_skin: FloatArray | None  # the same at position 0
    left: FloatArray | None = None  # the water that this was laid out for

    def take(self, pick: NDArray[np.intp]) -> Layers:
        """Return the layers of some members."""
        return Layers(
            self.outer.take(pick, axis=1),
            self.inner.take(pick, axis=1),
            None if self.layer is None else self.layer.take(pick, axis=1),
            None if self.skin is None else self.skin[pick],
            None if self.under_skin is None else self.under_skin[pick],
        )

    def between(self, k: FloatArray, area: FloatArray) -> FloatArray:
        """Conductance between neighbours per area of the outer face, (nodes - 1, members)."""
        less = 1.0 / k
        resistance = self.outer * less[:-1]
        resistance += self.inner * less[1:]
        if self.layer is not None:
            resistance += self.layer
        return area / resistance


def plain_layers(grid: BodyGrid) -> Layers:
    """Lay out a body without a front."""
    half = 0.5 * np.broadcast_to(grid.spacing_m, grid.area.shape)
    return Layers(half, half, None, None, None)


def front_layers(left: FloatArray, *, grid: BodyGrid, dry_k: FloatArray, two_faces: bool) -> Layers:
    """Lay out the layers for the share of water left, (nodes, members)."""
    dried = np.minimum(np.maximum(1.0 - left, 0.0), 1.0)
    part = dried < 1.0
    depth = dried.copy()
    depth[0] *= 0.5
    depth[-1] *= 0.5
    # towards the dry side: the dried layer, and what is moist of the half cell as it begins
    far = np.where(part, np.maximum(0.5 - (0.5 / _BEGUN) * dried, 0.0), 0.5)
    near = np.where(part, np.minimum(np.maximum(1.0 - dried, _LEAST), 0.5), 0.5)
    depth = np.where(part, depth, 0.0) * (grid.spacing_m / dry_k)
    if not two_faces:
        return Layers(
            far[:-1] * grid.spacing_m, near[1:] * grid.spacing_m, depth[:-1], depth[-1], None, left
        )
    from_below = np.zeros(left.shape, dtype=bool)
    from_below[0] = True
    from_below[1:-1] = dried[:-2] > dried[2:]
    from_below[-1] = dried[-2] > dried[-1]
    outwards = np.where(from_below, near, far)[:-1] * grid.spacing_m
    inwards = np.where(from_below, far, near)[1:] * grid.spacing_m
    layer = np.where(from_below, 0.0, depth)[:-1] + np.where(from_below, depth, 0.0)[1:]
    return Layers(
        outwards, inwards, layer, np.where(from_below[-1], 0.0, depth[-1]), depth[0], left
    )
