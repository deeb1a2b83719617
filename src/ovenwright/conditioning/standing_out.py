"""Readings that stand out against both sides: which count, which are shared, which come thick."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.finding import dense, groups
from ovenwright.conditioning.traces import Bench, Trace
from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray

SPIKE_FLOOR_K = 1.0
_WINDOW = 30
_JOIN_S = 60.0


@dataclass(frozen=True, slots=True)
class Swings:
    """Readings of one channel that stand out."""

    at: IntArray
    height_k: FloatArray
    slope_k: FloatArray
    sharp: BoolArray
    scale_k: float
    floor_k: float


def scale_k(bench: Bench, i: int) -> float:
    """Noise that is the channel's own way, not a fault: its busy blocks, held by its company."""
    trace = bench.traces[i]
    others = bench.typical_noise_k(i)
    held = 10.0 * others if np.isfinite(others) else 20.0 * trace.quiet_k
    return min(trace.busy_k, max(held, 0.5))


def around(values: FloatArray, at: IntArray, offsets: IntArray) -> FloatArray:
    """Median of the readings at the given offsets about each index."""
    reach = np.clip(at[:, None] + offsets[None, :], 0, values.size - 1)
    middle: FloatArray = np.median(values[reach], axis=1)
    return middle


def find_swings(trace: Trace, scale_k: float) -> Swings:
    """Pick the readings of one channel whose swing is beyond its noise, step and pace."""
    floor = max(SPIKE_FLOOR_K, 6.0 * trace.resolution_k, 8.0 * scale_k)
    at = np.flatnonzero(trace.swing_k >= floor)
    at = at[(at >= 1) & (at < trace.time_s.size - 1)]
    if at.size:
        whole = np.diff(trace.time_s) <= trace.gap_s
        at = at[whole[at - 1] & whole[at]]
    before = around(trace.value_c, at, np.arange(-10, 0))
    after = around(trace.value_c, at, np.arange(1, 11))
    slope = np.abs(after - before) / 11.0
    height = trace.swing_k[at]
    keep = height >= floor + 2.0 * slope
    at, height = at[keep], height[keep]
    return Swings(at, height, slope[keep], _sharp(trace.value_c, at, height), scale_k, floor)


def _sharp(value: FloatArray, at: IntArray, height: FloatArray) -> BoolArray:
    """Tell swings from one reading to the next from quick but smooth coming and going.

    True where the reading stands out against both its direct neighbours, or as one of a pair, or
    where the instrument repeats old values so that neighbours say nothing.
    """

    def step(offset: int) -> FloatArray:
        left = np.clip(at + offset, 0, value.size - 1)
        right = np.clip(at + offset + 1, 0, value.size - 1)
        return np.asarray(value[right] - value[left])

    before, after = step(-1), step(0)
    lone = (before * after < 0) & (np.minimum(np.abs(before), np.abs(after)) >= 0.5 * height)
    first = (
        (np.abs(before) >= 0.8 * height)
        & (np.abs(after) <= 0.1 * height)
        & (np.abs(step(1)) >= 0.8 * height)
        & (before * step(1) < 0)
    )
    second = (
        (np.abs(after) >= 0.8 * height)
        & (np.abs(before) <= 0.1 * height)
        & (np.abs(step(-2)) >= 0.8 * height)
        & (after * step(-2) < 0)
    )
    still = np.zeros(at.shape)
    for offset in range(-8, 8):
        still += step(offset) == 0.0
    repeated = ((before == 0.0) | (after == 0.0)) & (still >= 6)
    sharp: BoolArray = lone | first | second | repeated
    return sharp


def shared_moments(
    bench: Bench, times: Sequence[FloatArray], *, needed: int
) -> tuple[BoolArray, ...]:
    """Tell for each moment of each channel whether enough other channels have one there too."""
    step = min((t.interval_s for t in bench.traces if t.interval_s > 0), default=0.0)
    if step <= 0:
        return tuple(np.zeros(t.shape, dtype=np.bool_) for t in times)
    step = max(step, bench.end_s / 4_000_000)
    size = int(bench.end_s / step) + 4
    count = np.zeros(size, dtype=np.int32)
    bins = [np.round(t / step).astype(np.int64) + 1 for t in times]
    for b in bins:
        if b.size == 0:
            continue
        here = np.zeros(size, dtype=np.bool_)
        for shift in (-1, 0, 1):
            here[np.clip(b + shift, 0, size - 1)] = True
        count += here
    return tuple(count[b] - 1 >= needed for b in bins)


def find_bursts(
    trace: Trace, swings: Swings, strong: BoolArray, *, count: int
) -> list[tuple[int, int]]:
    """Stretches where strong swings come thick, from the first that belongs to them."""
    at = swings.at[strong]
    thick = dense(at, count=count, within=_WINDOW)
    if not bool(thick.any()):
        return []
    join = _WINDOW if trace.interval_s <= 0 else max(_WINDOW, round(_JOIN_S / trace.interval_s))
    found = []
    for first, last in groups(at, join):
        inside = (at >= first) & (at <= last)
        if not bool(thick[inside].any()):
            continue
        # the first signs may be smaller than what makes it a burst
        early = swings.at[(swings.at < first) & (swings.at >= first - 10)]
        found.append((int(early[0]) if early.size else first, last))
    return found


def with_their_beginnings(
    strong: Sequence[tuple[int, int]], weak: Sequence[tuple[int, int]]
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Let weaker noise that a strong burst grew out of, or dies in, belong to that burst."""
    apart = [(a, b) for a, b in weak if not any(a <= d and c <= b for c, d in strong)]
    grown = sorted([*strong, *((a, b) for a, b in weak if (a, b) not in apart)])
    joined: list[tuple[int, int]] = []
    for a, b in grown:
        if joined and a <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], b))
        else:
            joined.append((a, b))
    return joined, apart
