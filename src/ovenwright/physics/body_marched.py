"""What a march gives: readings, a ledger of the heat, and a state to go on from."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_moment import Totals


@dataclass(frozen=True, slots=True)
class BodyState:
    """Where a march stands; hand it to `march` to go on.

    `temp_c` and `water` may be replaced (``dataclasses.replace``) to correct the state by a
    reading; temperatures above boiling in moist nodes are set back to boiling.
    """

    time_s: float
    temp_c: FloatArray  # (nodes, members)
    water: FloatArray | None  # (nodes, members), share of the free water left
    kept_j_m3: FloatArray | None  # (nodes, members), heat of the dried layers inside nodes
    pan_c: FloatArray | None  # (members,)
    rate: FloatArray  # (nodes, members) W/m³, for the first guess of the next step
    step_s: float  # the step that the error allowed last
    inward_w_m2: FloatArray  # (members,)
    totals: Totals
    stored_j_m2: FloatArray  # (members,) sensible heat at the start of the ledger

    @property
    def members(self) -> int:
        """How many members."""
        return int(self.temp_c.shape[1])

    def take(self, members: ArrayLike) -> BodyState:
        """Return the state of some members, each as often as named (as when resampling)."""
        pick = np.asarray(members)
        return replace(
            self,
            temp_c=self.temp_c[:, pick],
            water=None if self.water is None else self.water[:, pick],
            kept_j_m3=None if self.kept_j_m3 is None else self.kept_j_m3[:, pick],
            pan_c=None if self.pan_c is None else self.pan_c[pick],
            rate=self.rate[:, pick],
            inward_w_m2=self.inward_w_m2[pick],
            totals=Totals(*(getattr(self.totals, f.name)[pick] for f in fields(Totals))),
            stored_j_m2=self.stored_j_m2[pick],
        )


@dataclass(frozen=True, slots=True)
class Ledger:
    """Where the heat came from and went, (members,), J per m² of outer face, since the start."""

    convected: FloatArray
    radiated: FloatArray
    under: FloatArray
    """Through the face at position 0, from pan, band or surroundings below."""
    warming: FloatArray
    """Sensible heat of the body now, less that at the start."""
    boiled: FloatArray
    dried: FloatArray
    carried: FloatArray
    """Heat content of the water that dried off, counted from the boiling point (below 0)."""

    @property
    def taken_up(self) -> FloatArray:
        """All heat that came through the faces."""
        return np.asarray(self.convected + self.radiated + self.under)

    @property
    def imbalance(self) -> FloatArray:
        """What does not add up, as a share of all heat that moved."""
        gap = self.taken_up - self.warming - self.boiled - self.dried - self.carried
        moved = sum(np.abs(getattr(self, f.name)) for f in fields(self))
        return np.asarray(gap / np.maximum(moved, 1e-300))


@dataclass(frozen=True, slots=True)
class Marched:
    """What a march gives."""

    time_s: FloatArray  # (times,)
    temp_c: FloatArray  # (times, members, sensors)
    surface_c: FloatArray  # (times, members)
    under_c: FloatArray  # (times, members), the face at position 0
    mass_loss_kg_m2: FloatArray  # (times, members), per m² of outer face
    mass_loss: FloatArray  # (times, members), share of the mass put in; NaN without a density
    water_left: FloatArray  # (times, members), share of the free water; 1 where there is none
    dried_depth_m: FloatArray  # (times, members), of an outer shell without water
    heat_j_m2: FloatArray  # (times, members), taken up through the faces
    ledger: Ledger
    state: BodyState
    steps: int
