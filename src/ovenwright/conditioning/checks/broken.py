"""Junctions that open, rail values, noise, spikes and jumps no heat flow makes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ovenwright.conditioning.case import Case
from ovenwright.conditioning.finding import Finding, groups
from ovenwright.conditioning.junction import Evidence
from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.domain.profile import Severity

MANY_SPIKES = 6
LARGE_SPIKE_K = 4.0


def check_overflow(case: Case) -> Iterator[Finding]:
    """Find where the instrument itself gave its mark for an open sensor."""
    for i, (trace, seen) in enumerate(zip(case.bench.traces, case.evidence, strict=True)):
        if trace.overflow is None:
            continue
        stretches = [np.arange(a, b + 1) for a, b in groups(np.flatnonzero(trace.overflow), 1)]
        for at in told_together(trace.stamp_s, stretches, seen):
            yield Finding(
                i,
                float(trace.stamp_s[at[0]]),
                float(trace.stamp_s[at[-1]]),
                f"{at.size} readings marked as open sensor or beyond range",
                readings=at,
            )


def check_rail_value(case: Case) -> Iterator[Finding]:
    """Find readings at the end of what the sensor or the input can show."""
    for i, (trace, seen) in enumerate(zip(case.bench.traces, case.evidence, strict=True)):
        stretches = [np.arange(a, b + 1) for a, b in seen.rails]
        for at in told_together(trace.time_s, stretches, seen):
            values = trace.value_c[at]
            worst = float(values[np.argmax(np.abs(values))])
            count = f"{at.size} readings, up to " if at.size > 1 else ""
            yield Finding(
                i,
                float(trace.time_s[at[0]]),
                float(trace.time_s[at[-1]]),
                f"{count}{worst:.1f} °C: {seen.rail_reason}",
                readings=trace.native(at),
            )


def told_together(
    time_s: FloatArray, stretches: Sequence[IntArray], seen: Evidence
) -> list[IntArray]:
    """Put the stretches after a junction failed into one: it is one fault, not fifty."""
    if seen.failed_s is None:
        return list(stretches)
    begin, stop = seen.failed_s
    apart = [at for at in stretches if not begin <= time_s[at[0]] <= stop]
    within = [at for at in stretches if begin <= time_s[at[0]] <= stop]
    return [*apart, np.concatenate(within)] if within else apart


def check_noise_burst(case: Case) -> Iterator[Finding]:
    """Find stretches where readings jump to and fro far more than noise ever did before."""
    for i, (trace, seen) in enumerate(zip(case.bench.traces, case.evidence, strict=True)):
        bursts = [np.arange(a, b + 1) for a, b in seen.bursts]
        told = [(at, None) for at in told_together(trace.time_s, bursts, seen)]
        weak = [(np.arange(a, b + 1), Severity.DOUBT) for a, b in seen.weak_bursts]
        for at, severity in (*told, *weak):
            height = float(trace.swing_k[at].max())
            yield Finding(
                i,
                float(trace.time_s[at[0]]),
                float(trace.time_s[at[-1]]),
                f"readings jump to and fro by up to {height:.3g} K, "
                f"usual here is {max(trace.quiet_k, trace.resolution_k):.2g} K",
                severity,
                readings=trace.native(at),
            )


def check_spike(case: Case) -> Iterator[Finding]:
    """Find single readings that stand out and come back; they are taken out one by one."""
    for i, (trace, seen) in enumerate(zip(case.bench.traces, case.evidence, strict=True)):
        spikes, height_k, shared = seen.spikes, seen.spike_k, seen.shared
        if seen.failed_s is not None:  # there is worse to say
            kept = trace.time_s[spikes] < seen.failed_s[0]
            spikes, height_k, shared = spikes[kept], height_k[kept], shared[kept]
        lone = np.count_nonzero(~shared & (height_k >= LARGE_SPIKE_K))
        severity = Severity.DOUBT if lone >= MANY_SPIKES else None
        for a, b in groups(spikes, max(1, round(30.0 / max(trace.interval_s, 1e-3)))):
            inside = (spikes >= a) & (spikes <= b)
            count = int(np.count_nonzero(inside))
            height = float(height_k[inside].max())
            many = "1 reading stands" if count == 1 else f"{count} readings stand"
            cause = (
                "; other channels do so at the same moment: pick-up rather than this sensor"
                if bool(shared[inside].any())
                else ""
            )
            yield Finding(
                i,
                float(trace.time_s[a]),
                float(trace.time_s[b]),
                f"{many} out by up to {height:.3g} K{cause}",
                severity,
                "look for a motor, a contactor or an ungrounded sheath near the leads"
                if cause
                else "",
                readings=trace.native(spikes[inside]),
            )


def check_implausible_rate(case: Case) -> Iterator[Finding]:
    """Find jumps from one reading to the next with neither run-up nor tail."""
    for i, (trace, seen) in enumerate(zip(case.bench.traces, case.evidence, strict=True)):
        for leap in seen.leaps:
            if seen.failed_s is not None and trace.time_s[leap.first] > seen.failed_s[0]:
                break  # one jump is enough to say; the rest is failure
            begin, stop = float(trace.time_s[leap.first]), float(trace.time_s[leap.last])
            rate = abs(leap.size_k) / max(begin - float(trace.time_s[leap.first - 1]), 1e-9)
            jump = f"jumps by {leap.size_k:+.0f} K in one reading ({rate:.0f} K/s)"
            if leap.returned:
                yield Finding(i, begin, stop, f"{jump} and back")
            elif leap.wild:
                yield Finding(i, begin, stop, f"{jump} to where nothing sound would be")
            else:
                yield Finding(
                    i,
                    begin,
                    stop,
                    f"{jump} and stays: what it feels after this may be another place",
                    Severity.DOUBT,
                )


def check_open_junction(case: Case) -> Iterator[Finding]:
    """Find channels that failed for good; looks sound between bursts, but is not to be trusted."""
    for i, (trace, seen) in enumerate(zip(case.bench.traces, case.evidence, strict=True)):
        if seen.failed_s is None:
            continue
        begin, stop = seen.failed_s
        yield Finding(
            i, begin, stop, "fails again and again from here on: the junction or its leads are open"
        )
        if seen.doubtful_after and stop + trace.interval_s < case.bench.end_s:
            yield Finding(
                i,
                stop + trace.interval_s,
                case.bench.end_s,
                "the junction failed before; it may do so again without showing",
                Severity.DOUBT,
            )
