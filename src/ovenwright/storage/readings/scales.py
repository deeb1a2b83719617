"""Which unit columns without one are in: only where the readings leave no other sane reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray

_COLDEST_ROOM_F = 45.0  # 7 °C; as °C it is warmer than any dough (common practice, no source)


@dataclass(frozen=True, slots=True)
class ScaleFound:
    """``unit`` degC or degF, "" where both are possible; ``why`` in either case."""

    unit: str
    why: str


def _f_to_c(value: float) -> float:
    return (value - 32.0) / 1.8


def conclude_scale(columns: Sequence[FloatArray]) -> ScaleFound:
    """Conclude °C or °F for all columns of a file together.

    The bounds below are what an oven test can look like: common practice, no source.

    Parameters
    ----------
    columns : (n,) each, NaN where missing
    """
    full = [c[np.isfinite(c)] for c in columns]
    full = [c for c in full if c.size]
    if not full:
        return ScaleFound("", "there are no readings")
    starts = np.array([float(np.median(c[:5])) for c in full])
    # a failing sensor's few wild readings must not decide
    top = max(float(np.quantile(c, 0.98)) for c in full)
    low = float(np.quantile(starts, 0.25))
    high = float(starts.max())
    held_c = any(_held(c, 96.0, 102.5) for c in full)
    held_f = any(_held(c, 204.0, 215.5) for c in full)
    not_f = ""
    if top < 45.0:
        return ScaleFound("", f"nothing gets warmer than {top:.0f} in any unit")
    if _f_to_c(top) < 45.0:
        not_f = f"in °F nothing would have got warmer than {_f_to_c(top):.0f} °C"
    elif 5.0 <= low < 31.0:
        not_f = f"the readings start at {low:.0f}, which in °F would be frozen"
    elif high < 50.0 and top > 190.0:
        not_f = (
            f"every channel, the hottest too, starts at {starts.min():.0f} to {high:.0f}: a room "
            f"in °C, colder than any room in °F ({_f_to_c(starts.min()):.0f} to "
            f"{_f_to_c(high):.0f} °C)"
        )
    elif held_c and not held_f:
        not_f = "a channel is held near 100, where water boils in °C"
    if not_f and -25.0 <= low <= 60.0:
        return ScaleFound("degC", f"{not_f}; the highest lasting reading is {top:.0f}")
    # an oven held at 210 °C dwells there too: then the product's start, some 25 to 40, tells of °C
    if held_f and not held_c and starts.min() >= _COLDEST_ROOM_F:
        return ScaleFound(
            "degF", "a channel is held near 212, where water boils in °F, and none near 100"
        )
    return ScaleFound(
        "",
        f"they start at {starts.min():.0f} to {high:.0f} and rise to {top:.0f}, which is possible "
        "in °C and in °F",
    )


def _held(column: FloatArray, low: float, high: float) -> bool:
    """Say whether readings dwell in a band far longer than in the bands beside it."""
    width = high - low
    inside = float(np.mean((column >= low) & (column <= high)))
    below = float(np.mean((column >= low - width) & (column < low)))
    above = float(np.mean((column > high) & (column <= high + width)))
    return inside > 0.1 and inside > 3.0 * below and inside > 3.0 * above


def is_sequence(column: FloatArray) -> bool:
    """Say whether a column only counts its rows, from 0 or 1."""
    if column.size < 5 or not np.isfinite(column).all() or column[0] not in {0.0, 1.0}:
        return False
    return bool(np.all(np.diff(column) == 1.0))


def is_switch(column: FloatArray) -> bool:
    """Say whether a column knows only 0 and 1."""
    known = column[np.isfinite(column)]
    return bool(known.size) and bool(np.isin(known, (0.0, 1.0)).all())
