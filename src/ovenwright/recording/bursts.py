"""Readings without a time of their own that came all at once, set apart again."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ovenwright.domain.arrays import IntArray
from ovenwright.domain.run import NS

_TOGETHER_NS = NS // 1000  # closer than that they came with one look
_QUICK = 0.05  # of the usual interval: no instrument measures so much faster now and then
_FULL = 1.25  # of the usual interval: so much room is filled evenly, more is a hole
_CROWDED = 0.5
_FEWEST_LOOKS = 5


def spread_bursts(
    time_ns: IntArray, placed: npt.NDArray[np.bool_], *, interval_s: float
) -> tuple[IntArray, npt.NDArray[np.bool_]]:
    """Set apart what an instrument, a file or a pipe gave at once after holding it back.

    The last reading of a burst keeps its receipt. Those before it go back in time by the usual
    interval, or by what room the reading before the burst leaves. That interval is the median of
    time by reading from one look to the next; where that says nothing, as when a whole recording is
    piped in, it is the planned one.

    Parameters
    ----------
    time_ns : (n,) rising times, of receipt where the instrument gave none
    placed : (n,) whether only its place in one delivery gave a reading its time
    interval_s : planned time between readings

    Returns
    -------
    (n,) rising times, and (n,) whether a time was moved
    """
    moved = np.zeros(time_ns.size, dtype=bool)
    if time_ns.size < 2 or not placed.any():
        return time_ns, moved
    usual_ns = _usual_ns(time_ns, round(interval_s * NS))
    starts = np.flatnonzero(np.diff(time_ns, prepend=time_ns[0] - NS * 10**6) >= _QUICK * usual_ns)
    ends = np.append(starts[1:], time_ns.size)  # one past the last of each
    out = time_ns.copy()
    g = starts.size - 1
    while g >= 0:
        end = int(ends[g])
        first = int(starts[g])
        if end - first < 2:
            g -= 1
            continue
        # a burst that has hardly room after another is one with it
        while g > 0 and ends[g - 1] - starts[g - 1] > 1 and _room(time_ns, first, end) < _CROWDED * usual_ns:  # fmt: skip
            g -= 1
            first = int(starts[g])
        if time_ns[end - 1] - time_ns[0] < _QUICK * usual_ns * end:
            g, first = 0, 0  # all that there is until here came in no time
        g -= 1
        if 2 * int(placed[first:end].sum()) < end - first:
            continue
        step = usual_ns if first == 0 else min(_room(time_ns, first, end), _FULL * usual_ns)
        step = usual_ns if step >= _FULL * usual_ns else step
        back = np.arange(end - first - 1, -1, -1, dtype=np.float64)
        out[first:end] = time_ns[end - 1] - np.round(back * step).astype(np.int64)
    moved = out != time_ns
    if not bool(np.all(np.diff(out) > 0)):  # less than a nanosecond each: leave them where they are
        return time_ns, np.zeros(time_ns.size, dtype=bool)
    return out, moved


def _room(time_ns: IntArray, first: int, end: int) -> float:
    """Time a reading of a burst has, counted from the reading before the burst, ns."""
    return float(time_ns[end - 1] - time_ns[first - 1]) / (end - first)


def _usual_ns(time_ns: IntArray, planned_ns: int) -> int:
    """Return the instrument's own interval, the planned one where it can't be told."""
    last = np.append(np.flatnonzero(np.diff(time_ns) >= _TOGETHER_NS), time_ns.size - 1)
    if last.size <= _FEWEST_LOOKS:
        return planned_ns
    each = np.diff(time_ns[last]) / np.diff(last)
    found = float(np.median(each))
    return round(found) if found >= _QUICK * planned_ns else planned_ns
