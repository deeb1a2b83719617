"""The parts of the report that say what it rests on: sensors, uncertainty, method, cautions, origin."""

from __future__ import annotations

import math

from ovenwright.domain.plan import Plan
from ovenwright.domain.profile import Severity, Step
from ovenwright.domain.run import Run
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.document import (
    Block,
    Cell,
    Column,
    Paragraph,
    Points,
    Section,
    Table,
    Tone,
)
from ovenwright.reporting.words import DASH, Shown, basis_words, clock, counted, plain

_SEVERITY = {Severity.BAD: Tone.POOR, Severity.DOUBT: Tone.OPEN, Severity.REMARK: Tone.QUIET}


def health(verdict: Verdict, shown: Shown) -> Section:
    """Return the flagged stretches of every channel."""
    del shown
    zero = verdict.results.load_in.at_s
    spans = sorted(
        verdict.results.profile.spans,
        key=lambda s: (list(Severity).index(s.severity) * -1, s.from_s),
    )
    rows = tuple(
        (
            Cell(s.channel),
            Cell(s.check.replace("-", " ")),
            Cell(s.severity.value, tone=_SEVERITY[s.severity]),
            Cell(clock(s.from_s - zero)),
            Cell(clock(s.to_s - zero)),
            Cell(s.reason),
            Cell(s.remedy),
        )
        for s in spans
    )
    table = Table(
        id="health",
        title="What the checks found",
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
        note="Times in m:ss since load-in, as everywhere in this report; the first reading came at "
        f"{clock(-zero)}. Bad stretches are taken out of every measure; the raw readings stay as "
        "they were.",
        empty="No check found anything on any channel.",
    )
    return Section("health", "Channel health", (table,))


def budget(verdict: Verdict, shown: Shown) -> Section | None:
    """Return the uncertainty budget of each channel."""
    if not verdict.budgets:
        return None
    degree = shown.degree
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
                title=f"{b.channel} at {shown.celsius(b.at_c).text} {shown.temperature_unit}",
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
        ": ".join(p for p in (f"{s.name} ({s.version})", _details(s)) if p) for s in profile.steps
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
            *(basis_words(s) for r in verdict.requirements for s in r.rests_on),
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
            f"Monte Carlo with {counted(plan.decision.draws)} draws, seed {plan.decision.seed}: errors common to a "
            "channel, to a module and to single readings are drawn apart."
        ),
        Points("Sources", (*general, *sources)),
    ]
    notes = (*run.notes, *profile.notes, *found.notes)
    if notes:
        blocks.append(Points("Notes", tuple(dict.fromkeys(notes))))
    return Section("method", "Method and sources", tuple(blocks))


def _details(step: Step) -> str:
    settings = ", ".join(f"{name} {value}" for name, value in step.settings)
    return "; ".join(p for p in (settings, step.note) if p)


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
