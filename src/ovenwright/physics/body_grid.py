"""Where the nodes of a body sit, and what each stands for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class BodyGrid:
    """Evenly spaced nodes from position 0 (centre or underside) to 1 (outer face).

    A node at each end stands for half a cell, so the temperature of a face is a temperature of
    the model. Areas and volumes are per area of the outer face.
    """

    place: FloatArray  # (nodes,) 0 to 1
    spacing_m: FloatArray  # (members,)
    area: FloatArray  # (nodes - 1, members), 1
    volume_m: FloatArray  # (nodes, members), m
    shape: FloatArray  # (members,)

    @property
    def nodes(self) -> int:
        """How many nodes."""
        return len(self.place)

    def places(self, positions: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
        """Where to read flattened (nodes, members) for (sensors, members): node inside, share."""
        place = positions * (self.nodes - 1)
        left = np.minimum(place.astype(np.intp), self.nodes - 2)
        return left * positions.shape[1] + np.arange(positions.shape[1]), place - left


def body_grid(*, nodes: int, size_m: FloatArray, shape: FloatArray) -> BodyGrid:
    """Lay out the nodes.

    Raises
    ------
    OutOfRange : with fewer than 5 nodes, or more than 2000
    """
    if not 5 <= nodes <= 2000:
        raise OutOfRange("nodes", got=nodes, expected="5 to 2000", remedy="40 to 60 are usual")
    place = np.linspace(0.0, 1.0, nodes)
    faces = 0.5 * (place[1:] + place[:-1])
    edges = np.concatenate(([0.0], faces, [1.0]))[:, None]
    powers = edges ** (shape + 1.0)
    return BodyGrid(
        place=place,
        spacing_m=size_m / (nodes - 1),
        area=np.asarray(faces[:, None] ** shape),
        volume_m=np.asarray(np.diff(powers, axis=0) / (shape + 1.0) * size_m),
        shape=shape,
    )
