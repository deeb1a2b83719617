"""The report's facts, said once; every format draws these same words and digits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright import __version__
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.domain.run import Run
from ovenwright.domain.verdict import Decided, Outcome, RequirementVerdict, Verdict
from ovenwright.reporting import charts, sections, sections_basis, sections_oven
from ovenwright.reporting.degrees import all_in_fahrenheit
from ovenwright.reporting.document import (
    Block,
    Callout,
    Cell,
    Column,
    Document,
    Points,
    Section,
    Table,
    Tone,
)
from ovenwright.reporting.words import DASH, Shown, clock, counted, limit_decimals, probability

TONE = {Outcome.PASS: Tone.GOOD, Outcome.FAIL: Tone.POOR, Outcome.UNDECIDED: Tone.OPEN}
SIGN = {Outcome.PASS: "✓ pass", Outcome.FAIL: "✗ fail", Outcome.UNDECIDED: "? undecided"}


@dataclass(frozen=True, slots=True)
class Occasion:
    """When and for whom the report is made."""

    made_ns: int
    note: str = ""


def tell(verdict: Verdict, run: Run, plan: Plan, shown: Shown, occasion: Occasion) -> Document:
    """Return the whole report as facts.

    Parameters
    ----------
    verdict : what was found and decided
    run : the sealed run it rests on, for its origin and its digest
    plan : the plan it was held against
    shown : the unit and time zone people see
    occasion : when the report is made
    """
    first: list[Block] = [
        Callout(TONE[verdict.outcome], SIGN[verdict.outcome], headline(verdict, shown)),
    ]
    if verdict.next_looks:  # next to the verdict: who has twenty seconds wants both
        first.append(Points("What to look at next", verdict.next_looks))
    first += [
        charts.history(verdict, plan, shown),
        asked_and_found(verdict, shown),
        charts.oven_plan(plan, verdict.results, shown),
    ]
    parts = [
        sections.requirements(verdict, shown),
        sections.crossings(verdict, shown),
        sections.build_ups(verdict, shown),
        sections_oven.zones(verdict, shown),
        sections_oven.evenness(verdict, shown),
        sections_oven.surroundings(verdict, shown),
        sections_basis.health(verdict, shown),
        sections_basis.budget(verdict, shown),
        sections_basis.method(verdict, run, plan),
        sections_basis.cautions(verdict, plan),
        sections_basis.origin(run, shown),
    ]
    made = Shown(shown.fahrenheit, shown.time_zone).moment(occasion.made_ns, absolute=True)
    document = Document(
        title=plan.title,
        subtitle=_subtitle(run, plan, shown),
        run_id=run.id,
        digest=run.digest,
        unit=shown.temperature_unit,
        outcome=verdict.outcome.value,
        headline=headline(verdict, shown),
        first_page=tuple(first),
        sections=tuple(p for p in parts if p is not None),
        footer=f"Run {run.id} · digest {run.digest[:16]} · Ovenwright {__version__} · made {made}",
        facts=_facts(verdict, run, plan, shown),
    )
    return all_in_fahrenheit(document) if shown.fahrenheit else document


def headline(verdict: Verdict, shown: Shown) -> str:
    """Return the verdict in a sentence or three: what fails, what is open and why, what is met."""
    if not verdict.requirements:
        return "Nothing was asked of this run: the plan has no requirements."
    parts = []
    failed = [r for r in verdict.requirements if r.outcome is Outcome.FAIL]
    if failed:
        told = "; ".join(
            f"{r.requirement.name} ({_found(r, shown)} on {r.deciding.channel or 'the whole oven'}, "
            f"asked {asked(r, shown)})"
            for r in failed
        )
        parts.append(f"Not met: {told}.")
    because: dict[str, list[str]] = {}
    for r in verdict.requirements:
        if r.outcome is Outcome.UNDECIDED:
            # the table and the hints tell the rest of it
            why = (r.deciding.reason or r.reason).split(": ", 1)[0]
            because.setdefault(why, []).append(r.requirement.name)
    for why, names in because.items():
        parts.append(f"Can't be decided: {', '.join(names)} ({why}).")
    met = sum(r.outcome is Outcome.PASS for r in verdict.requirements)
    count = len(verdict.requirements)
    if met == count:
        least = min(r.deciding.probability for r in verdict.requirements)
        parts.append(
            f"All {count} requirements are met, the least sure with {probability(least)}."
            if count > 1
            else f"The requirement is met, with a probability of {probability(least)}."
        )
    elif met:
        parts.append(f"{met} of {count} requirements {'is' if met == 1 else 'are'} met.")
    return " ".join(parts)


def _found(item: RequirementVerdict, shown: Shown) -> str:
    d = item.deciding
    return shown.measure(d.value, d.unit, shown.decimals(d.standard_uncertainty, d.unit)).text


def asked_and_found(verdict: Verdict, shown: Shown) -> Table:
    """Return the table of what was asked and what was found, one row a requirement."""
    rows = []
    in_doubt = any(
        r.outcome is Outcome.UNDECIDED and r.deciding.probability >= r.decision.confidence
        for r in verdict.requirements
    )
    for item in verdict.requirements:
        found = item.deciding
        decimals = shown.decimals(found.standard_uncertainty, found.unit)
        rows.append(
            (
                Cell(item.requirement.name),
                Cell(asked(item, shown)),
                shown.measure(found.value, found.unit, decimals),
                shown.uncertainty(_half_width(found), found.unit, decimals),
                Cell(found.channel or "whole oven"),
                Cell(probability(found.probability)),
                Cell(SIGN[item.outcome], tone=TONE[item.outcome]),
            )
        )
    return Table(
        id="asked-and-found",
        title="What was asked, what was found",
        columns=(
            Column("requirement", width=2.2),
            Column("asked", width=1.6),
            Column("found", number=True, width=1.2),
            Column("± U (95 %)", number=True, width=1.1),
            Column("decided by", width=1.2),
            Column("probability", number=True, width=1.1),
            Column("verdict", width=1.2),
        ),
        rows=tuple(rows),
        note="Probability is that of meeting the limit, given the uncertainty (JCGM 106). "
        "U is the half-width of the 95 % interval."
        + (" Whatever the probability, a doubtful channel decides nothing." if in_doubt else ""),
        empty="The plan asks for nothing: add [[requirements]] to get a verdict.",
    )


def asked(item: RequirementVerdict, shown: Shown) -> str:
    """Return the limit in words."""
    need, unit = item.requirement, item.deciding.unit
    shown_as = {
        sign: shown.measure(limit, unit, limit_decimals(shown.number(limit, unit))).text
        for sign, limit in (("≥", need.at_least), ("≤", need.at_most))
        if limit is not None
    }
    if len(shown_as) == 2:
        low, high = shown_as.values()
        return f"{low.split(' ')[0]} to {high}"
    return "".join(f"{sign} {text}" for sign, text in shown_as.items())


def _half_width(found: Decided) -> float:
    low, high = found.interval_95
    return (high - low) / 2.0


def _subtitle(run: Run, plan: Plan, shown: Shown) -> str:
    when = (
        shown.moment(run.start_ns, absolute=run.absolute) if run.absolute else "date not recorded"
    )
    site = f"{plan.site.name}, " if plan.site.name else ""
    return f"{site}{plan.oven.name} · {plan.product.name} · {when}"


def _facts(verdict: Verdict, run: Run, plan: Plan, shown: Shown) -> tuple[tuple[str, str], ...]:
    results = verdict.results
    process = results.load_out.at_s - results.load_in.at_s
    oven = plan.oven
    facts = [
        ("run", run.id),
        ("site", plan.site.name or DASH),
        ("oven", oven.name),
        ("product", plan.product.name),
        (
            "started",
            shown.moment(run.start_ns, absolute=True) if run.absolute else "date not recorded",
        ),
        ("recorded for", clock((run.end_ns - run.start_ns) / 1e9)),
        ("in the oven for", clock(process)),
        ("channels", str(len(results.profile.channels))),
        ("readings", counted(run.samples)),
        ("interval", f"{results.profile.interval_s:g} s"),
        (
            "boiling point there",
            f"{shown.celsius(results.profile.boiling_c, 1).text} {shown.temperature_unit} "
            f"at {results.profile.pressure_kpa:.1f} kPa",
        ),
    ]
    if isinstance(oven, TunnelOven):
        facts.append(("belt speed", f"{oven.belt_speed_m_min:.3g} m/min"))
    missing = int(np.isnan(results.profile.temp_c).sum())
    facts.append(("readings missing or taken out", str(missing)))
    return tuple(facts)


__all__ = ["Occasion", "Section", "asked", "asked_and_found", "headline", "tell"]
