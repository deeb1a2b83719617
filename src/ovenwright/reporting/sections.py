"""The parts of the report behind the first page, one function each."""

from __future__ import annotations

import math
from dataclasses import replace

from ovenwright.domain.plan import Plan
from ovenwright.domain.profile import Severity
from ovenwright.domain.results import Unit
from ovenwright.domain.run import Run
from ovenwright.domain.verdict import Outcome, RequirementVerdict, Verdict
from ovenwright.reporting import charts
from ovenwright.reporting.document import (
    Block,
    Callout,
    Cell,
    Column,
    Paragraph,
    Points,
    Section,
    Table,
    Tone,
)
from ovenwright.reporting.words import DASH, Shown, clock, minutes_cell, plain, probability

_TONE = {Outcome.PASS: Tone.GOOD, Outcome.FAIL: Tone.POOR, Outcome.UNDECIDED: Tone.OPEN}
_SEVERITY = {Severity.BAD: Tone.POOR, Severity.DOUBT: Tone.OPEN, Severity.REMARK: Tone.QUIET}


def limit_decimals(value: float) -> int:
    """Return how many decimals a limit needs to be shown as it was written, three at most."""
    for decimals in range(4):
        if math.isclose(round(value, decimals), value, rel_tol=0, abs_tol=1e-9):
            return decimals
    return 3


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
                    Cell(d.reason),
                )
            )
        rests = f" Rests on: {'; '.join(item.rests_on)}." if item.rests_on else ""
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
                note=f"{item.reason} {_rule(item)}{rests}{source}".strip(),
                empty="no channel of the run answers this",
            )
        )
        if item.notes:
            blocks.append(Paragraph(" ".join(item.notes)))
        if item.cautions:
            blocks.append(Callout(Tone.OPEN, "Caution", " ".join(item.cautions)))
    return Section("requirements", "Requirements", tuple(blocks))


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
    degree = "°F" if shown.fahrenheit else "K"
    table = Table(
        id="crossings",
        title="When each channel passed each temperature",
        columns=(
            Column("channel", width=1.4),
            Column("crossing", width=1.5),
            Column(shown.temperature_unit, number=True),
            Column("m:ss", number=True),
            Column("min", number=True),
            Column("std. unc.", number=True),
            Column("of process", number=True),
            Column(f"{degree}/min", number=True),
            Column("remark", width=2.4),
        ),
        rows=tuple(rows),
        note="Times count from load-in. The rate is that of the channel as it passes.",
    )
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


def zones(verdict: Verdict, shown: Shown) -> Section | None:
    """Return zone-by-zone statistics and the balance of the lanes."""
    results = verdict.results
    if not results.zones:
        return None
    rows = tuple(
        (
            Cell(z.zone),
            Cell(z.channel),
            Cell(clock(z.from_s - results.load_in.at_s)),
            Cell(clock(z.to_s - results.load_in.at_s)),
            shown.celsius(z.mean_c),
            shown.celsius(z.minimum_c),
            shown.celsius(z.maximum_c),
            shown.celsius(z.end_c),
            shown.kelvin(z.rise_k, 1),
            shown.celsius(z.setpoint_c if z.setpoint_c is not None else math.nan),
        )
        for z in results.zones
    )
    blocks: list[Block] = [
        Table(
            id="zones",
            title="Zone by zone, in belt position",
            columns=(
                Column("zone"),
                Column("channel", width=1.5),
                Column("from", number=True),
                Column("to", number=True),
                Column("mean", number=True),
                Column("lowest", number=True),
                Column("highest", number=True),
                Column("at its end", number=True),
                Column("rise", number=True),
                Column("setpoint", number=True),
            ),
            rows=rows,
            note=f"Temperatures in {shown.temperature_unit}; times in m:ss since load-in. "
            "A setpoint is what the control sensor is held at, not what the product meets.",
        )
    ]
    bars = charts.lanes(results, shown)
    if bars is not None:
        blocks.append(bars)
        blocks.append(
            Table(
                id="balance",
                title="Lanes compared at the same place",
                columns=(
                    Column("zone"),
                    Column("role"),
                    Column("spread", number=True),
                    Column("hottest"),
                    Column("coldest"),
                    Column("each about the mean", width=3.0),
                ),
                rows=tuple(
                    (
                        Cell(b.zone),
                        Cell(b.role),
                        shown.kelvin(b.spread_k, 1),
                        Cell(b.hottest),
                        Cell(b.coldest),
                        Cell(
                            ", ".join(
                                f"{lane} {'+' if d > 0 else ''}{plain(shown.difference(d), 1)}"
                                for lane, d in b.difference_k.items()
                            )
                        ),
                    )
                    for b in results.balance
                ),
                note="Within about 5 K for air near the band is a usual aim "
                "(common practice, no source).",
            )
        )
    return Section("zones", "Zones and balance", tuple(blocks))


def evenness(verdict: Verdict, shown: Shown) -> Section | None:
    """Return the uniformity of a chamber and the cycling of its control."""
    results = verdict.results
    blocks: list[Block] = []
    u = results.uniformity
    if u is not None:
        zero = results.profile.time_s[0]
        pairs = (
            ("evaluated from", Cell(clock(u.from_s - zero))),
            ("to", Cell(clock(u.to_s - zero))),
            ("mean over channels and time", shown.celsius(u.mean_c, 2)),
            ("setpoint", shown.celsius(u.setpoint_c if u.setpoint_c is not None else math.nan, 1)),
            ("spread of the channels' means", shown.kelvin(u.spread_k)),
            ("gradient: greatest difference at one instant", shown.kelvin(u.gradient_k)),
            ("fluctuation: greatest range at one place", shown.kelvin(u.fluctuation_k)),
            (
                f"worst deviation from setpoint ({u.worst_channel})",
                shown.kelvin(u.worst_deviation_k),
            ),
            ("stabilised after", Cell(clock(u.stabilised_s))),
            ("soak inside the tolerance", Cell(clock(u.soak_s))),
            ("overshoot", shown.kelvin(u.overshoot_k)),
            ("recovery after the door", Cell(clock(u.recovery_s))),
        )
        blocks.append(
            Table(
                id="uniformity",
                title="Uniformity of the working space",
                columns=(Column("quantity", width=3.0), Column("found", number=True)),
                rows=tuple((Cell(name), cell) for name, cell in pairs),
                note=" ".join(
                    (
                        f"Temperatures in {shown.temperature_unit}, differences in "
                        f"{'°F' if shown.fahrenheit else 'K'}, times in m:ss.",
                        *u.notes,
                    )
                ),
            )
        )
        blocks.append(
            Table(
                id="uniformity-places",
                title="Each place",
                columns=(
                    Column("channel", width=2.0),
                    Column("mean", number=True),
                    Column("fluctuation", number=True),
                    Column("from setpoint", number=True),
                ),
                rows=tuple(
                    (Cell(n), shown.celsius(m, 2), shown.kelvin(f), shown.kelvin(d))
                    for n, m, f, d in u.per_channel
                ),
            )
        )
    if results.cycling:
        blocks.append(
            Table(
                id="cycling",
                title="On-off cycling",
                columns=(
                    Column("channel", width=2.0),
                    Column("period", number=True),
                    Column("peak to peak", number=True),
                    Column("cycles seen", number=True),
                ),
                rows=tuple(
                    (
                        Cell(c.channel),
                        Cell(clock(c.period_s)),
                        shown.kelvin(2 * c.amplitude_k, 1),
                        Cell(str(c.cycles), float(c.cycles), 0),
                    )
                    for c in results.cycling
                ),
            )
        )
    return Section("evenness", "Evenness and control", tuple(blocks)) if blocks else None


def surroundings(verdict: Verdict, shown: Shown) -> Section | None:
    """Return what the reference body felt."""
    found = verdict.results.surroundings
    if not found:
        return None
    rows = tuple(
        (
            Cell(s.channel),
            Cell(s.zone or "whole oven"),
            Cell(plain(s.coefficient_w_m2_k, 1), s.coefficient_w_m2_k, 1),
            Cell(plain(s.standard_w_m2_k, 1), s.standard_w_m2_k, 1),
            Cell(plain(s.flux_w_m2, 0), s.flux_w_m2, 0),
            Cell(plain(s.biot, 4), s.biot, 4),
            Cell("yes" if s.valid else "no", tone=Tone.GOOD if s.valid else Tone.OPEN),
            Cell(s.reason),
        )
        for s in found
    )
    del shown
    table = Table(
        id="surroundings",
        title="Surface coefficient and heat flux that the reference body felt",
        columns=(
            Column("body", width=1.4),
            Column("zone"),
            Column("h, W/(m²·K)", number=True, width=1.2),
            Column("std. unc.", number=True),
            Column("flux, W/m²", number=True, width=1.1),
            Column("Bi", number=True),
            Column("lumped?"),
            Column("remark", width=2.4),
        ),
        rows=rows,
        note="Lumped body; valid while Bi = h(V/A)/k is below 0.1. "
        "The coefficient holds convection and radiation together, about the air channel's reading.",
    )
    return Section("surroundings", "What the oven gave", (table,))


def health(verdict: Verdict, shown: Shown) -> Section:
    """Return the flagged stretches of every channel."""
    del shown
    spans = sorted(
        verdict.results.profile.spans,
        key=lambda s: (list(Severity).index(s.severity) * -1, s.from_s),
    )
    rows = tuple(
        (
            Cell(s.channel),
            Cell(s.check.replace("-", " ")),
            Cell(s.severity.value, tone=_SEVERITY[s.severity]),
            Cell(clock(s.from_s)),
            Cell(clock(s.to_s)),
            Cell(s.reason),
            Cell(s.remedy),
        )
        for s in spans
    )
    table = Table(
        id="health",
        title="Channel health",
        columns=(
            Column("channel", width=1.2),
            Column("finding", width=1.2),
            Column("weight"),
            Column("from", number=True),
            Column("to", number=True),
            Column("why", width=3.0),
            Column("what to do", width=2.4),
        ),
        rows=rows,
        note="Times in m:ss since the first reading. Bad stretches are taken out of every measure; "
        "the raw readings stay as they were.",
        empty="No check found anything on any channel.",
    )
    return Section("health", "Channel health", (table,))


def budget(verdict: Verdict, shown: Shown) -> Section | None:
    """Return the uncertainty budget of each channel."""
    if not verdict.budgets:
        return None
    degree = "°F" if shown.fahrenheit else "K"
    blocks: list[Block] = []
    for b in verdict.budgets:
        rows = tuple(
            (
                Cell(ln.source),
                Cell(ln.shared_by),
                Cell(ln.distribution),
                shown.kelvin(ln.half_width_k, 3),
                Cell(plain(ln.divisor, 2), ln.divisor, 2),
                shown.kelvin(ln.standard_k, 3),
                Cell("∞" if math.isinf(ln.degrees_of_freedom) else plain(ln.degrees_of_freedom, 0)),
                Cell("one-sided bound" if ln.one_sided else ln.note),
            )
            for ln in b.lines
        )
        dof = "∞" if math.isinf(b.effective_dof) else plain(b.effective_dof, 0)
        blocks.append(
            Table(
                id=f"budget-{b.channel}",
                title=f"{b.channel} at {_temp(b.at_c, shown)}",
                columns=(
                    Column("source", width=2.0),
                    Column("shared by", width=1.2),
                    Column("distribution", width=1.2),
                    Column(f"half-width, {degree}", number=True, width=1.2),
                    Column("divisor", number=True),
                    Column(f"std. unc., {degree}", number=True, width=1.2),
                    Column("dof", number=True, width=0.6),
                    Column("note", width=2.4),
                ),
                rows=rows,
                note=f"Combined {plain(shown.difference(b.combined_k), 3)} {degree}, effective degrees of "
                f"freedom {dof}, k = {plain(b.coverage_factor, 2)}, U = "
                f"{plain(shown.difference(b.expanded_k), 2)} {degree} (95 %).",
            )
        )
    return Section("budget", "Uncertainty budget", tuple(blocks))


def method(verdict: Verdict, run: Run, plan: Plan) -> Section:
    """Return how the numbers came about, with sources and versions."""
    profile = verdict.results.profile
    steps = tuple(
        f"{s.name} ({s.version})"
        + (f": {', '.join(f'{k} {v}' for k, v in s.settings)}" if s.settings else "")
        + (f". {s.note}" if s.note else "")
        for s in profile.steps
    )
    found = verdict.results
    events = (
        f"Load-in at {clock(found.load_in.at_s)} ({found.load_in.found.value}): {found.load_in.reason}",
        f"Load-out at {clock(found.load_out.at_s)} ({found.load_out.found.value}): "
        f"{found.load_out.reason}",
    )
    sources = dict.fromkeys(
        [
            *plan.sources,
            *(s for r in verdict.requirements for s in r.rests_on),
            *(s for m in found.measures for s in m.sources),
        ]
    )
    general = (
        "Thermocouple reference functions: NIST Monograph 175 (ITS-90), IEC 60584-1.",
        "Uncertainty: JCGM 100 and JCGM 101; decisions: JCGM 106.",
    )
    blocks: list[Block] = [
        Points("What was done to the readings", steps or ("Nothing but alignment.",)),
        Points("How the process was found", events),
        Paragraph(
            f"Monte Carlo with {plan.decision.draws} draws, seed {plan.decision.seed}: errors common to a "
            "channel, to a module and to single readings are drawn apart."
        ),
        Points("Sources", (*general, *sources)),
    ]
    notes = (*run.notes, *profile.notes, *found.notes)
    if notes:
        blocks.append(Points("Notes", tuple(dict.fromkeys(notes))))
    return Section("method", "Method and sources", tuple(blocks))


def cautions(verdict: Verdict, plan: Plan) -> Section:
    """Return the cautions that go with this result."""
    own = tuple(dict.fromkeys((*verdict.cautions, *plan.cautions)))
    house = (
        "Ovens, tins and probes are hot and belts have nip points: route leads away from chains and "
        "rollers, keep a person at the stop button, and follow local codes and licensed practice.",
        "This report judges temperatures at the places measured. It does not replace the validation "
        "of a process by a qualified person.",
    )
    return Section("cautions", "Cautions", (Points("Read before acting", (*own, *house)),))


def origin(run: Run, shown: Shown) -> Section:
    """Return where the readings came from and the digest that seals them."""
    rows = [
        (Cell("run"), Cell(run.id)),
        (Cell("digest (SHA-256)"), Cell(run.digest)),
        (
            Cell("sealed"),
            Cell(shown.moment(run.sealed_ns, absolute=True) if run.sealed_ns else DASH),
        ),
        (Cell("sealed by"), Cell(run.software or DASH)),
        (
            Cell("instrument"),
            Cell(
                " ".join(
                    p
                    for p in (run.instrument.name, run.instrument.serial, run.instrument.firmware)
                    if p
                )
                or DASH
            ),
        ),
    ]
    rows += [
        (Cell("file"), Cell(f"{name} ({digest[:16]})"))
        for name, digest in zip(run.instrument.origin, run.instrument.origin_sha256, strict=False)
    ]
    if run.parent_digest:
        rows.append((Cell("restates"), Cell(run.parent_digest)))
    if run.set_aside:
        rows.append((Cell("columns set aside"), Cell(", ".join(run.set_aside))))
    table = Table(
        id="origin",
        title="Where the readings came from",
        columns=(Column("what"), Column("value", width=4.0)),
        rows=tuple(rows),
        note="Prove that the run was not altered: ovenwright verify " + run.id,
    )
    return Section("origin", "Origin and digest", (table,))


def _temp(value_c: float, shown: Shown) -> str:
    return f"{shown.celsius(value_c).text} {shown.temperature_unit}"


def _diff(value_k: float, shown: Shown) -> str:
    return f"{plain(shown.difference(value_k), 2)} {'°F' if shown.fahrenheit else 'K'}"
