"""Readings that are missing, and readings that no longer move."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ovenwright.conditioning.case import Case
from ovenwright.conditioning.finding import Finding, seconds
from ovenwright.conditioning.traces import Trace, noise_levels_k
from ovenwright.domain.arrays import BoolArray, IntArray
from ovenwright.domain.profile import Severity
from ovenwright.domain.run import Role

SHORT_GAP = 3
"""Missing readings in a row that a neighbour's straight line may be trusted across."""
PRIVATE_GAPS = 3
STILL_READINGS = 20
STILL_S = 20.0
LONG_STILL_READINGS = 100
LONG_STILL_S = 120.0
DEAD_RISE_K = 60.0
DEAD_RANGE_K = 3.0


def _silences(trace: Trace, end_s: float) -> list[tuple[float, float, int]]:
    """Stretches without a number: last number before, first after, numbers missing."""
    if trace.time_s.size == 0 or trace.interval_s <= 0:
        return []
    found = []
    steps = np.diff(trace.time_s)
    usual = np.diff(trace.stamp_s)[:: max(1, trace.stamp_s.size // 8192)]
    uneven = float(np.percentile(usual, 95))
    least = max(1.5 * trace.interval_s, 1.5 * uneven)
    for k in np.flatnonzero(steps > least):
        missing = max(1, round(float(steps[k]) / trace.interval_s) - 1)
        found.append((float(trace.time_s[k]), float(trace.time_s[k + 1]), missing))
    if trace.time_s[0] > least:
        missing = round(float(trace.time_s[0]) / trace.interval_s)
        found.insert(0, (0.0, float(trace.time_s[0]), max(1, missing)))
    if end_s - trace.time_s[-1] > least:
        missing = round((end_s - float(trace.time_s[-1])) / trace.interval_s)
        found.append((float(trace.time_s[-1]), end_s, max(1, missing)))
    return found


def _missing(trace: Trace, begin: float, stop: float) -> IntArray:
    """Return the indices of the channel's own stamps between two times that carry no number."""
    within = (trace.stamp_s > begin) & (trace.stamp_s < stop)
    if trace.place is not None:
        within[trace.place] = False
    return np.flatnonzero(within)


def _all_overflow(trace: Trace, begin: float, stop: float) -> bool:
    """Tell whether all that is missing was marked as an open sensor: then that says it."""
    if trace.overflow is None:
        return False
    a = int(np.searchsorted(trace.stamp_s, begin, "right"))
    b = int(np.searchsorted(trace.stamp_s, stop, "left"))
    return b > a and bool(trace.overflow[a:b].all())


def check_gap(case: Case) -> Iterator[Finding]:
    """Find where readings are missing; nothing bridges them."""
    traces = case.bench.traces
    silences = [_silences(t, case.bench.end_s) for t in traces]
    for i, trace in enumerate(traces):
        if trace.time_s.size == 0:
            where = "in the readings at all" if trace.stamp_s.size == 0 else "that is a number"
            yield Finding(i, 0.0, case.bench.end_s, f"no reading {where}")
            continue
        private = []
        failed = case.evidence[i].failed_s
        inside = [
            x for x in silences[i] if failed is not None and failed[0] <= x[0] and x[1] <= failed[1]
        ]
        if len(inside) > 1:
            lost = sum(missing for _, _, missing in inside)
            yield Finding(
                i,
                inside[0][0] + 0.5 * trace.interval_s,
                inside[-1][1],
                f"{lost} readings missing on this channel in {len(inside)} stretches",
                readings=_missing(trace, inside[0][0], inside[-1][1]),
            )
        else:
            inside = []
        for begin, stop, missing in silences[i]:
            if (begin, stop, missing) in inside or _all_overflow(trace, begin, stop):
                continue
            together = sum(
                any(b < stop and begin < e for b, e, _ in other)
                for j, other in enumerate(silences)
                if j != i
            )
            everyone = together == len(traces) - 1 and len(traces) > 1
            if not everyone and missing > SHORT_GAP and begin > 0 and stop < case.bench.end_s:
                private.append((begin, stop))
            who = "all channels" if everyone else "this channel"
            count = "1 reading" if missing == 1 else f"{missing} readings"
            # half an interval in: the readings on both sides are sound
            inset = min(0.5 * trace.interval_s, 0.4 * (stop - begin))
            yield Finding(
                i,
                begin + inset if begin > 0 else begin,
                stop - inset if stop < case.bench.end_s else stop,
                f"{count} missing on {who} ({seconds(missing * trace.interval_s)})",
                None if missing > SHORT_GAP else Severity.REMARK,
            )
        if len(private) >= PRIVATE_GAPS and case.evidence[i].failed_s is None:
            yield Finding(
                i,
                private[0][0],
                private[-1][1],
                f"goes missing {len(private)} times while others are there: a loose connection",
                Severity.DOUBT,
                "wriggle the plug and the leads and watch the channel",
            )


def _stopped(trace: Trace, first: IntArray, last: IntArray, *, fine: float) -> BoolArray:
    """Tell which constant stretches begin or end as no slowing body does.

    A body that comes to rest slows down first. ``fine`` is the least change that tells.
    """
    value, n = trace.value_c, trace.value_c.size
    window = np.clip((last - first) // 4, 6, 60)
    before = first >= window
    start = np.where(before, first - window, first)
    late = np.where(before, first - window // 3, first)
    change = np.abs(value[first] - value[start])
    ending = np.abs(value[first] - value[late])
    few = np.minimum(5, window // 3)
    closing = np.abs(value[first] - value[np.maximum(first - few, 0)])
    keeps_on = (ending >= 0.25 * change) & (closing >= 0.25 * change * few / window)
    abrupt = before & (change >= fine) & keeps_on
    inside = last < n - 1
    jump = np.where(inside, np.abs(value[np.minimum(last + 1, n - 1)] - value[last]), 0.0)
    # a repeated old value ends in a jump to what is true; a sensor pulled out goes on cooling
    tail = np.abs(value[np.minimum(last + 4, n - 1)] - value[np.minimum(last + 1, n - 1)])
    leaves = inside & (jump >= fine) & (tail <= 0.25 * jump)
    stopped: BoolArray = abrupt | leaves
    return stopped


def check_flat_line(case: Case) -> Iterator[Finding]:
    """Find readings that stop moving although what they feel goes on."""
    for i, trace in enumerate(case.bench.traces):
        frozen = list(_unmoved(case, i, trace) or _frozen(case, i, trace))
        yield from frozen
        if not frozen:
            yield from _dead(case, i, trace)


def _unmoved(case: Case, i: int, trace: Trace) -> list[Finding]:
    """Find a channel that shows one number from beginning to end while the others heat up.

    Room temperature, ice water and boiling water can hold a channel so still; nothing else does.
    """
    value, others = trace.value_c, case.without(i)
    known = others[np.isfinite(others)]
    if value.size < STILL_READINGS or known.size == 0 or np.any(value != value[0]):
        return []
    at_c = float(value[0])
    begin, stop = float(trace.time_s[0]), float(trace.time_s[-1])
    moved = float(np.ptp(known))
    restful = -2.0 <= at_c < 60.0 or 85.0 < at_c < 106.0
    if stop - begin < STILL_S or restful or moved < DEAD_RISE_K:
        return []
    why = (
        f"stays at {at_c:.2f} °C from beginning to end: the others move by {moved:.0f} K meanwhile"
    )
    return [Finding(i, begin, stop, why)]


def _frozen(case: Case, i: int, trace: Trace) -> Iterator[Finding]:
    value = trace.value_c
    if value.size < 2 * STILL_READINGS:
        return
    turns = np.flatnonzero(value[1:] != value[:-1])
    first = np.concatenate(([0], turns + 1))
    last = np.concatenate((turns, [value.size - 1]))
    long = (last - first >= STILL_READINGS) & (trace.time_s[last] - trace.time_s[first] >= STILL_S)
    first, last = first[long], last[long]
    if first.size == 0:
        return
    others = case.without(i)
    lively = np.array([_lively(trace, int(a)) for a in first])
    step, noise = trace.resolution_k, trace.noise_k
    stopped = _stopped(trace, first, last, fine=max(10.0 * step, 10.0 * noise, 1.5))
    hardly = _stopped(trace, first, last, fine=max(3.0 * step, 5.0 * noise, 0.02))
    for a, b, breathless, odd, little in zip(first, last, lively, stopped, hardly, strict=True):
        if any(leap.wild and leap.first <= a <= leap.last for leap in case.evidence[i].leaps):
            continue  # it sits where a jump took it, and that is said already
        begin, stop = float(trace.time_s[a]), float(trace.time_s[b])
        here = (case.grid_s >= begin) & (case.grid_s <= stop) & np.isfinite(others)
        moved = float(np.ptp(others[here])) if bool(here.any()) else 0.0
        at_c = float(value[a])
        # room temperature and boiling water do hold a channel that still
        restful = at_c < 60.0 or 85.0 < at_c < 106.0
        outlasts = (
            little
            and not restful
            and b - a >= LONG_STILL_READINGS
            and stop - begin >= LONG_STILL_S
            and moved >= max(20.0, 100.0 * trace.resolution_k)
        )
        if breathless or outlasts or (odd and moved >= max(3.0, 10.0 * trace.resolution_k)):
            why = (
                f"the others move by {moved:.0f} K meanwhile"
                if moved >= 1.0
                else "even its noise is gone"
            )
            yield Finding(
                i, begin, stop, f"stays at {at_c:.2f} °C for {seconds(stop - begin)}: {why}"
            )


def _lively(trace: Trace, first: int) -> bool:
    """Tell whether the readings before showed noise of a step or more, which can't hold its breath."""
    before = trace.value_c[max(0, first - 60) : max(0, first - 1)]
    if before.size < 40:
        return False
    if float(np.mean(before[1:] == before[:-1])) > 0.45:
        return False  # it rests on its steps as a habit
    calm = noise_levels_k(before)[1]
    return calm > 0.8 * trace.resolution_k and calm > 1e-6


def _dead(case: Case, i: int, trace: Trace) -> Iterator[Finding]:
    """Find a channel that never answers the heat, as one whose leads touch before the junction."""
    if trace.role is Role.AMBIENT:
        return
    own = case.grid_c[:, i]
    others = case.without(i)
    both = np.isfinite(own) & np.isfinite(others)
    if np.count_nonzero(both) < 20 or case.grid_c.shape[1] < 3:
        return
    risen = others[both] - others[both][0] >= DEAD_RISE_K
    if np.count_nonzero(risen) < 0.4 * risen.size:
        return
    low, high = np.percentile(own[both], (2, 98))
    if high - low >= DEAD_RANGE_K or high >= 60.0:
        return
    known = trace.role in (Role.AIR, Role.SURFACE, Role.WALL, Role.BODY)
    yield Finding(
        i,
        float(trace.time_s[0]),
        float(trace.time_s[-1]),
        f"moves by {high - low:.1f} K only while the others rise by "
        f"{float(np.max(others[both] - others[both][0])):.0f} K",
        Severity.DOUBT if known else Severity.REMARK,
        "leads that touch before the junction read the place where they touch",
    )
