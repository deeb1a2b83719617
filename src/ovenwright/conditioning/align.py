"""All channels on one time axis, without bridging what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.traces import typical_interval_s
from ovenwright.domain.arrays import FlagArray, FloatArray, IntArray
from ovenwright.domain.run import NS, Series

BRIDGE_INTERVALS = 2.5
"""A straight line is drawn between two readings up to this many intervals apart, no further."""


@dataclass(frozen=True, slots=True)
class Aligned:
    """Channels on one axis.

    ``time_s`` (n,), ``value_c`` (n, c), ``bits`` (n, c). ``how`` words what was done; ``source``
    (n,) gives the row's index in the shared series, -1 for a row put in, None where there is
    no shared series.
    """

    time_s: FloatArray
    value_c: FloatArray
    bits: FlagArray
    interval_s: float
    how: str


def _shared(series: Sequence[Series]) -> bool:
    first = series[0].time_ns
    return all(s.time_ns is first or np.array_equal(s.time_ns, first) for s in series[1:])


def _columns(rows: int, channels: int) -> FloatArray:
    """Return an (rows, channels) array of NaN whose columns are contiguous: work goes by channel."""
    return np.full((channels, rows), np.nan).T


def longest_line_s(stamp_s: FloatArray) -> float:
    """Longest time between two readings that a straight line may still be drawn across.

    2.5 typical intervals; more only where the readings come unevenly as a habit.
    """
    steps = np.diff(stamp_s)
    if steps.size == 0:
        return 0.0
    stride = max(1, steps.size // 8192)
    usual = float(np.percentile(steps[::stride], 95))
    return max(BRIDGE_INTERVALS * typical_interval_s(stamp_s), 1.5 * usual)


def _break_rows(stamp_s: FloatArray) -> IntArray:
    """Rows before which time jumps by more than a line may be drawn across."""
    return np.flatnonzero(np.diff(stamp_s) > longest_line_s(stamp_s)) + 1


def align(
    series: Sequence[Series | None], bits: Sequence[FlagArray | None], *, start_ns: int
) -> Aligned:
    """Put the channels on one time axis.

    Channels that share their time stamps are laid side by side as they are. Others go on the
    union of their stamps where that is hardly longer than the longest of them, else on an even
    axis at the shortest typical interval; each is joined by straight lines across at most 2.5 of
    its own intervals. Where time itself jumps, one row without readings is put in, so that
    nothing reckons across it.

    Parameters
    ----------
    series : (c,) the channels, None for one without readings
    bits : (c,) health bits beside each channel's readings, None where there are none
    start_ns : time that counts as 0

    Returns
    -------
    the channels on one axis, missing ones as NaN
    """
    present = [s for s in series if s is not None and s.time_ns.size]
    if not present:
        return Aligned(
            np.zeros(0),
            _columns(0, len(series)),
            np.zeros((0, len(series)), dtype=np.uint32),
            0.0,
            "no readings",
        )
    if _shared(present):
        return _side_by_side(series, bits, present[0], start_ns)
    return _interpolated(series, bits, present, start_ns)


def _side_by_side(
    series: Sequence[Series | None],
    bits: Sequence[FlagArray | None],
    first: Series,
    start_ns: int,
) -> Aligned:
    time_s = (first.time_ns - start_ns) / NS
    interval_s = typical_interval_s(time_s)
    breaks = _break_rows(time_s)
    rows: IntArray | slice = slice(None)
    size = time_s.size
    if breaks.size:
        size += breaks.size
        rows = np.arange(time_s.size) + np.searchsorted(breaks, np.arange(time_s.size), "right")
        longer = np.empty(size)
        longer[rows] = time_s
        longer[breaks + np.arange(breaks.size)] = time_s[breaks - 1] + interval_s
        time_s = longer
    value_c = _columns(size, len(series))
    flags: FlagArray = np.zeros((len(series), size), dtype=np.uint32).T
    for i, (one, own) in enumerate(zip(series, bits, strict=True)):
        if one is None or one.time_ns.size == 0:
            continue
        value_c[rows, i] = one.value_c
        if own is not None:
            flags[rows, i] = own
    how = "one time axis as recorded"
    if breaks.size:
        how += f", {breaks.size} empty rows put in where time jumps"
    return Aligned(time_s, value_c, flags, interval_s, how)


def _interpolated(
    series: Sequence[Series | None],
    bits: Sequence[FlagArray | None],
    present: Sequence[Series],
    start_ns: int,
) -> Aligned:
    stamps = np.unique(np.concatenate([s.time_ns for s in present]))
    longest = max(s.time_ns.size for s in present)
    finest = min(
        (x for s in present if (x := typical_interval_s((s.time_ns - start_ns) / NS)) > 0),
        default=0.0,
    )
    if stamps.size <= 1.5 * longest or finest <= 0:
        time_s, how = (stamps - start_ns) / NS, "union of the channels' time stamps"
    else:
        begin, stop = (int(stamps[0]) - start_ns) / NS, (int(stamps[-1]) - start_ns) / NS
        even = np.arange(int((stop - begin) / finest + 1e-9) + 1, dtype=np.float64)
        time_s = begin + finest * even
        how = f"even axis of {finest:g} s, straight lines across at most {BRIDGE_INTERVALS:g} intervals"
    value_c = _columns(time_s.size, len(series))
    flags: FlagArray = np.zeros((len(series), time_s.size), dtype=np.uint32).T
    for i, (one, own) in enumerate(zip(series, bits, strict=True)):
        if one is None or one.time_ns.size == 0:
            continue
        own_s = (one.time_ns - start_ns) / NS
        value_c[:, i] = _between(time_s, own_s, one.value_c)
        if own is not None and bool(own.any()):
            right = np.clip(np.searchsorted(own_s, time_s), 0, own_s.size - 1)
            left = np.clip(np.searchsorted(own_s, time_s, "right") - 1, 0, own_s.size - 1)
            flags[:, i] = own[left] | own[right]
    interval_s = typical_interval_s(time_s)
    breaks = _break_rows(time_s)
    if breaks.size:
        empty = time_s[breaks - 1] + interval_s
        value_c = np.asfortranarray(np.insert(value_c, breaks, np.nan, axis=0))
        flags = np.asfortranarray(np.insert(flags, breaks, 0, axis=0))
        time_s = np.insert(time_s, breaks, empty)
    return Aligned(time_s, value_c, flags, interval_s, how)


def _between(time_s: FloatArray, own_s: FloatArray, value_c: FloatArray) -> FloatArray:
    """Read one channel off at other times, NaN where its own readings are too far apart."""
    out = np.full(time_s.size, np.nan)
    number = np.isfinite(value_c)
    at_s, value = own_s[number], value_c[number]
    if at_s.size == 0:
        return out
    bridge_s = longest_line_s(own_s)
    right = np.searchsorted(at_s, time_s)
    inner = np.clip(right, 1, max(at_s.size - 1, 1))
    if at_s.size > 1:
        left = inner - 1
        span = at_s[inner] - at_s[left]
        share = (time_s - at_s[left]) / span
        fits = (share >= 0) & (share <= 1) & (span <= bridge_s)
        out[fits] = (value[left] * (1.0 - share) + value[inner] * share)[fits]
    exact = np.clip(right, 0, at_s.size - 1)
    same = at_s[exact] == time_s
    out[same] = value[exact[same]]
    return out
