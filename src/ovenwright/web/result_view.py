"""What the page of a result shows, put together: verdict, reasons, pictures, records."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote

import numpy as np
from markupsafe import Markup
from starlette.requests import Request

from ovenwright.domain.run import NS
from ovenwright.domain.verdict import Outcome, RequirementVerdict
from ovenwright.errors import OvenwrightError
from ovenwright.reporting.document import Line, OvenPlan, Points, Table, TimeChart
from ovenwright.reporting.facts import SIGN
from ovenwright.reporting.ink import PAGE
from ovenwright.reporting.margins import margin_strips, margins
from ovenwright.reporting.recalled import Recalled, recall
from ovenwright.reporting.svg_evenness import EvennessMap, draw_evenness, evenness_map, moment_span
from ovenwright.reporting.thinning import thin_extremes
from ovenwright.reporting.words import Shown, basis_words, clock, counted
from ovenwright.storage.run_facts import SealedFacts, ns_from_iso
from ovenwright.web.api.signatures import signed_here
from ovenwright.web.blocks import BlockShown, SectionShown, block_facts, section_facts
from ovenwright.web.finding import Sought
from ovenwright.web.moments import Moment, moment
from ovenwright.web.opened import Opened
from ovenwright.web.plan_choice import plan_choices
from ovenwright.web.site import Site
from ovenwright.workflow.keeping import list_runs
from ovenwright.workflow.results import SMALL, Result, shown_of
from ovenwright.workflow.slicing import slice_run

TONES = {Outcome.PASS: "good", Outcome.FAIL: "poor", Outcome.UNDECIDED: "open"}
ALL_CHANNELS = "All channels over time"
_FIRST_POINTS = 900
_DRAWN_POINTS = 14_000
_SLICE_POINTS = 30_000
"""Points of all channels together in the first picture; closer in there are more."""


def shown_for_run(site: Site, facts: SealedFacts, result: Result | None = None) -> Shown:
    """Return the unit and zone a run is shown in."""
    settings = site.tools.settings
    plan = result.plan if result else None
    return shown_of(plan, facts, show_unit=settings.show_unit, zone=settings.zone)


def result_facts(
    request: Request, sought: Sought, *, site: Site, opened: Opened, at_min: float | None
) -> dict[str, Any]:
    """Return everything the page of a result shows."""
    facts, result = sought.facts, sought.result
    shown = shown_for_run(site, facts, result)
    verdict = _verdict(sought, shown)
    drawn = _drawn(opened, result, inline=facts.samples <= SMALL)
    return {
        "script": "result",
        "first": first_slice(facts),
        "facts": facts,
        "title": result.document.title if result else facts.title or facts.id,
        "subtitle": result.document.subtitle if result else _subtitle(facts, shown),
        "pairs": result.document.facts if result else _pairs(facts, shown),
        "sought": sought,
        "verdict": verdict,
        "differs": _differs(sought),
        "history": drawn.history,
        "history_title": ALL_CHANNELS,
        "oven_plan": drawn.oven_plan,
        "sections": drawn.sections,
        "evenness": _evenness(sought, site, opened, shown, at_min),
        "marks": _marks(facts, shown, result.zero_s if result else 0.0),
        "counted_from": "load-in" if result else "the first reading",
        "judgements": [
            {"kept": j, "when": _when(j.judged, shown)} for j in reversed(sought.judgements)
        ],
        "plan_toml": sought.plan_toml,
        "choices": plan_choices(site, facts),
        "relatives": _relatives(site, facts),
        "proved": _proved(opened, facts, shown),
        "signed": _signed(request, facts, shown),
        "settings_unit": "F" if shown.fahrenheit else "C",
        "zone": shown.time_zone,
        "start_ms": facts.start_ns / 1e6,
    }


# the verdict --------------------------------------------------------------------------------


def _verdict(sought: Sought, shown: Shown) -> dict[str, Any] | None:
    """Return the verdict's words: as found now, else as kept, else none."""
    found: tuple[RequirementVerdict, ...]
    if sought.result is not None:
        result = sought.result
        outcome, found = result.outcome, result.requirements
        table: Table = next(
            b
            for b in result.document.first_page
            if isinstance(b, Table) and b.id == "asked-and-found"
        )
        text = result.document.headline
        looks = tuple(
            i for b in result.document.first_page if isinstance(b, Points) for i in b.items
        )
        cautions = tuple(str(c) for c in result.answer.get("cautions", ()))
    elif sought.shown is not None:
        try:
            kept: Recalled = recall(sought.shown.answer)
        except OvenwrightError:
            return None
        outcome, found = kept.outcome, kept.requirements
        table, text = kept.asked_and_found(shown), kept.headline(shown)
        looks, cautions = kept.next_looks, kept.cautions
    else:
        return None
    rows = margins(found, shown)
    return {
        "outcome": outcome.value,
        "tone": TONES[outcome],
        "sign": SIGN[outcome],
        "text": text,
        "looks": looks,
        "cautions": _cautions(cautions, found),
        "asked": block_facts(table),
        "margins": Markup(margin_strips(rows, PAGE)) if rows else "",  # noqa: S704  # our drawing
        "rows": rows,
    }


def _cautions(own: tuple[str, ...], found: tuple[RequirementVerdict, ...]) -> tuple[str, ...]:
    """Return what must be read before acting, and what the verdict rests on, each once."""
    told = dict.fromkeys((*own, *(c for r in found for c in r.cautions)))
    for basis in dict.fromkeys(basis_words(s) for r in found for s in r.rests_on):
        name = basis.split(", ", 1)[0].removeprefix("kinetics of ").strip().lower()
        if not any(name in text.lower() for text in told):
            told[f"Rests on {basis}."] = None
    return tuple(told)


def _differs(sought: Sought) -> str:
    """Return what to say where this software finds another verdict than the one kept."""
    if sought.result is None or sought.shown is None:
        return ""
    now, then = sought.result.outcome.value, sought.shown.outcome
    if now == then:
        return ""
    return (
        f"This judgement was kept as “{then}” by {sought.shown.software}; this software finds "
        f"“{now}” under the same plan. The record stays as it is; judge again to keep the new one."
    )


# pictures -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Drawn:
    """The pictures and parts of a result, drawn once however often it is looked at."""

    history: BlockShown | None = None
    oven_plan: BlockShown | None = None
    sections: tuple[SectionShown, ...] = ()


def first_slice(facts: SealedFacts) -> str:
    """Return the address of a run's first picture, which its page fetches before its script runs."""
    points = min(max(_SLICE_POINTS // max(len(facts.channels), 1), 250), 1200)
    return f"/api/runs/{quote(facts.id, safe='')}/series?points={points}&form=binary"


def judged_history(opened: Opened, result: Result) -> TimeChart:
    """Return the picture of a judged run, light enough to be sent as a drawing."""
    key = ("history", result.digest, result.plan_toml, result.document.unit)
    light: TimeChart = opened.drawn.find(key, lambda: _lighter(result.chart("history")))
    return light


def _drawn(opened: Opened, result: Result | None, *, inline: bool) -> _Drawn:
    """Return a result's pictures; that of a large run's readings is an image of its own."""
    if result is None:
        return _Drawn()

    def draw() -> _Drawn:
        document = result.document
        history = judged_history(opened, result)
        plan = next((b for b in document.first_page if isinstance(b, OvenPlan)), None)
        return _Drawn(
            block_facts(history) if inline else BlockShown("timechart", history, Markup("")),
            block_facts(plan) if plan is not None else None,
            tuple(section_facts(s) for s in document.sections),
        )

    key = (result.digest, result.plan_toml, result.document.unit, result.document.subtitle)
    drawn: _Drawn = opened.drawn.find(key, draw)
    return drawn


def bare_history(
    site: Site, opened: Opened, facts: SealedFacts, shown: Shown, *, points: int = _DRAWN_POINTS
) -> TimeChart:
    """Return a picture of a run's readings as they are, without limits or crossings.

    Raises
    ------
    StorageTrouble : if the run can't be read
    """
    found = slice_run(
        site.tools.logbook,
        facts.id,
        opened.runs,
        points=max(120, min(_FIRST_POINTS, points // len(facts.channels))),
    )
    scale, offset = (1.8, 32.0) if shown.fahrenheit else (1.0, 0.0)
    return TimeChart(
        id="history",
        title=ALL_CHANNELS,
        alt=f"Readings of {len(found.channels)} channels over {clock(facts.duration_s)}.",
        x_label="minutes since the first reading",
        y_label=f"temperature, {shown.temperature_unit}",
        lines=tuple(
            Line(c.name, "", i, c.time_s / 60.0, c.value_c * scale + offset)
            for i, c in enumerate(found.channels)
        ),
    )


def _lighter(chart: TimeChart) -> TimeChart:
    """Return a chart of many channels with fewer points, so that its page stays quick to fetch.

    It is what is read without scripts and printed; the script draws from the readings themselves.
    """
    points = max(120, _DRAWN_POINTS // max(len(chart.lines), 1))
    lines = []
    for line in chart.lines:
        thin = thin_extremes(line.x, line.y, points, gap=math.inf)
        lines.append(line if thin.whole else replace(line, x=thin.x, y=thin.y))
    return replace(chart, lines=tuple(lines))


def _evenness(
    sought: Sought, site: Site, opened: Opened, shown: Shown, at_min: float | None
) -> dict[str, Any] | None:
    """Return the map of temperatures by place at one moment, with its scale."""
    result = sought.result
    if result is None:
        return None
    found: EvennessMap | None = evenness_map(result.plan)
    if found is None:
        return None
    known = {c.name for c in sought.facts.channels}
    names = [n for n in found.channels if n in known]
    if len(names) < 2:
        return None
    facts, parts, _ = opened.runs.parts(site.tools.logbook.path_of(sought.facts.id), names)
    zero = result.zero_s
    load_out = float(result.answer["load_out"]["at_s"])
    at_s = (load_out + zero) / 2 if at_min is None else at_min * 60.0 + zero
    at_s = min(max(at_s, 0.0), facts.duration_s)
    values: dict[str, float] = {}
    low, high = math.inf, -math.inf
    for name, one in parts.items():
        there = np.isfinite(one.value_c)
        if not there.any():
            continue
        low = min(low, float(np.nanmin(one.value_c)))
        high = max(high, float(np.nanmax(one.value_c)))
        i = int(np.searchsorted(one.time_ns, facts.start_ns + round(at_s * NS)))
        values[name] = float(one.value_c[min(i, one.value_c.size - 1)])
    if not values:
        return None
    drawn = draw_evenness(found, values, moment_span(values.values()), shown, PAGE)
    return {
        "picture": Markup(drawn),  # noqa: S704  # our own drawing, its words escaped there
        "note": found.note,
        "channels": names,
        "from_min": round(-zero / 60.0, 3),
        "to_min": round((facts.duration_s - zero) / 60.0, 3),
        "at_min": round((at_s - zero) / 60.0, 2),
        "at_words": clock(at_s - zero),
        "low_c": low,
        "high_c": high,
        "zero_s": zero,
    }


# records ------------------------------------------------------------------------------------


def _subtitle(facts: SealedFacts, shown: Shown) -> str:
    if not facts.absolute:
        return "date not recorded"
    return shown.moment(facts.start_ns, absolute=True)


def _pairs(facts: SealedFacts, shown: Shown) -> tuple[tuple[str, str], ...]:
    return (
        ("run", facts.id),
        ("started", _subtitle(facts, shown)),
        ("recorded for", clock(facts.duration_s)),
        ("channels", str(len(facts.channels))),
        ("readings", counted(facts.samples)),
    )


def _when(iso: str, shown: Shown) -> Moment:
    try:
        return moment(ns_from_iso(iso), shown.time_zone)
    except ValueError:
        return Moment(iso, iso)


def _marks(facts: SealedFacts, shown: Shown, zero_s: float) -> list[dict[str, str]]:
    rows = []
    for m in sorted(facts.marks, key=lambda m: m.time_ns):
        elapsed = (m.time_ns - facts.start_ns) / NS - zero_s
        until = "" if m.until_ns is None else clock((m.until_ns - facts.start_ns) / NS - zero_s)
        rows.append(
            {
                "at": clock(elapsed),
                "until": until,
                "when": shown.moment(m.time_ns, absolute=True) if facts.absolute else "",
                "kind": m.kind.value.replace("-", " "),
                "text": m.text,
                "channel": m.channel or "",
                "by": m.by,
            }
        )
    return rows


def _relatives(site: Site, facts: SealedFacts) -> dict[str, Any]:
    """Return the run this one restates, and those that restate it."""
    try:
        runs = list_runs(site.tools.logbook, site.tools.catalogue).runs
    except OvenwrightError:
        return {"parent": None, "children": []}
    parent = next(
        (r for r in runs if facts.parent_digest and r.digest == facts.parent_digest), None
    )
    children = [r for r in runs if facts.digest and r.parent_digest == facts.digest]
    return {"parent": parent, "children": children}


def _proved(opened: Opened, facts: SealedFacts, shown: Shown) -> Moment | None:
    at = opened.results.proved_ns(facts.digest)
    return moment(at, shown.time_zone) if at else None


def _signed(request: Request, facts: SealedFacts, shown: Shown) -> list[tuple[Any, Moment]]:
    """Return the signatures under this run; a record of people that can't be read hides nothing."""
    try:
        signed = signed_here(request, facts.id)
    except OvenwrightError:
        return []
    return [(s, moment(s.signature.at_ns, shown.time_zone)) for s in signed]
