"""Readings put in order of time: late rows, repeated times, clocks that show whole seconds only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import BoolArray, IntArray, QualityArray
from ovenwright.domain.run import NS, Quality


@dataclass(frozen=True, slots=True)
class Ordered:
    """How to put rows in order: take ``rows``, which then have ``time_ns`` and ``quality``."""

    rows: IntArray
    time_ns: IntArray
    quality: QualityArray
    notes: tuple[str, ...]


def put_in_order(
    time_ns: IntArray, *, coarse_ns: int = 1, same_as_before: BoolArray | None = None
) -> Ordered:
    """Order rows by time and settle repeated times.

    Where a clock shows whole seconds or minutes only and several rows share each, they are spread
    evenly within it. Otherwise the first row of a time is kept.

    Parameters
    ----------
    time_ns : (n,) in file order
    coarse_ns : the step the clock shows
    same_as_before : (n,) True where a row repeats the one before it in every column
    """
    n = time_ns.size
    quality = np.zeros(n, np.uint8)
    notes: list[str] = []
    if n == 0:
        return Ordered(np.arange(0), time_ns, quality, ())
    step = np.diff(time_ns)
    rows = np.arange(n)
    late = np.zeros(n, np.bool_)
    if (step < 0).any():
        late[1:] = time_ns[1:] < np.maximum.accumulate(time_ns)[:-1]
        rows = np.argsort(time_ns, kind="stable")
        quality[late] |= int(Quality.REORDERED)
        notes.append(f"{int(late.sum())} rows came out of order and were put in their place")
    sorted_ns = time_ns[rows]
    quality = quality[rows]
    repeat = np.concatenate(([False], np.diff(sorted_ns) == 0))
    if not repeat.any():
        return Ordered(rows, sorted_ns, quality, tuple(notes))
    if coarse_ns >= NS and not late.any() and _is_coarse(sorted_ns, repeat, same_as_before):
        spread = _spread(sorted_ns, repeat, coarse_ns)
        moved = spread != sorted_ns
        quality[moved] |= int(Quality.RESTAMPED)
        shown = "minutes" if coarse_ns >= 60 * NS else "seconds"
        notes.append(
            f"the clock shows whole {shown} and several rows share each: they were spread evenly "
            "within it"
        )
        return Ordered(rows, spread, quality, tuple(notes))
    kept = ~repeat
    first = np.flatnonzero(kept)
    doubled = np.concatenate((repeat[1:], [False]))[kept]
    kept_quality = quality[first]
    kept_quality[doubled] |= int(Quality.REPEATED)
    notes.append(
        f"{int(repeat.sum())} rows repeat a time that an earlier row has: the first was kept"
    )
    return Ordered(rows[first], sorted_ns[first], kept_quality, tuple(notes))


def _is_coarse(time_ns: IntArray, repeat: BoolArray, same: BoolArray | None) -> bool:
    if repeat.mean() < 0.25:
        return False
    if same is not None and bool(same[repeat].all()):
        return False
    sizes = np.diff(np.append(np.flatnonzero(~repeat), time_ns.size))
    inner = sizes[1:-1] if sizes.size > 2 else sizes
    usual = float(np.median(inner))
    return usual >= 1.2 and bool(np.mean(np.abs(inner - usual) <= 1.0) > 0.8)


def _spread(time_ns: IntArray, repeat: BoolArray, coarse_ns: int) -> IntArray:
    starts = np.flatnonzero(~repeat)
    sizes = np.diff(np.append(starts, time_ns.size))
    shown = time_ns[starts]
    usual = max(1.0, float(np.median(sizes[1:-1] if sizes.size > 2 else sizes)))
    room = np.append(np.diff(shown), coarse_ns).astype(np.float64)
    room = np.minimum(room, 1.5 * coarse_ns)
    size = np.maximum(sizes.astype(np.float64), 1.0)
    pitch = room / size
    pitch[-1] = min(coarse_ns / usual, room[-1] / size[-1])
    group = np.cumsum(~repeat) - 1
    within = np.arange(time_ns.size) - starts[group]
    offset = np.zeros(starts.size)
    if sizes.size > 1 and sizes[0] < usual:
        # the recording began somewhere inside the first second shown
        pitch[0] = coarse_ns / usual
        offset[0] = room[0] - sizes[0] * pitch[0]
    spread = shown[group] + np.rint(offset[group] + within * pitch[group]).astype(np.int64)
    return np.asarray(spread, np.int64)
