"""Jumps between two neighbouring readings that no heat flow makes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.standing_out import Swings, around
from ovenwright.conditioning.traces import Bench, Trace
from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.domain.run import Role

LEAP_FLOOR_K = {Role.CORE: 15.0, Role.BODY: 15.0, Role.AIR: 60.0}
LEAP_FLOOR_OTHER_K = 30.0
RETURN_S = 1800.0
TERMINALS_K = 10.0


@dataclass(frozen=True, slots=True)
class Leap:
    """A jump between two neighbouring readings that no heat flow makes; indices among numbers."""

    first: int
    last: int
    size_k: float
    returned: bool
    wild: bool


def find_leaps(
    trace: Trace, swings: Swings, bursts: Sequence[tuple[int, int]]
) -> tuple[IntArray, FloatArray]:
    """Jumps with neither a run-up nor a tail; index of the reading before, and size."""
    nothing = np.zeros(0, dtype=np.int64), np.zeros(0)
    value = trace.value_c
    if value.size < 4:
        return nothing
    floor = (
        LEAP_FLOOR_OTHER_K
        if trace.role is None
        else LEAP_FLOOR_K.get(trace.role, LEAP_FLOOR_OTHER_K)
    )
    floor = max(floor, 6.0 * trace.resolution_k, 12.0 * swings.scale_k)
    step = np.diff(value)
    at = np.flatnonzero(np.abs(step) >= floor)
    for first, last in bursts:
        at = at[(at < first - 1) | (at > last)]
    if at.size == 0:
        return nothing
    near = np.diff(trace.time_s) <= trace.gap_s
    at = at[near[at]]
    # the two legs of a spike are its own business
    spiked = np.zeros(value.size + 1, dtype=np.bool_)
    spiked[swings.at[swings.height_k >= 0.4 * floor]] = True
    at = at[~(spiked[at] | spiked[at + 1])]
    if at.size == 0:
        return nothing
    size = step[at]
    quiet = np.where(near, step, 0.0)  # what lies across a gap is neither run-up nor tail

    def onward(offset: int) -> FloatArray:
        inside = (at + offset >= 0) & (at + offset < quiet.size)
        ahead: FloatArray = np.where(inside, quiet[np.clip(at + offset, 0, quiet.size - 1)], 0.0)
        return ahead * np.sign(size)

    # a channel that comes back after standing still is dealt with as a flat line
    stood = np.ones(at.shape, dtype=np.bool_)
    for offset in range(-15, 0):
        stood &= onward(offset) == 0.0
    run_up = onward(-1) >= 0.08 * np.abs(size)
    tail = (onward(1) >= 0.08 * np.abs(size)) | (
        onward(1) + onward(2) + onward(3) >= 0.12 * np.abs(size)
    )
    pace = np.abs(quiet)
    activity = np.minimum(around(pace, at, np.arange(-8, 0)), around(pace, at, np.arange(1, 9)))
    keep = ~run_up & ~tail & ~stood & (np.abs(size) >= 30.0 * activity)
    return at[keep], size[keep]


def _company_at(bench: Bench, i: int, times_s: FloatArray) -> tuple[float, float, int]:
    """Lowest and highest of the other channels at some moments, and how many others there are."""
    middles = []
    for j, trace in enumerate(bench.traces):
        if j == i or trace.time_s.size < 2:
            continue
        there = np.clip(np.searchsorted(trace.time_s, times_s), 0, trace.time_s.size - 1)
        near = np.abs(trace.time_s[there] - times_s) <= max(4.0 * trace.gap_s, 10.0)
        if bool(near.any()):
            middles.append(float(np.median(trace.value_c[there][near])))
    if not middles:
        return float("nan"), float("nan"), 0
    return min(middles), max(middles), len(middles)


def read_leaps(bench: Bench, i: int, at: IntArray, size: FloatArray) -> list[Leap]:
    """Pair each leap with its way back; tell those that lead nowhere sensible.

    A leap is wild where it ends outside everything the other channels read at that moment, or
    where next to nothing follows it.
    """
    trace = bench.traces[i]
    value, time_s = trace.value_c, trace.time_s
    breaks = np.flatnonzero(np.diff(time_s) > trace.gap_s)
    found: list[Leap] = []
    used = -1
    for n in range(at.size):
        start = int(at[n]) + 1
        if start <= used + 1:
            continue
        later = np.searchsorted(breaks, start)
        ends = int(breaks[later]) if later < breaks.size else value.size - 1
        back = next(
            (
                int(at[m])
                for m in range(n + 1, at.size)
                if size[m] * size[n] < 0 and 0.4 <= abs(size[m] / size[n]) <= 2.5
            ),
            None,
        )
        if back is not None and back <= ends and time_s[back] - time_s[start] <= RETURN_S:
            used = back
            found.append(Leap(start, back, float(size[n]), returned=True, wild=False))
            continue
        landed = slice(start, min(start + 30, ends + 1))
        low, high, count = _company_at(bench, i, time_s[landed])
        middle = float(np.median(value[landed]))
        outside = count >= 2 and (
            (size[n] < 0 and middle < low - 25.0) or (size[n] > 0 and middle > high + 50.0)
        )
        # leads that touch on the way show the temperature of the terminals
        touching = size[n] <= -40.0 and abs(middle - bench.reference_c) <= TERMINALS_K
        if outside or touching or ends - start < 3:
            used = ends
            found.append(Leap(start, ends, float(size[n]), returned=False, wild=True))
        elif trace.interval_s <= _slowest_s(trace.role):
            found.append(Leap(start, value.size - 1, float(size[n]), returned=False, wild=False))
            break  # what comes after is in doubt anyway
    return found


def _slowest_s(role: Role | None) -> float:
    """Longest interval at which a jump in one reading can still be told from fast heating."""
    return 2.0 if role in (None, Role.AIR) else 10.0
