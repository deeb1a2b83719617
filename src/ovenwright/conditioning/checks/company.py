"""Checks that hold a channel against its company: reversed, drifting, off at ambient, stepping."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ovenwright.conditioning.case import Case
from ovenwright.conditioning.finding import Finding, groups, seconds
from ovenwright.conditioning.traces import Trace
from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.domain.profile import Severity
from ovenwright.domain.run import Role
from ovenwright.physics import thermocouple, tolerance

REVERSED_RISE_K = 20.0
FALLEN_K = 5.0
AMBIENT_C = (0.0, 50.0)
AMBIENT_S = 30.0
AMBIENT_APART_K = 10.0
AMBIENT_APART_PLANNED_K = 3.0
DRIFT_K = 8.0
DRIFT_PLANNED_K = 4.0
DRIFT_S = 600.0
STEP_K = 0.4
STEP_CEILING_K = 15.0


def check_reversed(case: Case) -> Iterator[Finding]:
    """Find channels that fall while everything else heats: leads swapped.

    What lies beyond the sensor's range counts as fallen, for a hot place reversed soon does.
    """
    for i, trace in enumerate(case.bench.traces):
        others = case.without(i)
        known = np.isfinite(others)
        if trace.role is Role.AMBIENT or trace.value_c.size < 10 or np.count_nonzero(known) < 20:
            continue
        grid_s, others = case.grid_s[known], others[known]
        up = others - float(np.median(others[: max(3, others.size // 50)]))
        hot = up >= max(REVERSED_RISE_K, 0.3 * float(up.max()))
        if np.count_nonzero(hot) < max(10, 0.1 * hot.size):
            continue
        value = trace.value_c
        start = float(np.median(value[: max(3, min(50, value.size // 50))]))
        fallen = value < start - FALLEN_K
        if (
            np.count_nonzero(fallen) < 3
            or float(np.percentile(value, 99)) > start + REVERSED_RISE_K
        ):
            continue
        right = np.clip(np.searchsorted(trace.time_s, grid_s[hot]), 0, value.size - 1)
        near = np.abs(trace.time_s[right] - grid_s[hot]) <= trace.gap_s
        low = near & fallen[right]
        if trace.overflow is not None:
            there = np.clip(np.searchsorted(trace.stamp_s, grid_s[hot]), 0, trace.stamp_s.size - 1)
            low |= trace.overflow[there]
        if float(np.mean(low)) < 0.6:
            continue
        yield Finding(
            i,
            float(trace.stamp_s[0]),
            float(trace.stamp_s[-1]),
            f"falls by {start - float(value.min()):.0f} K while the others rise by "
            f"{float(up.max()):.0f} K",
        )


def _allowance_k(trace: Trace, at_c: float) -> float:
    """Half-width of the sensor's own class near a temperature; 0 if it has none."""
    if trace.channel is None:
        return 0.0
    sensor, cls = trace.channel.sensor.value, trace.channel.tolerance
    if cls not in tolerance.classes(sensor):
        return 0.0
    return float(tolerance.half_width_k(at_c, sensor, cls, extend=True))


def check_ambient_disagreement(case: Case) -> Iterator[Finding]:
    """Find channels apart from the rest while everything lies steady near room temperature."""
    end_s = case.bench.end_s
    length = min(AMBIENT_S, 0.05 * end_s)
    at_start = list(_apart(case, 0.0, length, "at the start"))
    yield from at_start
    if end_s > 4.0 * AMBIENT_S:
        yield from _apart(case, end_s - length, end_s, "at the end")


def _apart(case: Case, begin: float, stop: float, when: str) -> Iterator[Finding]:
    middle = np.full(len(case.bench.traces), np.nan)
    steady = np.zeros(middle.shape, dtype=np.bool_)
    for i, trace in enumerate(case.bench.traces):
        inside = (trace.time_s >= begin) & (trace.time_s <= stop)
        values = trace.value_c[inside]
        if values.size < 5:
            continue
        middle[i] = np.median(values)
        steady[i] = np.ptp(values) <= max(1.0, 8.0 * trace.noise_k)
    known = np.isfinite(middle)
    at_rest = known & steady & (middle > AMBIENT_C[0]) & (middle < AMBIENT_C[1])
    if np.count_nonzero(at_rest) < max(3, 0.75 * np.count_nonzero(known)):
        return
    for i in np.flatnonzero(known & steady).tolist():
        trace = case.bench.traces[i]
        like = at_rest.copy()
        if trace.role is not None:
            like &= np.array([t.role is trace.role for t in case.bench.traces])
        like[i] = False
        planned = trace.role is not None and np.count_nonzero(like) >= 2
        if not planned and not at_rest[i]:
            continue  # it may well stay in the oven
        others = (like if planned else at_rest).copy()
        others[i] = False
        room = float(np.median(middle[others]))
        # 1.5 times the scatter of the others, should they not agree among themselves
        scatter = float(np.median(np.abs(middle[others] - room)))
        limit = AMBIENT_APART_K if not planned else AMBIENT_APART_PLANNED_K
        limit = max(limit + 2.0 * _allowance_k(trace, room), 5.0 * scatter)
        if abs(middle[i] - room) > limit:
            yield Finding(
                i,
                begin,
                stop,
                f"reads {middle[i]:.1f} °C {when} where the others read {room:.1f} °C",
                Severity.DOUBT if planned else Severity.REMARK,
            )


def _company(case: Case, i: int) -> tuple[list[int], bool]:
    """Return the channels a channel can be held against, and whether the plan says so."""
    traces = case.bench.traces
    role = traces[i].role
    if role is not None:
        like = [j for j, t in enumerate(traces) if j != i and t.role is role]
        if len(like) >= 2:
            return like, True
    return [j for j in range(len(traces)) if j != i], False


def check_drift(case: Case) -> Iterator[Finding]:
    """Find channels that creep away while all their company holds still."""
    end_s, step = case.bench.end_s, case.step_s
    if step <= 0 or end_s < 1.5 * DRIFT_S:
        return
    told: set[int] = set()
    # slow drift needs long windows, drift late in a run short ones
    for length_s in sorted({max(DRIFT_S, share * end_s) for share in (0.15, 0.35, 0.8)}):
        width = int(np.ceil(length_s / step))
        if width < 10 or width >= case.grid_s.size:
            continue
        for found in _creeping(case, width):
            if found.trace not in told:
                told.add(found.trace)
                yield found


def _fifths(grid_c: FloatArray, starts: IntArray, width: int) -> FloatArray:
    """Mean of each fifth of each window (starts, 5, channels), NaN where a reading is missing."""
    none = np.zeros((1, grid_c.shape[1]))
    total = np.concatenate((none, np.cumsum(np.nan_to_num(grid_c), axis=0)))
    silent = np.concatenate((none, np.cumsum(np.isnan(grid_c), axis=0)))
    fifth = width // 5
    edges = starts[:, None] + fifth * np.arange(6)[None, :]
    mean: FloatArray = np.diff(total[edges], axis=1) / fifth
    mean[np.diff(silent[edges], axis=1) > 0] = np.nan
    return mean


def _creeping(case: Case, width: int) -> Iterator[Finding]:
    hop = max(1, width // 8)
    starts = np.arange(0, case.grid_s.size - width, hop)
    mean = _fifths(case.grid_c, starts, width)
    change = mean[:, -1] - mean[:, 0]
    forth = np.diff(mean, axis=1) * np.sign(change)[:, None]
    with np.errstate(invalid="ignore"):
        steadily = np.all(forth > 0.1 * np.abs(change)[:, None], axis=1)
    for i, trace in enumerate(case.bench.traces):
        like, planned = _company(case, i)
        if len(like) < 2 or trace.role is Role.AMBIENT:
            continue
        least = DRIFT_PLANNED_K if planned else DRIFT_K
        with np.errstate(invalid="ignore"):
            # NaN where one of them is silent: no company, no check
            worst = np.max(np.ptp(mean[:, :, like], axis=1), axis=1)
            away = np.abs(change[:, i]) >= np.maximum(least, 8.0 * worst)
            found = np.flatnonzero(away & steadily[:, i] & (worst <= 1.5))
        for a, b in groups(found, 1 + width // hop):
            begin, stop = float(case.grid_s[starts[a]]), float(case.grid_s[starts[b] + width])
            inside = (case.grid_s >= begin) & (case.grid_s <= stop)
            column = case.grid_c[inside, i]
            column = column[np.isfinite(column)]
            yield Finding(
                i,
                begin,
                stop,
                f"creeps by {column[-1] - column[0]:+.1f} K in {seconds(stop - begin)} "
                f"while its company stays within {float(np.nanmax(worst[a : b + 1])):.1f} K",
            )


def _steps(trace: Trace) -> FloatArray:
    """Jump between each reading and the next beyond what the readings about it lead to expect.

    Means of four readings on each side, taken less the run of the means further out, K; 0 where
    it can't be told.
    """
    value = trace.value_c
    out = np.zeros(value.size)
    if value.size < 20:
        return out
    mean = value[3:] + value[2:-1]
    mean += value[1:-2]
    mean += value[:-3]
    mean *= 0.25
    rise = mean[4:] - mean[:-4]  # over four readings
    inner = rise[4:-4] - 0.5 * (rise[:-8] + rise[8:])
    out[7 : 7 + inner.size] = inner
    return out


def _modules(case: Case) -> list[tuple[str, list[int]]]:
    named: dict[str, list[int]] = {}
    for i, trace in enumerate(case.bench.traces):
        if trace.channel is not None and trace.channel.module:
            named.setdefault(trace.channel.module, []).append(i)
    return [(name, inside) for name, inside in named.items() if len(inside) >= 2]


def check_module_step(case: Case) -> Iterator[Finding]:
    """Find moments when all channels of one module step together while the others don't."""
    traces = case.bench.traces
    modules = _modules(case)
    first = traces[0].time_s if traces else np.zeros(0)
    if not modules or len(traces) < 3 or first.size < 20:
        return
    height = np.zeros((len(traces), first.size))
    floor = np.zeros(len(traces))
    for i, trace in enumerate(traces):
        steps = _steps(trace)
        if trace.time_s is not first and not np.array_equal(trace.time_s, first):
            near = np.clip(np.searchsorted(trace.time_s, first), 0, max(trace.time_s.size - 1, 0))
            steps = steps[near] if trace.time_s.size else np.zeros(first.size)
        height[i] = steps
        floor[i] = max(STEP_K, 6.0 * trace.noise_k, 3.0 * trace.resolution_k)
    marked = np.abs(height) >= floor[:, None]
    for name, inside in modules:
        outside = [i for i in range(len(traces)) if i not in inside and traces[i].time_s.size]
        if not outside:
            continue
        together = np.flatnonzero(marked[inside].all(axis=0))
        for a, b in groups(together, 4):
            moment = a + int(np.argmax(np.abs(height[inside, a : b + 1]).min(axis=0)))
            jump = height[inside, moment]
            if not _alike(case, inside, moment, jump, height[outside, moment]):
                continue
            at_s = float(first[moment + 1])
            for i, own in zip(inside, jump, strict=True):
                yield Finding(
                    i,
                    float(first[moment]),
                    min(at_s + 5.0 * traces[i].interval_s, case.bench.end_s),
                    f"all {len(inside)} channels of {name} step together, this one by "
                    f"{own:+.1f} K, while the other channels do not",
                )


def _alike(
    case: Case, inside: Sequence[int], moment: int, jump: FloatArray, elsewhere: FloatArray
) -> bool:
    """Tell whether jumps look like one change of reference junction, and not like heating."""
    typical = float(np.median(jump))
    same_way: BoolArray = np.sign(jump) == np.sign(typical)
    if not bool(same_way.all()) or abs(typical) > STEP_CEILING_K:
        return False
    at_junction = np.array(
        [_at_junction(case, i, moment, k) for i, k in zip(inside, jump, strict=True)]
    )
    middle = float(np.median(at_junction))
    if float(np.max(np.abs(at_junction - middle))) > 0.35 * abs(middle) + 0.2:
        return False
    if float(np.max(np.abs(elsewhere))) > 0.4 * abs(typical):
        return False
    abrupt = 0
    for i, own in zip(inside, jump, strict=True):
        trace = case.bench.traces[i]
        if moment + 2 >= trace.value_c.size:
            return False
        step = np.diff(trace.value_c[max(0, moment - 1) : moment + 4])
        abrupt += int(float(np.max(np.abs(step))) >= 0.6 * abs(float(own)))
    return abrupt >= 0.7 * len(inside)


def _at_junction(case: Case, i: int, moment: int, jump_k: float) -> float:
    """Change of the reference junction that a jump of a reading stands for, K."""
    trace = case.bench.traces[i]
    if trace.kind is None or moment >= trace.value_c.size:
        return jump_k
    low, high = thermocouple.temperature_range_c(trace.kind)
    at = float(np.clip(trace.value_c[moment], low, high))
    here = float(thermocouple.sensitivity(at, trace.kind))
    there = float(thermocouple.sensitivity(case.bench.reference_c, trace.kind))
    return jump_k * here / there if abs(there) > 1.0 else jump_k
