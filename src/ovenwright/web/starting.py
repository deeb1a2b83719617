"""Recordings started from the pages: which plans there are, and the practice on the virtual oven."""

from __future__ import annotations

import os
import secrets
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, replace

from ovenwright.domain.plan import Plan
from ovenwright.errors import (
    OvenwrightError,
    PlanFaults,
    UnknownName,
    UsageError,
)
from ovenwright.storage.durable import make_folder
from ovenwright.storage.plan_file import parse_plan
from ovenwright.web.site import Site
from ovenwright.workflow.plan_keeping import shelf_of
from ovenwright.workflow.starting import (
    StartFacts,
    recorders_dir,
    spawn,
    start_recording,
    starts,
    wait_for_start,
    with_practice,
)

PRACTICE_SCENARIO = "tin-bread"
PRACTICE = "practice"
"""The plan of the virtual oven, made anew for each practice; no plan of a shelf has this id."""
PRACTICE_SPEED = 20.0
_LOOKED_AT = 40
_READY_S = 10.0
"""For the recorder and the oven to come up."""


@dataclass(frozen=True)
class Choice:
    """A plan that can be recorded; ``hint`` says why one can't."""

    id: str
    title: str
    oven: str
    product: str
    channels: int
    instruments: list[str]
    hint: str = ""


def _choice(ident: str, plan: Plan) -> Choice:
    kinds = [f"{s.name or s.kind} ({s.kind})" if s.name else s.kind for s in plan.instruments]
    hint = "" if plan.instruments else "names no instrument yet"
    if any(s.kind == "standard-input" for s in plan.instruments):
        hint = "reads from a terminal's standard input"
    return Choice(
        ident, plan.title, plan.oven.name, plan.product.name, len(plan.channels), kinds, hint
    )


def plan_choices(site: Site) -> list[Choice]:
    """Return the plans that are offered, those with an instrument first; then those of earlier runs."""
    book = site.tools.logbook
    shelf = shelf_of(book)
    found, texts = [], set()
    for ident in shelf.ids():
        with suppress(OvenwrightError):
            if shelf.retired(ident) is not None:  # nor any version of it under an earlier run
                texts |= {shelf.text(ident, n) for n in shelf.numbers(ident)}
                continue
            text = shelf.text(ident)
            texts.add(text)
            found.append(_choice(ident, parse_plan(text)))
    found.sort(key=lambda c: (bool(c.hint), c.title, c.id))
    return found + _of_earlier_runs(site, texts)


def _of_earlier_runs(site: Site, known: set[str]) -> list[Choice]:
    """Return plans that runs were judged under and that no shelf holds, where they can be recorded."""
    found = []
    for path in sorted(site.tools.logbook.plans_dir.glob("*.toml")):
        with suppress(OSError, PlanFaults, UnicodeDecodeError):
            text = path.read_text(encoding="utf-8")
            if text in known:
                continue
            choice = _choice(path.stem, parse_plan(text))
            if not choice.hint:
                found.append(replace(choice, title=f"{choice.title} (from an earlier run)"))
    return found


def plan_text(site: Site, ident: str) -> str:
    """Return the text of a plan: of the shelf, or of an earlier run by the start of its SHA-256.

    Raises
    ------
    UnknownName : if there is none of that id
    """
    book = site.tools.logbook
    shelf = shelf_of(book)
    if ident in shelf.ids():
        return shelf.text(ident)
    if ident == PRACTICE:
        return _practice_text(site, "practice")
    for path in book.plans_dir.glob("*.toml"):
        if path.stem == ident:
            return path.read_text(encoding="utf-8")
    raise UnknownName("plan", ident[:160], known=shelf.ids())


def begin(
    site: Site, plan: str, *, start: str = "now", for_s: float | None = None, who: str = ""
) -> StartFacts:
    """Start a recording of a plan; raises as :func:`workflow.starting.start_recording`.

    Raises
    ------
    UsageError : if the plan is retired, too
    """
    tools = site.tools
    refuse_retired(site, plan)
    return start_recording(
        tools.logbook,
        tools.library(),
        plan_text(site, plan),
        plan_name=plan,
        start=start,
        for_s=for_s,
        zone=tools.settings.zone,
        kinetics=tools.settings.kinetics,
        who=who,
    )


def refuse_retired(site: Site, plan: str) -> None:
    """Refuse a plan that is retired, under its own name or as that of an earlier run.

    Raises
    ------
    UsageError : if it is
    """
    shelf = shelf_of(site.tools.logbook)
    for ident in shelf.ids():
        with suppress(UnknownName):
            gone = shelf.retired(ident)
            if gone is None:
                continue
            keys = {v.sha256[:16] for v in shelf.versions(ident)}
            if plan == ident or (plan in keys and plan not in shelf.ids()):
                raise UsageError(
                    f"this plan is retired: {gone.why}",
                    where=ident,
                    remedy="choose another plan, or have an engineer bring it back under Plans",
                )


def can_practise(site: Site) -> bool:
    """Tell whether the virtual oven can be served here: it needs a serial line of its own making."""
    return hasattr(os, "openpty") and PRACTICE not in shelf_of(site.tools.logbook).ids()


def practice_lasts_s(speed: float = PRACTICE_SPEED) -> float:
    """Return how long a practice is recorded, in seconds."""
    from ovenwright.virtual.serving import scenario_named

    scenario = scenario_named(PRACTICE_SCENARIO)
    return (scenario.scans - 1) * scenario.interval_s / speed + _READY_S


def _practice_text(site: Site, port: str) -> str:
    from ovenwright.virtual.serving import read_address
    from ovenwright.workflow.serving_oven import plan_text_for

    text = plan_text_for(PRACTICE_SCENARIO, read_address(f"serial:{port}"), site.tools.library())
    return text.replace('title = "', 'title = "Practice: ', 1)


def begin_practice(site: Site, *, speed: float, who: str = "") -> StartFacts:
    """Serve the virtual oven over a serial line of its own making, and record it.

    Raises
    ------
    UsageError : where no serial line can be made, or one goes on already
    """
    if not hasattr(os, "openpty"):
        raise UsageError(
            "this system can't make the serial line that the practice runs over",
            remedy="serve the oven over MQTT: ovenwright virtual-oven --serve mqtt://127.0.0.1",
        )
    tools = site.tools
    for other in starts(tools.logbook)[:_LOOKED_AT]:
        if other.facts.plan == PRACTICE and other.state in {"starting", "waiting", "recording"}:
            raise UsageError(
                "a practice goes on already", where=other.run, remedy="stop it first, under Live"
            )
    place = recorders_dir(tools.logbook)
    make_folder(place)
    stem = f"practice-{time.strftime('%Y%m%dT%H%M%S', time.gmtime())}-{secrets.token_hex(3)}"
    port = place.absolute() / f"{stem}.port"
    text = _practice_text(site, str(port))
    facts = start_recording(
        tools.logbook,
        tools.library(),
        text,
        plan_name=PRACTICE,
        for_s=practice_lasts_s(speed),
        zone=tools.settings.zone,
        kinetics=tools.settings.kinetics,
        who=who,
    )
    # the oven comes second, so that of its first readings none is lost; a recorder that is slow to
    # come up on a busy computer is not waited for any longer: it takes up a bake that goes on
    if wait_for_start(tools.logbook, facts.id, for_s=_READY_S).state in {"failed", "called off"}:
        return facts
    words = [sys.executable, "-m", "ovenwright.cli.main", "virtual-oven", "--json"]
    words += ["--serve", f"serial:{port}", "--scenario", PRACTICE_SCENARIO]
    words += ["--speed", repr(float(speed))]
    oven = spawn(words, place / f"{stem}.log", env=dict(os.environ))
    return with_practice(tools.logbook, facts, oven)
