"""The demo: a bake and a survey in the virtual oven, brought in, judged, reported and told."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import TunnelOven
from ovenwright.domain.run import MarkKind, Run
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.facts import SIGN, headline
from ovenwright.reporting.words import Shown, clock, plain
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.readings import Choices
from ovenwright.virtual import scenarios
from ovenwright.virtual.recording import Recording
from ovenwright.virtual.running import record
from ovenwright.virtual.writing import TextStyle, as_bytes, style
from ovenwright.workflow.bringing_in import Noted, bring_in
from ovenwright.workflow.judging import Judged, judge_run
from ovenwright.workflow.plan_keeping import From, shelf_of, start_plan
from ovenwright.workflow.restating import restate_run
from ovenwright.workflow.telling import shown_for, write_reports, write_whole


@dataclass(frozen=True, slots=True)
class Told:
    """What the demo leaves behind."""

    bake: Judged
    restated: Judged
    survey: Judged
    reports: tuple[Path, ...]
    story: str
    story_file: Path
    found: tuple[str, ...]


def run_demo(
    logbook: Logbook,
    library: ReferenceLibrary,
    *,
    seed: int = 1,
    show_unit: str = "C",
    tell: Callable[[str], None] = lambda _: None,
) -> Told:
    """Run the Ostrel scenario end to end and return what was found.

    ``tell`` is called with a line of words before each long step.
    """
    tell("baking rye tin loaves in the virtual oven")
    loaf = record(scenarios.ostrel_tin_bread(), seed=seed)
    tell("bringing in the readings as a plant's file would hold them")
    loaf_run = _bring(logbook, library, loaf, "ostrel-tin-bread", style("semicolon plant"))
    tell("judging the bake")
    bake = judge_run(logbook, library, loaf_run.id)
    wrong = _wrong_type(bake.verdict)
    tell("restating the probe of the wrong type and judging again")
    restated = bake
    if wrong is not None:
        again = restate_run(logbook, loaf_run.id, channels=[wrong], recorded_as="T", actual="K")
        restated = judge_run(logbook, library, again.run.id)
    tell("surveying the batch oven of the coatings room")
    survey_recording = record(scenarios.ostrel_coatings_survey(), seed=seed)
    survey_run = _bring(
        logbook,
        library,
        survey_recording,
        "ostrel-coatings-survey",
        replace(style("comma iso"), units="header"),
    )
    survey = judge_run(logbook, library, survey_run.id)
    tell("writing the reports")
    reports: list[Path] = []
    for judged in (bake, restated, survey):
        shown = shown_for(judged, show_unit=show_unit, zone="")
        reports += write_reports(judged, logbook.make_reports_dir(), shown=shown)
    shown = shown_for(bake, show_unit=show_unit, zone="")
    found = findings(bake, shown)
    story = _story((bake, restated, survey), found, shown, folder=logbook.folder)
    story_file = logbook.reports_dir / "story.md"
    write_whole(story_file, story.encode("utf-8"))
    return Told(bake, restated, survey, tuple(reports), story, story_file, found)


def demo_plan(name: str) -> str:
    """Return the text of a plan of the demo."""
    place = files("ovenwright") / "data" / "demo" / f"{name}.toml"
    return place.read_text(encoding="utf-8")


def _bring(
    logbook: Logbook,
    library: ReferenceLibrary,
    recording: Recording,
    name: str,
    how: TextStyle,
) -> Run:
    """Bring a recording in through the same door as any plant's file."""
    folder = logbook.folder / "demo"
    table = folder / f"{name}.csv"
    plan = folder / f"{name}.toml"
    write_whole(table, as_bytes(recording, how))
    write_whole(plan, demo_plan(name).encode("utf-8"))
    doors = getattr(recording.scenario.oven, "doors", ())
    noted = tuple(
        Noted(MarkKind.DOOR, door.at_s, "door opened", until_s=door.at_s + door.for_s)
        for door in doors
    )
    run = bring_in([table], Choices(), logbook=logbook, plan_file=plan, noted=noted).run
    _keep_plan(logbook, library, name)
    return run


def _keep_plan(logbook: Logbook, library: ReferenceLibrary, name: str) -> None:
    """Keep a plan of the demo on the shelf as judged; a second demo adds no second copy."""
    text, shelf = demo_plan(name), shelf_of(logbook)
    if any(text == shelf.text(one, v.number) for one in shelf.ids() for v in shelf.versions(one)):
        return
    start_plan(
        logbook,
        library,
        From.TEXT,
        name=f"{name}.toml",
        text=text,
        who="the demo",
        why="so that there is a plan to look at, change and start from",
    )


def _wrong_type(verdict: Verdict) -> str | None:
    """Return the channel that health suspects of the wrong thermocouple type."""
    return next((s.channel for s in verdict.results.profile.spans if s.check == "wrong-type"), None)


def findings(bake: Judged, shown: Shown) -> tuple[str, ...]:
    """Return what the tool itself found wrong, in words; nothing here knows what was planted."""
    results = bake.verdict.results
    found = []
    degree = "°F" if shown.fahrenheit else "K"
    for span in results.profile.spans:
        if span.check == "wrong-type":
            found.append(f"{span.channel}: {span.reason}")
        elif span.check == "gap" and span.to_s - span.from_s > 5 * results.profile.interval_s:
            found.append(
                f"{span.channel} fell silent for {span.to_s - span.from_s:.0f} s, "
                f"from {clock(span.from_s - results.load_in.at_s)} after load-in"
            )
    air = [b for b in results.balance if b.role == "air"]
    if air and isinstance(bake.plan.oven, TunnelOven):
        worst = max(air, key=lambda b: b.spread_k)
        others = [b.spread_k for b in air if b.zone != worst.zone]
        if worst.spread_k > 5.0 and worst.spread_k > 1.5 * max(others, default=0.0):
            found.append(
                f"{worst.zone}: air on the {worst.coldest} is "
                f"{plain(shown.difference(worst.spread_k), 1)} {degree} colder than on the "
                f"{worst.hottest}, far more than in any other zone: look at that side's burner"
            )
    return tuple(found)


def _story(
    judged: tuple[Judged, Judged, Judged],
    found: tuple[str, ...],
    shown: Shown,
    *,
    folder: Path,
) -> str:
    bake, restated, survey = judged

    def verdict_lines(one: Judged) -> list[str]:
        lines = [f"**{SIGN[one.verdict.outcome]}** {headline(one.verdict, shown)}", ""]
        for item in one.verdict.requirements:
            d = item.deciding
            decimals = shown.decimals(d.standard_uncertainty, d.unit)
            lines.append(
                f"- {item.requirement.name}: {shown.measure(d.value, d.unit, decimals).text} "
                f"({d.channel or 'whole oven'}), {item.outcome.value}"
            )
        return [*lines, ""]

    lines = [
        "# What the demo found",
        "",
        f"{bake.plan.title}, {bake.plan.site.name}. Everything here is invented, the physics is not.",
        "",
        "## What was wrong",
        "",
        *(f"{i}. {text}." for i, text in enumerate(found, 1)),
        "" if found else "Nothing stood out.",
        "## The bake as recorded",
        "",
        *verdict_lines(bake),
    ]
    if restated is not bake:
        lines += ["## After the probe was put right", "", *verdict_lines(restated)]
    lines += [
        f"## {survey.plan.title}",
        "",
        *verdict_lines(survey),
        "## Go on from here",
        "",
        f"    export OVENWRIGHT_LOGBOOK={shlex.quote(str(folder))}",
        f"    ovenwright show {bake.run.id}",
        f"    ovenwright compare {bake.run.id} {restated.run.id}",
        f"    ovenwright verify {bake.run.id}",
        "",
    ]
    return "\n".join(lines)
