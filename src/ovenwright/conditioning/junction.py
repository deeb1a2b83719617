"""Evidence of a failing junction, gathered once and read by several checks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.finding import dense, groups
from ovenwright.conditioning.traces import Bench, Trace
from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.domain.run import Role
from ovenwright.physics import thermocouple

SPIKE_FLOOR_K = 1.0
BURST_FLOOR_K = 8.0
WEAK_BURST_FLOOR_K = 4.0
UNSHARED_K = 30.0
"""Swings above this are no pick-up, however many channels swing at the same moment."""
HUGE_SPIKE_K = 50.0
LEAP_FLOOR_K = {Role.CORE: 15.0, Role.BODY: 15.0, Role.AIR: 60.0}
LEAP_FLOOR_OTHER_K = 30.0
ABOVE_ALL_K = 300.0
BELOW_ALL_K = 60.0
RETURN_S = 1800.0
TERMINALS_K = 10.0
_WINDOW = 30
_JOIN_S = 60.0


@dataclass(frozen=True, slots=True)
class Leap:
    """A jump between two neighbouring readings that no heat flow makes; indices among numbers."""

    first: int
    last: int
    size_k: float
    returned: bool
    wild: bool


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


@dataclass(frozen=True, slots=True)
class Swings:
    """Readings of one channel that stand out."""

    at: IntArray
    height_k: FloatArray
    slope_k: FloatArray
    sharp: BoolArray
    scale_k: float
    floor_k: float


def _scale_k(bench: Bench, i: int) -> float:
    """Noise that is the channel's own way, not a fault: its busy blocks, held by its company."""
    trace = bench.traces[i]
    others = bench.typical_noise_k(i)
    held = 10.0 * others if np.isfinite(others) else 20.0 * trace.quiet_k
    return min(trace.busy_k, max(held, 0.5))


def _around(values: FloatArray, at: IntArray, offsets: IntArray) -> FloatArray:
    """Median of the readings at the given offsets about each index."""
    reach = np.clip(at[:, None] + offsets[None, :], 0, values.size - 1)
    middle: FloatArray = np.median(values[reach], axis=1)
    return middle


def _find_swings(trace: Trace, scale_k: float) -> Swings:
    floor = max(SPIKE_FLOOR_K, 6.0 * trace.resolution_k, 8.0 * scale_k)
    at = np.flatnonzero(trace.swing_k >= floor)
    at = at[(at >= 1) & (at < trace.time_s.size - 1)]
    if at.size:
        whole = np.diff(trace.time_s) <= trace.gap_s
        at = at[whole[at - 1] & whole[at]]
    before = _around(trace.value_c, at, np.arange(-10, 0))
    after = _around(trace.value_c, at, np.arange(1, 11))
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


def _shared_moments(
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


def _bursts(
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


def _with_their_beginnings(
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


def _find_leaps(
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
    activity = np.minimum(_around(pace, at, np.arange(-8, 0)), _around(pace, at, np.arange(1, 9)))
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


def _read_leaps(bench: Bench, i: int, at: IntArray, size: FloatArray) -> list[Leap]:
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
    all_swings = [_find_swings(t, _scale_k(bench, i)) for i, t in enumerate(traces)]
    needed = 2 if len(traces) >= 4 else 1
    shared = _shared_moments(
        bench, [t.time_s[s.at] for t, s in zip(traces, all_swings, strict=True)], needed=needed
    )
    first_look = []
    for i, (trace, swings) in enumerate(zip(traces, all_swings, strict=True)):
        large = swings.height_k >= UNSHARED_K + 10.0 * swings.scale_k
        alone = (~shared[i] & swings.sharp) | large
        allowed = 2.0 * swings.slope_k
        strong = alone & (swings.height_k >= max(BURST_FLOOR_K, 10.0 * swings.scale_k) + allowed)
        bursts = _bursts(trace, swings, strong, count=4)
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
            weak = _bursts(trace, swings, fair, count=5)
            bursts, weak = _with_their_beginnings(bursts, weak)
        first_look.append((bursts, weak, _find_leaps(trace, swings, bursts)))
    leap_shared = _shared_moments(
        bench,
        [t.time_s[look[2][0]] for t, look in zip(traces, first_look, strict=True)],
        needed=needed,
    )
    levels = np.array([_levels(t) for t in traces])
    found = []
    for i, (trace, swings) in enumerate(zip(traces, all_swings, strict=True)):
        bursts, weak, (at, size) = first_look[i]
        envelope = _envelope(levels, i)
        leaps = _read_leaps(bench, i, at[~leap_shared[i]], size[~leap_shared[i]])
        rails, rail_reason = _rails(trace, swings, envelope)
        lone = np.ones(swings.at.shape, dtype=np.bool_)
        for a, b in (*bursts, *weak, *rails, *((x.first, x.last) for x in leaps if x.returned)):
            lone &= (swings.at < a) | (swings.at > b)
        at, height, together = swings.at[lone], swings.height_k[lone], shared[i][lone]
        # while things move fast, a small one is no oddity
        pace = np.abs(np.diff(trace.value_c)) if at.size else np.zeros(1)
        active = _around(pace, at, np.arange(-8, 8))
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
