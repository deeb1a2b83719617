"""What readings that are not there could hide, in plain words."""

from __future__ import annotations

import math
from collections.abc import Iterable

from ovenwright.analysis.curve import Curve, Hole


def stretch_words(hole: Hole) -> str:
    """Return when a hole is."""
    return f"{hole.from_s:.0f} s to {hole.to_s:.0f} s"


def _bound_words(temp_c: float) -> str:
    return f"{temp_c:.1f} °C" if math.isfinite(temp_c) else "any temperature"


def could_rise_above(curve: Curve, temp_c: float) -> str:
    """Say which hole could hide a temperature above this one; empty if none can."""
    worst = max(curve.holes, key=lambda h: h.high_c, default=None)
    if worst is None or worst.high_c <= temp_c:
        return ""
    return (
        f"no usable readings from {stretch_words(worst)}, "
        f"where it could have reached {_bound_words(worst.high_c)}"
    )


def could_fall_below(curve: Curve, temp_c: float) -> str:
    """Say which hole could hide a temperature below this one; empty if none can."""
    worst = min(curve.holes, key=lambda h: h.low_c, default=None)
    if worst is None or worst.low_c >= temp_c:
        return ""
    return (
        f"no usable readings from {stretch_words(worst)}, "
        f"where it could have been down to {_bound_words(worst.low_c)}"
    )


def time_unseen(holes: Iterable[Hole]) -> float:
    """Return how long the holes are together."""
    return sum(h.length_s for h in holes)


def could_add_time(curve: Curve, low_c: float, high_c: float = math.inf) -> str:
    """Say how much time between two temperatures the holes could hide; empty if none."""
    able = [h for h in curve.holes if h.high_c >= low_c and h.low_c <= high_c]
    if not able:
        return ""
    return (
        f"no usable readings for {time_unseen(able):.0f} s (from {stretch_words(able[0])}"
        + (f" and {len(able) - 1} more)" if len(able) > 1 else ")")
        + ", time that could count but is not counted"
    )


def nearby(curve: Curve, stretches: Iterable[tuple[float, float]], pad_s: float) -> str:
    """Say which hole lies at or in the stretches; empty if none does."""
    for from_s, to_s in stretches:
        for hole in curve.holes:
            if hole.from_s < to_s + pad_s and hole.to_s > from_s - pad_s:
                return f"it lies at the edge of a gap in the readings, {stretch_words(hole)}"
    return ""
