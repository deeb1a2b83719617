"""The table of health checks, and the two ways to run it.

Raw readings are never altered: a check puts a bit beside them. A *bad* stretch is taken out of what
is measured, a *doubt* weakens what rests on it, a *remark* is shown. Single spikes are taken out one
by one although they are remarks: the readings next to them carry the curve across.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.case import Case, lay_out
from ovenwright.conditioning.checks import broken, company, still, wrong_type
from ovenwright.conditioning.finding import Finding
from ovenwright.conditioning.junction import gather
from ovenwright.conditioning.traces import Bench, as_recorded, make_trace, match_columns
from ovenwright.domain.arrays import BoolArray, FlagArray
from ovenwright.domain.plan import ChamberOven, Plan
from ovenwright.domain.profile import FlagSpan, Severity
from ovenwright.domain.run import Run, Series
from ovenwright.physics import water

REFERENCE_C = 25.0
"""Reference-junction temperature where the instrument gave none."""

SEA_LEVEL_KPA = 101.325


@dataclass(frozen=True, slots=True)
class Check:
    """One row of the table."""

    bit: int
    name: str
    severity: Severity
    meaning: str
    remedy: str
    find: Callable[[Case], Iterator[Finding]]
    takes_out: bool = False
    """True where the readings go even though the severity is only a remark or a doubt."""
    needs_company: bool = False
    """True where a channel is held against others; such checks come after the others."""


HEALTH_TABLE: tuple[Check, ...] = (
    Check(
        1 << 0,
        "gap",
        Severity.BAD,
        "Readings are missing. Up to three in a row is a remark; nothing is bridged.",
        "see whether the logger, the radio or this one channel dropped out",
        still.check_gap,
    ),
    Check(
        1 << 1,
        "overflow",
        Severity.BAD,
        "The instrument gave its own mark for an open sensor or a value beyond range.",
        "measure the sensor's loop resistance cold and hot; renew the sensor or its plug",
        broken.check_overflow,
    ),
    Check(
        1 << 2,
        "rail-value",
        Severity.BAD,
        "Readings at the end of what the sensor type or the input can show.",
        "measure the sensor's loop resistance cold and hot; renew the sensor or its plug",
        broken.check_rail_value,
    ),
    Check(
        1 << 3,
        "noise-burst",
        Severity.BAD,
        "Readings jump to and fro far more than this channel's own noise and its company's.",
        "a junction about to open, a chafed lead or a wet plug: renew the sensor before the next run",
        broken.check_noise_burst,
    ),
    Check(
        1 << 4,
        "spike",
        Severity.REMARK,
        "Single readings stand out and come back at once. They are taken out one by one. "
        "Many large ones that no other channel shares are a doubt.",
        "check plug and lead for a loose contact",
        broken.check_spike,
        takes_out=True,
    ),
    Check(
        1 << 5,
        "implausible-rate",
        Severity.BAD,
        "A jump from one reading to the next with neither run-up nor tail: no body heats so.",
        "see whether the sensor slipped, was pulled, or has a second junction in its lead",
        broken.check_implausible_rate,
    ),
    Check(
        1 << 6,
        "open-junction",
        Severity.BAD,
        "Several of the signs above on one channel: it failed for good. What looks sound between "
        "bursts is taken out too.",
        "renew the sensor; do not use this channel for a verdict after the first sign",
        broken.check_open_junction,
    ),
    Check(
        1 << 7,
        "flat-line",
        Severity.BAD,
        "Readings stop moving abruptly while the others go on, or lose even their noise. A channel "
        "that never answers the heat at all is a doubt, a remark where its role is not known.",
        "see whether the logger repeats an old value, or the leads touch before the junction",
        still.check_flat_line,
    ),
    Check(
        1 << 8,
        "reversed",
        Severity.BAD,
        "The channel falls while everything else heats.",
        "swap the two leads at the plug; warm the junction between finger and thumb to prove it",
        company.check_reversed,
    ),
    Check(
        1 << 9,
        "drift",
        Severity.DOUBT,
        "The channel creeps away steadily while all its company holds still.",
        "compare it with a second sensor at the same place; old type K wire drifts when hot",
        company.check_drift,
        needs_company=True,
    ),
    Check(
        1 << 10,
        "ambient-disagreement",
        Severity.DOUBT,
        "Apart from the others while all lie steady near room temperature, at the start or the "
        "end. Without a plan it takes 10 K and is a remark.",
        "let all sensors lie together in still air or stirred water and compare before the next run",
        company.check_ambient_disagreement,
        needs_company=True,
    ),
    Check(
        1 << 11,
        "wrong-type",
        Severity.DOUBT,
        "A moist core held at what is not the local boiling point but would be under another "
        "thermocouple type; or agreement with its company near the reference junction only.",
        "look at the wire's colours and the instrument's setting; if so, restate the run",
        wrong_type.check_wrong_type,
        needs_company=True,
    ),
    Check(
        1 << 12,
        "module-step",
        Severity.DOUBT,
        "All channels of one module step together while the others do not: its reference junction.",
        "keep the module out of draughts and hot air, and let it settle before the run",
        company.check_module_step,
        needs_company=True,
    ),
)


@dataclass(frozen=True, slots=True)
class Examination:
    """What the checks found on a run.

    ``spans`` are the flags; ``bits`` gives per channel the bits beside each reading of the
    channel's own series; ``bench`` is what they looked at.
    """

    bench: Bench
    spans: tuple[FlagSpan, ...]
    bits: tuple[FlagArray, ...]


@dataclass(frozen=True, slots=True)
class Subject:
    """A channel put right before it is checked; ``lost`` readings stand for nothing any more."""

    series: Series
    lost: BoolArray


def make_bench(
    run: Run, plan: Plan | None = None, *, subjects: Mapping[str, Subject] | None = None
) -> Bench:
    """Lay a run's channels out for the checks; with a plan only the plan's channels.

    ``subjects`` replaces channels by what they are once restated.
    """
    put_right = subjects or {}
    columns = match_columns(run, plan) if plan is not None else {name: name for name in run.series}
    wanted = (
        [
            (c.name, c if c.name in put_right else as_recorded(c))
            for c in plan.channels
            if c.name in columns
        ]
        if plan is not None
        else [(name, None) for name in run.series]
    )
    traces = tuple(
        make_trace(
            put_right[name].series if name in put_right else run.series[columns[name]],
            name=name,
            channel=channel,
            start_ns=run.start_ns,
            lost=put_right[name].lost if name in put_right else None,
        )
        for name, channel in wanted
    )
    pressure, known = pressure_kpa(plan)
    reference = run.instrument.reference_junction_c
    return Bench(
        traces=traces,
        plan=plan,
        end_s=run.elapsed_s(run.end_ns),
        boiling_c=float(water.boiling_point_c(pressure)),
        boiling_known=known,
        reference_c=REFERENCE_C if reference is None else reference,
        reference_known=reference is not None,
    )


def pressure_kpa(plan: Plan | None) -> tuple[float, bool]:
    """Return the pressure about the product as the plan gives it, and whether it is known.

    A retort's or vacuum chamber's own pressure comes before the site's.
    """
    if plan is not None and isinstance(plan.oven, ChamberOven) and plan.oven.pressure_kpa:
        return plan.oven.pressure_kpa, True
    if plan is not None and plan.site.pressure_kpa is not None:
        return plan.site.pressure_kpa, True
    if plan is not None and plan.site.altitude_m is not None:
        return float(water.pressure_at_altitude_kpa(plan.site.altitude_m)), True
    return SEA_LEVEL_KPA, False


def examine(bench: Bench) -> Examination:
    """Run every check of the table over a bench."""
    evidence = gather(bench)
    bits: tuple[FlagArray, ...] = tuple(
        np.zeros(t.stamp_s.size, dtype=np.uint32) for t in bench.traces
    )
    out: list[list[tuple[float, float]]] = [[] for _ in bench.traces]
    spans: list[FlagSpan] = []
    case = lay_out(bench, evidence, out)
    fresh = True
    for check in HEALTH_TABLE:
        if check.needs_company and fresh:
            case, fresh = lay_out(bench, evidence, out), False
        for found in check.find(case):
            trace = bench.traces[found.trace]
            severity = found.severity or check.severity
            spans.append(
                FlagSpan(
                    check=check.name,
                    channel=trace.name,
                    from_s=found.from_s,
                    to_s=found.to_s,
                    severity=severity,
                    reason=found.reason,
                    remedy=found.remedy or check.remedy,
                    bit=check.bit,
                )
            )
            if severity is Severity.BAD:
                out[found.trace].append((found.from_s, found.to_s))
            if found.readings is not None:
                bits[found.trace][found.readings] |= np.uint32(check.bit)
            else:
                a = int(np.searchsorted(trace.stamp_s, found.from_s, side="left"))
                b = int(np.searchsorted(trace.stamp_s, found.to_s, side="right"))
                bits[found.trace][a:b] |= np.uint32(check.bit)
    order = {t.name: i for i, t in enumerate(bench.traces)}
    spans.sort(key=lambda s: (order[s.channel], s.from_s, s.bit))
    return Examination(bench, tuple(spans), bits)


def check_run(run: Run, plan: Plan | None = None) -> tuple[FlagSpan, ...]:
    """Check the health of every channel of a run.

    Parameters
    ----------
    run : the readings as they came
    plan : what the channels are; left out, the checks that need it are milder or stay silent

    Returns
    -------
    flagged stretches by channel and time, seconds since the run's first reading

    The thresholds are this package's own (common practice, no source); see
    docs/explanation/channel-health.md.
    """
    return examine(make_bench(run, plan)).spans
