"""The parts of the report about the product: what was asked, crossings, lethality."""

from __future__ import annotations

import math
from dataclasses import replace

from ovenwright.domain.results import Unit
from ovenwright.domain.verdict import Outcome, RequirementVerdict, Verdict
from ovenwright.reporting import charts
from ovenwright.reporting.document import (
    Block,
    Callout,
    Cell,
    Column,
    Paragraph,
    Section,
    Table,
    Tone,
)
from ovenwright.reporting.words import (
    DASH,
    Shown,
    basis_words,
    clock,
    minutes_cell,
    plain,
    probability,
    sentence,
)

_TONE = {Outcome.PASS: Tone.GOOD, Outcome.FAIL: Tone.POOR, Outcome.UNDECIDED: Tone.OPEN}


def requirements(verdict: Verdict, shown: Shown) -> Section | None:
    """Return every requirement on every channel it is on, with its uncertainty."""
    if not verdict.requirements:
        return None
    blocks: list[Block] = []
    for i, item in enumerate(verdict.requirements):
        rows = []
        for d in item.channels:
            decimals = shown.decimals(d.standard_uncertainty, d.unit)
            low, high = d.interval_95
            rows.append(
                (
                    Cell(d.channel or "whole oven"),
                    shown.measure(d.value, d.unit, decimals),
                    shown.uncertainty(d.standard_uncertainty, d.unit, decimals),
                    shown.measure(low, d.unit, decimals, sign=False),
                    shown.measure(high, d.unit, decimals, sign=False),
                    Cell(probability(d.probability)),
                    Cell(d.outcome.value, tone=_TONE[d.outcome]),
                    # why it passes is the probability beside it
                    Cell("" if d.outcome is Outcome.PASS else d.reason),
                )
            )
        rests = f" Rests on: {'; '.join(map(basis_words, item.rests_on))}." if item.rests_on else ""
        source = (
            f" Source of the limit: {item.requirement.source}." if item.requirement.source else ""
        )
        blocks.append(
            Table(
                id=f"requirement-{i + 1}",
                title=f"{item.requirement.name} ({item.requirement.measure.replace('_', ' ')}): "
                f"{item.outcome.value}",
                columns=(
                    Column("channel", width=1.3),
                    Column("found", number=True, width=1.2),
                    Column("std. unc.", number=True),
                    Column("95 % from", number=True),
                    Column("to", number=True),
                    Column("probability", number=True, width=1.1),
                    Column("verdict", width=1.1),
                    Column("reason", width=3.0),
                ),
                rows=tuple(rows),
                note=f"{_told_once(item)}{_rule(item)}{rests}{source}",
                empty="no channel of the run answers this",
            ).filled()
        )
        if item.notes:
            blocks.append(Paragraph(" ".join(item.notes)))
        if item.cautions:
            blocks.append(Callout(Tone.OPEN, "Caution", " ".join(item.cautions)))
    return Section("requirements", "Requirements", tuple(blocks))


def _told_once(item: RequirementVerdict) -> str:
    """Return the reason as a sentence, unless a row of the table says it already."""
    if any(d.reason and item.reason.endswith(d.reason) for d in item.channels):
        return ""
    return f"{sentence(item.reason)} " if item.reason else ""


def _rule(item: RequirementVerdict) -> str:
    guard = item.decision.guard_factor
    taken = {
        "worst": "the worst channel decides",
        "best": "the best channel decides",
        "mean": "the mean decides",
        "each": "every channel is decided for itself",
    }
    text = (
        f"Decision rule: pass at a probability of {100 * item.decision.confidence:g} % or more, "
        f"{taken[item.combine.value]}"
    )
    return text + (f", guard band {guard:g} × U." if guard else ", no guard band.")


def crossings(verdict: Verdict, shown: Shown) -> Section | None:
    """Return the moments at which channels pass temperatures."""
    found = verdict.results.crossings
    if not found:
        return None
    rows = []
    for c in found:
        decimals = shown.decimals(c.standard_s, Unit.SECOND)
        rows.append(
            (
                Cell(c.channel),
                Cell(c.name),
                shown.celsius(c.level_c),
                Cell(clock(c.since_load_s)),
                minutes_cell(c.since_load_s, decimals),
                minutes_cell(c.standard_s, decimals + 1),
                Cell(
                    f"{plain(100 * c.share_of_process, 1)} %"
                    if math.isfinite(c.share_of_process)
                    else DASH
                ),
                shown.kelvin(c.rate_k_min, 1),
                Cell(c.reason),
            )
        )
    degree = shown.degree
    table = Table(
        id="crossings",
        title="When each channel passed each temperature",
        columns=(
            Column("channel", width=1.4),
            Column("crossing", width=1.5),
            Column(shown.temperature_unit, number=True),
            Column("m:ss", number=True),
            Column("min", number=True),
            Column("std. unc., min", number=True),
            Column("of process", number=True),
            Column(f"{degree}/min", number=True),
            Column("remark", width=2.4),
        ),
        rows=tuple(rows),
        note="Times count from load-in. The rate is that of the channel as it passes.",
    ).filled()
    return Section("crossings", "Crossings", (table,))


def build_ups(verdict: Verdict, shown: Shown) -> Section | None:
    """Return how lethality or a reaction's extent builds up over time."""
    curves = verdict.results.build_up
    if not curves:
        return None
    names = verdict.results.profile.names
    zero = verdict.results.load_in.at_s
    blocks: list[Block] = []
    groups: dict[tuple[str, float, float], list[int]] = {}
    for i, curve in enumerate(curves):
        groups.setdefault((curve.measure, curve.reference_c, curve.z_k), []).append(i)
    for n, members in enumerate(groups.values()):
        chosen = tuple(curves[i] for i in members)
        first = chosen[0]
        blocks.append(replace(charts.build_up(chosen, names, zero), id=f"build-up-{n + 1}"))
        about = (
            f"Reference {_temp(first.reference_c, shown)}, z {_diff(first.z_k, shown)}."
            if math.isfinite(first.z_k)
            else ""
        )
        blocks.append(
            Paragraph(
                f"{about} Between readings the temperature is taken as a straight line and the rate "
                "is integrated exactly; a trapezoid on the rate would read too high on coarse data."
            )
        )
    return Section("build-up", "Lethality and extent over time", tuple(blocks))


def _temp(value_c: float, shown: Shown) -> str:
    return f"{shown.celsius(value_c).text} {shown.temperature_unit}"


def _diff(value_k: float, shown: Shown) -> str:
    return f"{plain(shown.difference(value_k), 2)} {shown.degree}"
