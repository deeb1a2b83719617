"""Evidence of a failing junction, gathered once and read by several checks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.finding import groups
from ovenwright.conditioning.leaps import Leap, find_leaps, read_leaps
from ovenwright.conditioning.standing_out import (
    Swings,
    around,
    find_bursts,
    find_swings,
    scale_k,
    shared_moments,
    with_their_beginnings,
)
from ovenwright.conditioning.traces import Bench, Trace
from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.domain.run import Role
from ovenwright.physics import thermocouple

BURST_FLOOR_K = 8.0
WEAK_BURST_FLOOR_K = 4.0
UNSHARED_K = 30.0
"""Swings above this are no pick-up, however many channels swing at the same moment."""
HUGE_SPIKE_K = 50.0
ABOVE_ALL_K = 300.0
BELOW_ALL_K = 60.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """What points to a failing junction on one channel; indices among its numbers."""

    scale_k: float
    spikes: IntArray
    spike_k: FloatArray
    shared: BoolArray
    bursts: tuple[tuple[int, int], ...]
    weak_bursts: tuple[tuple[int, int], ...]
    leaps: tuple[Leap, ...]
    rails: tuple[tuple[int, int], ...]
    rail_reason: str
    failed_s: tuple[float, float] | None
    doubtful_after: bool


def _levels(trace: Trace) -> tuple[float, float]:
    """Lowest and highest steady reading of one channel; NaN if it has none."""
    if trace.value_c.size == 0:
        return float("nan"), float("nan")
    stride = max(1, trace.value_c.size // 2048)
    low, high = np.percentile(trace.value_c[::stride], (0.5, 99.5))
    return float(low), float(high)


def _envelope(levels: FloatArray, i: int) -> tuple[float, float, int]:
    """Lowest and highest steady reading of the other channels, and how many there are."""
    others = np.delete(levels, i, axis=0)
    others = others[np.isfinite(others[:, 0])]
    if others.shape[0] == 0:
        return float("nan"), float("nan"), 0
    return float(others[:, 0].min()), float(others[:, 1].max()), others.shape[0]


def _rails(
    trace: Trace, swings: Swings, envelope: tuple[float, float, int]
) -> tuple[list[tuple[int, int]], str]:
    value = trace.value_c
    if value.size == 0:
        return [], ""
    if trace.kind is not None:
        low, high = thermocouple.temperature_range_c(trace.kind)
        reason = f"at or beyond the end of type {trace.kind} ({low:g} to {high:g} °C)"
        low, high = low + 1.0, high - 1.0
    elif trace.channel is not None and trace.channel.sensor.value in ("Pt100", "Pt1000"):
        low, high, reason = -199.0, 849.0, "at or beyond the end of the sensor's range"
    else:
        low, high, reason = -200.0, 1800.0, "beyond what oven sensors read"
    out = (value >= high) | (value <= low)
    others_low, others_high, count = envelope
    if count < 2:
        stride = max(1, value.size // 2048)
        others_low, others_high = (float(x) for x in np.percentile(value[::stride], (10.0, 60.0)))
    far = (value > others_high + ABOVE_ALL_K) | (
        (value < others_low - BELOW_ALL_K) & (value < -30.0)
    )
    # one or two readings that come straight back are spikes
    spiked = np.zeros(value.size, dtype=np.bool_)
    spiked[swings.at] = True
    for a, b in groups(np.flatnonzero(far), 1):
        if b - a < 2 and bool(spiked[a : b + 1].all()):
            far[a : b + 1] = False
    if bool(far.any()) and not bool(out.any()):
        reason = "far outside everything else in this run"
    return groups(np.flatnonzero(out | far), 2), reason


def _failed(
    trace: Trace, end_s: float, severe: Sequence[tuple[float, float, int]]
) -> tuple[tuple[float, float] | None, bool]:
    """Decide whether a junction failed for good; the stretch, and whether the rest is in doubt."""
    if not severe:
        return None, False
    together: list[tuple[float, float, int]] = []
    for begin, stop, weight in sorted(severe):
        if together and begin - together[-1][1] <= 10.0 + trace.gap_s:
            last = together.pop()
            together.append((last[0], max(last[1], stop), max(last[2], weight)))
        else:
            together.append((begin, stop, weight))
    if sum(weight for _, _, weight in together) < 3:
        return None, False
    first = together[0][0]
    last_s = max(stop for _, stop, _ in together)
    if trace.time_s.size and trace.time_s[-1] < end_s - 10.0 * trace.gap_s:
        return (first, end_s), False
    if end_s - last_s <= max(300.0, 2.0 * (last_s - first)):
        return (first, end_s), False
    return (first, last_s), True


def _severe(
    trace: Trace,
    *,
    bursts: Sequence[tuple[int, int]],
    leaps: Sequence[Leap],
    rails: Sequence[tuple[int, int]],
    huge: IntArray,
) -> list[tuple[float, float, int]]:
    """Events that speak of a broken junction, with their weight; three make it certain."""
    time_s = trace.time_s
    events: list[tuple[float, float, int]] = []
    for a, b in bursts:
        lasting = time_s[b] - time_s[a] >= 20.0
        events.append((float(time_s[a]), float(time_s[b]), 3 if lasting else 2))
    for leap in leaps:
        if leap.returned or leap.wild:
            events.append((float(time_s[leap.first]), float(time_s[leap.last]), 2))
        else:  # the jump counts, what follows may be sound
            events.append((float(time_s[leap.first]), float(time_s[leap.first]), 1))
    # a sensor plugged in late or pulled out early is no failure
    events += [
        (float(time_s[a]), float(time_s[b]), 2) for a, b in rails if a > 0 and b < time_s.size - 1
    ]
    if huge.size >= 3 and events:  # spikes alone are a matter of pick-up or plug
        events.append((float(time_s[huge[0]]), float(time_s[huge[0]]), 1))
    if trace.overflow is not None:
        last = trace.stamp_s.size - 1
        events += [
            (float(trace.stamp_s[a]), float(trace.stamp_s[b]), 2)
            for a, b in groups(np.flatnonzero(trace.overflow), 1)
            if a > 0 and b < last
        ]
    return events


def gather(bench: Bench) -> tuple[Evidence, ...]:
    """Look at every channel once for what points to a failing junction."""
    traces = bench.traces
    all_swings = [find_swings(t, scale_k(bench, i)) for i, t in enumerate(traces)]
    needed = 2 if len(traces) >= 4 else 1
    shared = shared_moments(
        bench, [t.time_s[s.at] for t, s in zip(traces, all_swings, strict=True)], needed=needed
    )
    first_look = []
    for i, (trace, swings) in enumerate(zip(traces, all_swings, strict=True)):
        large = swings.height_k >= UNSHARED_K + 10.0 * swings.scale_k
        alone = (~shared[i] & swings.sharp) | large
        allowed = 2.0 * swings.slope_k
        strong = alone & (swings.height_k >= max(BURST_FLOOR_K, 10.0 * swings.scale_k) + allowed)
        bursts = find_bursts(trace, swings, strong, count=4)
        weak: list[tuple[int, int]] = []
        if trace.role is not Role.AIR:
            others = bench.typical_noise_k(i)
            calm = (
                min(trace.quiet_k, max(3.0 * others, 0.05))
                if np.isfinite(others)
                else trace.quiet_k
            )
            fair = alone & (
                swings.height_k
                >= max(WEAK_BURST_FLOOR_K, 8.0 * swings.scale_k, 20.0 * calm) + allowed
            )
            weak = find_bursts(trace, swings, fair, count=5)
            bursts, weak = with_their_beginnings(bursts, weak)
        first_look.append((bursts, weak, find_leaps(trace, swings, bursts)))
    leap_shared = shared_moments(
        bench,
        [t.time_s[look[2][0]] for t, look in zip(traces, first_look, strict=True)],
        needed=needed,
    )
    levels = np.array([_levels(t) for t in traces])
    found = []
    for i, (trace, swings) in enumerate(zip(traces, all_swings, strict=True)):
        bursts, weak, (at, size) = first_look[i]
        envelope = _envelope(levels, i)
        leaps = read_leaps(bench, i, at[~leap_shared[i]], size[~leap_shared[i]])
        rails, rail_reason = _rails(trace, swings, envelope)
        lone = np.ones(swings.at.shape, dtype=np.bool_)
        for a, b in (*bursts, *weak, *rails, *((x.first, x.last) for x in leaps if x.returned)):
            lone &= (swings.at < a) | (swings.at > b)
        at, height, together = swings.at[lone], swings.height_k[lone], shared[i][lone]
        # while things move fast, a small one is no oddity
        pace = np.abs(np.diff(trace.value_c)) if at.size else np.zeros(1)
        active = around(pace, at, np.arange(-8, 8))
        clear = (height >= swings.floor_k + 3.0 * active) & swings.sharp[lone]
        at, height, together = at[clear], height[clear], together[clear]
        huge = at[(height >= max(HUGE_SPIKE_K, 30.0 * swings.scale_k)) & ~together]
        failed, doubtful = _failed(
            trace,
            bench.end_s,
            _severe(trace, bursts=bursts, leaps=leaps, rails=rails, huge=huge),
        )
        found.append(
            Evidence(
                scale_k=swings.scale_k,
                spikes=at,
                spike_k=height,
                shared=together,
                bursts=tuple(bursts),
                weak_bursts=tuple(weak),
                leaps=tuple(leaps),
                rails=tuple(rails),
                rail_reason=rail_reason,
                failed_s=failed,
                doubtful_after=doubtful,
            )
        )
    return tuple(found)
