"""Where an ensemble of bodies stands between two steps, and what has passed through it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_front import Layers
from ovenwright.physics.body_material import Phase


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
class AtBoiling:
    """What a node takes up before it is dry, J/m³, as the step begins."""

    warms: FloatArray  # heat of the dried layer once the node is dry
    plateau: FloatArray  # heat until the node is dry
    above: FloatArray  # heat content of the dried node is this, and what it has by its temperature

    def take(self, pick: NDArray[np.intp]) -> AtBoiling:
        """Return those of some members."""
        return AtBoiling(
            self.warms.take(pick, axis=1),
            self.plateau.take(pick, axis=1),
            self.above.take(pick, axis=1),
        )


@dataclass(slots=True)
class Moment:
    """One instant; never changed, each step makes a new one."""

    time_s: float
    temp_c: FloatArray  # (nodes, members)
    heat: FloatArray  # (nodes, members), J/m³ from the boiling point on
    per_heat: FloatArray  # (nodes, members), K m³/J, rise of temperature outside the plateau
    k: FloatArray  # (nodes, members), W/m/K
    left: FloatArray | None  # (nodes, members), share of free water
    kept: FloatArray | None  # (nodes, members), J/m³, sensible heat of the dried layer in a node
    phase: Phase
    layers: Layers
    ahead: AtBoiling | None
    rate: FloatArray  # (nodes, members), W/m³, of the last stage
    pan_c: FloatArray | None
    face_c: FloatArray  # (members,) outer face, with its dried skin
    under_c: FloatArray  # (members,) the face at position 0
    inward: FloatArray  # (members,) flux into the outer face, W/m²
    under: FloatArray | None  # (members,) flux into the face at position 0, where it has one
    totals: Totals


@dataclass(frozen=True, slots=True)
class Held:
    """What stays as it is while a stage is solved."""

    phase: Phase
    layers: Layers
    ahead: AtBoiling | None

    def take(self, pick: NDArray[np.intp]) -> Held:
        """Return that of some members."""
        ahead = None if self.ahead is None else self.ahead.take(pick)
        return Held(self.phase.take(pick), self.layers.take(pick), ahead)


@dataclass(slots=True)
class Stage:
    """What one implicit solve found."""

    heat: FloatArray
    temp_c: FloatArray
    phase: Phase
    inward: FloatArray
    radiant: FloatArray
    under: FloatArray | None
    drying: FloatArray | None
    face_c: FloatArray
    under_c: FloatArray
    pan_c: FloatArray | None
