"""Plain hints at what to look at next, the most telling first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from ovenwright.domain.profile import FlagSpan, Severity
from ovenwright.domain.results import Found, MeasureResult, Results
from ovenwright.domain.verdict import Budget, BudgetLine, Outcome, RequirementVerdict

UNEVEN_K = 5.0
"""Lanes further apart than this in one zone are worth a look: about 5 K for air near the band is
a usual aim (common practice, no source)."""
_MOST_SPANS = 6
_MOST_ZONES = 3
_LARGE_SHARE = 0.5  # of the variance, for one line to be called the main one

_NARROWING = (
    ("class", "a calibration certificate for this sensor would narrow it"),
    ("tolerance", "a calibration certificate for this sensor would narrow it"),
    ("certificate", "a calibration with less uncertainty, near this temperature, would narrow it"),
    ("calibration", "a calibration with less uncertainty, near this temperature, would narrow it"),
    ("drift", "a recent calibration would narrow it"),
    ("junction", "an even, measured temperature at the instrument's input would narrow it"),
    ("restate", "recording with the right sensor type set would remove it"),
    ("place", "fixing the sensor more surely at its place would narrow it"),
    ("noise", "mending the lead or its screen would narrow it"),
    ("resolution", "recording one more digit would narrow it"),
)


def next_looks(
    requirements: Sequence[RequirementVerdict],
    deciding: Sequence[MeasureResult | None],
    results: Results,
    budgets: Sequence[Budget],
) -> tuple[str, ...]:
    """Return what to look at next, one sentence each, without repeats.

    Parameters
    ----------
    requirements : the verdicts, in plan order
    deciding : the result that decides each, None where there is none
    results : everything analysis found
    budgets : of the channels with readings
    """
    looks: list[str] = []
    if results.uniformity is None and any(r.outcome is not Outcome.PASS for r in requirements):
        looks += _about_events(results)
    looks += _about_deciding(requirements, deciding, budgets)
    looks += _about_spans(results, deciding)
    looks += _about_lanes(results)
    if not looks:
        looks += _about_margin(requirements)
    return tuple(dict.fromkeys(looks))


def main_line(budget: Budget) -> tuple[BudgetLine, float] | None:
    """Return the line that brings most of a budget's variance, and its share."""
    lines = [ln for ln in budget.lines if not ln.one_sided and ln.standard_k > 0]
    if not lines or not budget.combined_k > 0:
        return None
    largest = max(lines, key=lambda ln: ln.standard_k)
    return largest, (largest.standard_k / budget.combined_k) ** 2


def _about_events(results: Results) -> Iterator[str]:
    assumed = [
        f"{name} was not found ({event.reason.rstrip('.')})"
        for name, event in (("load-in", results.load_in), ("load-out", results.load_out))
        if event.found is Found.ASSUMED
    ]
    if assumed:
        yield (
            f"{'; '.join(assumed)}: see whether the record holds the whole process, and mark "
            "load-in and load-out if it does."
        )


def _about_deciding(
    requirements: Sequence[RequirementVerdict],
    deciding: Sequence[MeasureResult | None],
    budgets: Sequence[Budget],
) -> Iterator[str]:
    by_channel = {b.channel: b for b in budgets}
    kept_open: dict[tuple[str, str], list[str]] = {}
    for verdict, result in zip(requirements, deciding, strict=True):
        if verdict.outcome is Outcome.PASS:
            continue
        name = verdict.requirement.name
        channel = verdict.deciding.channel
        if result is None:
            yield f"{name}: no channel answers it; name channels or a role that the run has."
            continue
        if verdict.outcome is Outcome.FAIL:
            if channel is not None:
                yield f"{name}: look at {channel}, which decides it."
            elif result.notes:
                yield f"{name}: {result.notes[0].rstrip('.')}."
            else:
                yield f"{name}: it fails on all its channels taken together."
            continue
        if result.doubt or math.isnan(result.value):
            why = result.doubt or result.reason or "it could not be evaluated"
            short = why.split(":", 1)[0]
            kept_open.setdefault((channel or "the whole oven", short), []).append(name)
            continue
        budget = by_channel.get(channel or "")
        main = main_line(budget) if budget else None
        if main is not None and main[1] >= _LARGE_SHARE:
            line, share = main
            hint = next((h for word, h in _NARROWING if word in line.source.lower()), "")
            yield (
                f"{name}: {100 * share:.0f} % of the variance of {channel} comes from "
                f"{line.source}" + (f"; {hint}." if hint else ".")
            )
        else:
            yield f"{name}: {channel or 'the whole oven'} is too near the limit to be sure."
    for (channel, why), names in kept_open.items():
        yield f"{', '.join(names)}: {channel} keeps {'it' if len(names) == 1 else 'them'} open ({why})."


def _about_spans(results: Results, deciding: Sequence[MeasureResult | None]) -> Iterator[str]:
    touched = {s for r in deciding if r is not None for s in r.touched}
    order = {Severity.BAD: 0, Severity.DOUBT: 1, Severity.REMARK: 2}
    spans = [s for s in results.profile.spans if s.severity is not Severity.REMARK or s in touched]
    # one word a channel and check, longest stretch first: a list of spikes helps nobody
    spans.sort(key=lambda s: (s not in touched, order[s.severity], s.from_s - s.to_s))
    seen: set[tuple[str, str]] = set()
    for span in spans:
        if (span.channel, span.check) in seen or len(seen) >= _MOST_SPANS:
            continue
        seen.add((span.channel, span.check))
        yield _span_words(span, results)


def _span_words(span: FlagSpan, results: Results) -> str:
    zero = results.load_in.at_s  # the chart beside these words counts from there
    if _from_end_to_end(span, results):
        when = "all along"
    else:
        when = (
            f"from {_clock(span.from_s - zero)} to {_clock(span.to_s - zero)}, counted from load-in"
        )
    told = f"{span.channel}, {span.check.replace('-', ' ')} {when}: {span.reason.rstrip('.')}"
    return f"{told}; {span.remedy.rstrip('.')}." if span.remedy else f"{told}."


def _from_end_to_end(span: FlagSpan, results: Results) -> bool:
    time_s, slack_s = results.profile.time_s, 1.5 * results.profile.interval_s
    return (
        time_s.size > 1 and span.from_s <= time_s[0] + slack_s and span.to_s >= time_s[-1] - slack_s
    )


def _about_lanes(results: Results) -> Iterator[str]:
    uneven = [
        b
        for b in results.balance
        if b.spread_k > UNEVEN_K and len(b.difference_k) > 1 and b.role in {"air", "surface"}
    ]
    uneven.sort(key=lambda b: (b.role != "air", -b.spread_k))
    seen: set[str] = set()
    for lane in uneven:
        if lane.role != uneven[0].role:
            break  # a product surface is uneven because the air is: one cause, told once
        if lane.zone in seen or len(seen) >= _MOST_ZONES:
            continue
        seen.add(lane.zone)
        yield (
            f"{lane.zone}: {lane.role} is colder on the {lane.coldest} lane than on the "
            f"{lane.hottest} lane; look at burner, dampers and fans on that side."
        )


def _about_margin(requirements: Sequence[RequirementVerdict]) -> Iterator[str]:
    known = [r for r in requirements if not math.isnan(r.deciding.probability)]
    if known:
        tight = min(known, key=lambda r: r.deciding.probability)
        yield (
            f"Nothing stands out; {tight.requirement.name} has the least to spare"
            + (f", on {tight.deciding.channel}." if tight.deciding.channel else ".")
        )


def _clock(seconds: float) -> str:
    whole = round(seconds)
    hours, rest = divmod(abs(whole), 3600)
    sign = "-" if whole < 0 else ""
    minutes, left = divmod(rest, 60)
    return f"{sign}{hours}:{minutes:02d}:{left:02d}" if hours else f"{sign}{minutes}:{left:02d}"
