"""Cells of a 2-D body: distances, face areas and volumes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange

Float = NDArray[np.float64]

# exponent of r in the face area, and what turns unit areas into square metres
_ROUND, _LONG, _BALL = "round", "long", "ball"
KINDS = (_ROUND, _LONG, _BALL)


@dataclass(frozen=True, slots=True)
class Section:
    """Shape of a body.

    ``round``: a cylinder standing on its base, ``radius_m`` and ``height_m``. ``long``: a loaf or
    slab of half-width ``radius_m``, ``height_m`` and ``length_m``, ends taken as insulated.
    ``ball``: a sphere of ``radius_m``; ``height_m`` means nothing and there is one row of cells.
    ``finest_m`` is the width of the cells next to the surface, from there they grow inwards by an
    even ratio; 0 makes all cells equal.
    """

    kind: str
    radius_m: float
    height_m: float = 1.0
    length_m: float = 1.0
    cells_r: int = 24
    cells_z: int = 20
    finest_m: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise OutOfRange("section.kind", got=self.kind, expected=" or ".join(KINDS))
        for name in ("radius_m", "height_m", "length_m"):
            if not getattr(self, name) > 0:
                raise OutOfRange(f"section.{name}", got=getattr(self, name), expected="above 0")
        if self.cells_r < 1 or self.cells_z < 1:
            raise OutOfRange(
                "section cells", got=(self.cells_r, self.cells_z), expected="at least 1 each way"
            )
        least = min(
            self.radius_m / self.cells_r,
            self.height_m / self.cells_z if self.cells_z > 1 else self.radius_m / self.cells_r,
        )
        if not (self.finest_m == 0.0 or 2e-4 <= self.finest_m <= least):
            raise OutOfRange(
                "section.finest_m", got=self.finest_m, expected=f"0, or 0.0002 to {least:.4g} m"
            )
        if self.kind == _BALL and self.cells_z != 1:
            raise OutOfRange("section.cells_z", got=self.cells_z, expected="1 for a ball")


class Cells:
    """Cells of a section: rows along z (axis 0), columns along r (axis 1)."""

    def __init__(self, section: Section) -> None:
        self.section = section
        power, scale = {
            _ROUND: (1, 2.0 * math.pi),
            _LONG: (0, 2.0 * section.length_m),
            _BALL: (2, 4.0 * math.pi),
        }[section.kind]
        height = 1.0 if section.kind == _BALL else section.height_m
        self.r_edge = _edges(section.radius_m, section.cells_r, section.finest_m, both=False)
        self.z_edge = _edges(height, section.cells_z, section.finest_m, both=True)
        self.r = 0.5 * (self.r_edge[:-1] + self.r_edge[1:])
        self.z = 0.5 * (self.z_edge[:-1] + self.z_edge[1:])
        dz = np.diff(self.z_edge)
        shell = scale * np.diff(self.r_edge ** (power + 1)) / (power + 1)
        self.r_area: Float = scale * np.outer(dz, self.r_edge**power)  # (nz, nr + 1)
        self.z_area: Float = shell.copy()  # (nr,), same at every height
        self.volume: Float = np.outer(dz, shell)  # (nz, nr)
        self.r_width: Float = np.diff(self.r_edge)
        self.z_width: Float = dz

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return (self.z.size, self.r.size)

    def weights(self, r_m: float, z_m: float) -> tuple[NDArray[np.int64], Float]:
        """Flat cell numbers and weights that read a field at a place, bilinear, held at the rim.

        Raises
        ------
        OutOfRange : if the place lies outside the body
        """
        if not (0 <= r_m <= self.r_edge[-1] and 0 <= z_m <= self.z_edge[-1]):
            raise OutOfRange(
                "place of a core sensor (r, z) m",
                got=(r_m, z_m),
                expected=f"within {self.r_edge[-1]:g} and {self.z_edge[-1]:g}",
            )
        i, a = _between(self.r, r_m)
        j, b = _between(self.z, z_m)
        columns = self.r.size
        i2, j2 = min(i + 1, columns - 1), min(j + 1, self.z.size - 1)
        flat = np.array(
            [j * columns + i, j * columns + i2, j2 * columns + i, j2 * columns + i2], dtype=np.int64
        )
        share = np.array([(1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b])
        return flat, share


def _between(centres: Float, at: float) -> tuple[int, float]:
    if centres.size == 1:
        return 0, 0.0
    i = int(np.clip(np.searchsorted(centres, at) - 1, 0, centres.size - 2))
    return i, float(np.clip((at - centres[i]) / (centres[i + 1] - centres[i]), 0.0, 1.0))


def _edges(length: float, n: int, finest: float, *, both: bool) -> Float:
    """Cell edges from 0 to ``length``, finest at the far end, or at both ends."""
    place = np.minimum(np.arange(n), np.arange(n)[::-1]) if both else np.arange(n)[::-1]
    low, high = 1.0, 10.0
    if finest > 0.0 and place.max() > 0:
        for _ in range(80):  # the ratio at which the cells fill the length
            ratio = 0.5 * (low + high)
            if finest * float(np.sum(ratio ** place.astype(np.float64))) < length:
                low = ratio
            else:
                high = ratio
    width = low ** place.astype(np.float64)
    edge = np.concatenate(([0.0], np.cumsum(width)))
    edge *= length / edge[-1]
    edge[-1] = length
    return np.asarray(edge, dtype=np.float64)
