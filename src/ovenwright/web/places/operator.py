"""Operator view: pick a plan, check, start; it stops by rule; the verdict in one word.

Where things stand is read from the logbook each time: a check that runs, a recording that goes on, a
run that was sealed. Nothing is kept in the page, so going back or reloading harms nothing.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS, MarkKind
from ovenwright.errors import OvenwrightError, UsageError
from ovenwright.reporting.recalled import recall
from ovenwright.reporting.words import Shown, clock, counted, plain
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.proofs import latest_proof
from ovenwright.storage.run_facts import ns_from_iso
from ovenwright.web.api.recordings import tailer_of
from ovenwright.web.checking import Check, checks_of
from ovenwright.web.door import Operator, Role, Viewer, note
from ovenwright.web.finding import seek
from ovenwright.web.moments import moment
from ovenwright.web.opened import opened_of
from ovenwright.web.pages import show
from ovenwright.web.site import Site, TheSite
from ovenwright.web.starting import (
    PRACTICE,
    PRACTICE_SPEED,
    begin,
    begin_practice,
    can_practise,
    plan_choices,
    plan_text,
    practice_lasts_s,
    refuse_retired,
)
from ovenwright.workflow.recording_verbs import mark_recording, rescue, stop_recording
from ovenwright.workflow.starting import (
    StartState,
    call_off,
    end_practice,
    starts,
    wait_for_start,
)
from ovenwright.workflow.watching import Wanted

router = APIRouter(include_in_schema=False)

PROOF_LASTS_S = 24 * 3600.0
WORDS = {
    "pass": ("✔", "PASS", "good"),
    "fail": ("✖", "FAIL", "poor"),
    "undecided": ("?", "UNDECIDED", "open"),
}
NEXT = {
    "pass": ("Go on as planned.", "The record is sealed. Ask for the signature your plant wants."),
    "fail": (
        "Hold the product. Do not release it.",
        "Keep it apart and marked, and call whoever decides about it. Change nothing on the oven "
        "yet.",
    ),
    "undecided": (
        "Hold the product. The test could not decide.",
        "Call whoever decides about it. A second test, with what is named below put right, may.",
    ),
}
"""What the person does next; the words of a plant's own procedure go before these."""
READY = {
    "ready": ("✔", "good"),
    "ready with remarks": ("!", "open"),
    "not ready": ("✖", "poor"),
}
MARKS = (
    (MarkKind.LOAD_IN, "Product in"),
    (MarkKind.LOAD_OUT, "Product out"),
    (MarkKind.DOOR, "Door"),
)


@dataclass(frozen=True, slots=True)
class Standing:
    """Where things stand with a plan: ``at`` is idle, checking, recording, ended or trouble."""

    at: Literal["idle", "checking", "recording", "ended", "trouble"]
    check: Check | None = None
    start: StartState | None = None
    proof: dict[str, Any] | None = None


def standing(site: Site, plan: str, text: str, *, anew: bool = False) -> Standing:
    """Return where things stand; with ``anew`` an ended test is left behind."""
    check = checks_of(site).latest(plan)
    start = next((s for s in starts(site.tools.logbook) if s.facts.plan == plan), None)
    if start is not None and start.state in {"starting", "waiting", "recording", "sealing"}:
        return Standing("recording", start=start)
    if check is not None and check.state == "running":
        return Standing("checking", check=check)
    proof = _fresh_proof(site, text)
    newer = bool(
        start is not None
        and (
            (proof is not None and ns_from_iso(proof["proved"]) > start.facts.at_ns)
            or (check is not None and check.began * NS > start.facts.at_ns)
        )
    )
    if start is not None and not newer and not anew:
        if start.state == "sealed":
            return Standing("ended", start=start)
        if start.state == "failed":
            return Standing("trouble", start=start, proof=proof)
    failed = check if check is not None and check.state == "failed" else None
    return Standing("idle", check=failed, proof=proof)


def _fresh_proof(site: Site, text: str) -> dict[str, Any] | None:
    try:
        proof = latest_proof(site.tools.logbook, text)
    except OvenwrightError:
        return None
    if proof is None or time.time() - ns_from_iso(proof["proved"]) / NS > PROOF_LASTS_S:
        return None
    return proof


@router.get("/operator")
def choose(request: Request, site: TheSite, who: Viewer) -> HTMLResponse:
    """Show the plans that can be recorded, large."""
    ready = [p for p in plan_choices(site) if not p.hint]
    going = {
        s.facts.plan
        for s in starts(site.tools.logbook)
        if s.state in {"starting", "waiting", "recording", "sealing"}
    }
    return show(
        request,
        "operator.html.j2",
        place="operator",
        plans=ready,
        going=going,
        practice=PRACTICE if can_practise(site) else "",
        may=who.role >= Role.OPERATOR,
    )


@router.get("/operator/{plan}")
def one(
    request: Request, plan: str, site: TheSite, who: Viewer, anew: bool = False
) -> HTMLResponse:
    """Show where things stand with one plan, and the one thing to do now."""
    text = plan_text(site, plan)
    parsed = parse_plan(text)
    now = standing(site, plan, text, anew=anew)
    if now.at == "idle":
        refuse_retired(site, plan)
    shown = Shown(
        site.tools.settings.show_unit == "F",
        site.tools.settings.zone or parsed.site.time_zone or "UTC",
    )
    return show(
        request,
        "operator_plan.html.j2",
        place="operator",
        script="operator",
        plan_id=plan,
        plan=parsed,
        at=now.at,
        anew=anew,
        may=who.role >= Role.OPERATOR,
        may_overrule=who.role >= Role.ENGINEER,
        marks=MARKS,
        ready_looks=READY,
        practice=_is_practice(site, plan),
        stops_by=(
            f"It stops by itself after about {clock(practice_lasts_s())} by this computer's clock: "
            f"the virtual oven runs {PRACTICE_SPEED:g} times as fast."
            if _is_practice(site, plan)
            else _stops_by(parsed, shown)
        ),
        **_of(site, request, now, shown),
    )


def _of(site: Site, request: Request, now: Standing, shown: Shown) -> dict[str, Any]:
    facts: dict[str, Any] = {"check": None, "proof": None, "recording": None, "verdict": None}
    if now.check is not None:
        facts["check"] = _check_facts(now.check, shown)
    if now.proof is not None:
        proof = now.proof["proof"]
        facts["proof"] = {
            "readiness": proof["readiness"],
            "when": moment(ns_from_iso(now.proof["proved"]), shown.time_zone).words,
            "remarks": [r for r in proof.get("remarks", ()) if r["grade"] != "note"],
        }
    if now.start is not None:
        facts["recording"] = _recording_facts(site, now.start, shown)
    if now.at == "ended" and now.start is not None:
        facts["verdict"] = _verdict(site, request, now.start.run)
    return facts


def _check_facts(check: Check, shown: Shown) -> dict[str, Any]:
    found = check.facts()
    channels = [
        {
            "name": c["channel"],
            "value": plain(shown.temperature(c["value_c"]), 1) if c["value_c"] is not None else "–",
            "there": c["value_c"] is not None,
        }
        for c in found["channels"]
    ]
    return {
        "share": min(found["elapsed_s"] / found["seconds"], 1.0) if found["seconds"] else 0.0,
        "left": clock(max(found["seconds"] - found["elapsed_s"], 0.0)),
        "channels": channels,
        "heard": sum(c["there"] for c in channels),
        "error": found["error"],
    }


def _recording_facts(site: Site, start: StartState, shown: Shown) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "id": start.run or start.facts.id,
        "state": start.state,
        "waiting_for": start.waiting_for,
        "words": start.words,
        "remedy": start.remedy,
        "since": moment(start.facts.at_ns, shown.time_zone).words,
        "elapsed": "",
        "readings": "",
        "channels": [],
        "alarms": [],
    }
    if start.state != "recording" or not start.run:
        return facts
    try:
        tailer = tailer_of(site, start.run)
    except OvenwrightError:
        return facts
    if not tailer.wait_ready(1.0):
        return facts
    live = tailer.facts()
    return facts | _live_facts(live, shown)


def _live_facts(live: dict[str, Any], shown: Shown) -> dict[str, Any]:
    channels = [
        {
            "name": c["name"],
            "value": "–" if c["value_c"] is None else plain(shown.temperature(c["value_c"]), 1),
            "health": c["health"],
        }
        for c in live["channels"]
    ]
    return {
        "elapsed": clock(max(0.0, live["newest_s"] - live["from_s"])),
        "readings": counted(live["readings"]),
        "channels": channels,
        "alarms": [f"{a['name']}: {a['text']}" for a in live["alarms"]],
    }


def _verdict(site: Site, request: Request, run_id: str) -> dict[str, Any]:
    try:
        sought = seek(site, opened_of(request), run_id)
    except OvenwrightError as trouble:
        return {"trouble": trouble.facts(), "run": run_id}
    if sought.result is None:
        return {"trouble": sought.trouble, "run": run_id, "waiting": sought.job is not None}
    result = sought.result
    kept = recall(result.answer)
    sign, word, tone = WORDS[result.outcome.value]
    first, then = NEXT[result.outcome.value]
    wrong = [r.requirement.name for r in kept.requirements if r.outcome.value != "pass"]
    return {
        "trouble": None,
        "run": run_id,
        "waiting": False,
        "sign": sign,
        "word": word,
        "tone": tone,
        "first": first,
        "then": then,
        "wrong": wrong,
        "looks": kept.next_looks,
        "cautions": kept.cautions,
    }


def _is_practice(site: Site, plan: str) -> bool:
    return plan == PRACTICE and can_practise(site)


def _stops_by(plan: Plan, shown: Shown) -> str:
    """Say which rule ends the recording; nothing where only a person does."""
    stop, ways = plan.recording.stop, []
    if stop.after_s is not None:
        ways.append(f"after {clock(stop.after_s)} by this computer's clock")
    for level, words in (
        (stop.reaches_c, f"when {stop.channel} reaches"),
        (stop.all_below_c, "once all have cooled below"),
    ):
        if level is not None:
            ways.append(f"{words} {plain(shown.temperature(level), 0)} {shown.temperature_unit}")
    return f"It stops by itself {' or '.join(ways)}." if ways else ""


# what is done -----------------------------------------------------------------------------


def _back(plan: str) -> Response:
    return RedirectResponse(f"/operator/{plan}", status_code=303)


@router.post("/operator/{plan}/check")
def check(
    request: Request,
    plan: str,
    site: TheSite,
    who: Operator,
    touch: Annotated[bool, Form()] = False,
) -> Response:
    """Start the check of a plan."""
    if _is_practice(site, plan):
        raise UsageError(
            "the virtual oven is not served before the practice starts",
            where="practice",
            remedy="start it: there is nothing to check",
        )
    text = plan_text(site, plan)
    refuse_retired(site, plan)
    order = ("plan",) if touch else ()
    checks_of(site).start(site, plan, text, Wanted(touch=touch, order=order), who=who.name)
    note(request, "start check", plan, why="touch check" if touch else "")
    return _back(plan)


@router.post("/operator/{plan}/check/stop")
def end_check(request: Request, plan: str, site: TheSite, _: Operator) -> Response:
    """End the check: what came so far is weighed."""
    found = checks_of(site).running(plan)
    if found is not None:
        found.stopping.set()
        if found.thread is not None:
            found.thread.join(10.0)
        note(request, "end check", plan)
    return _back(plan)


@router.post("/operator/{plan}/start")
def start(request: Request, plan: str, site: TheSite, who: Operator) -> Response:
    """Start the recording, where the check allows it; an engineer may overrule the check."""
    if _is_practice(site, plan):
        facts = begin_practice(site, speed=PRACTICE_SPEED, who=who.name)
        note(request, "start practice", facts.id)
        return _back(plan)
    text = plan_text(site, plan)
    proof = _fresh_proof(site, text)
    readiness = proof["proof"]["readiness"] if proof else ""
    if who.role < Role.ENGINEER and (not proof or readiness == "not ready"):
        raise UsageError(
            "the check of this plan says not ready" if proof else "this plan was not checked today",
            where=parse_plan(text).title,
            remedy="put right what the check names and check again, or ask an engineer",
        )
    facts = begin(site, plan, who=who.name)
    note(request, "start recording", facts.id, why=f"after a check: {readiness or 'none'}")
    state = wait_for_start(site.tools.logbook, facts.id)
    if state.state == "failed":
        raise UsageError(state.words, where=state.facts.title, remedy=state.remedy)
    return _back(plan)


@router.post("/operator/{plan}/mark")
def mark(
    request: Request,
    plan: str,
    site: TheSite,
    _: Operator,
    kind: Annotated[MarkKind, Form()],
) -> Response:
    """Set a mark at this moment."""
    run = _running(site, plan)
    run_id, made = mark_recording(site.tools.logbook, kind.value, kind=kind, run_ref=run.run)
    note(request, "mark", run_id, why=made.kind.value)
    return _back(plan)


@router.post("/operator/{plan}/stop")
def stop(request: Request, plan: str, site: TheSite, _: Operator) -> Response:
    """Stop and seal before the rule does, or call off what still waits."""
    state = _running(site, plan)
    if state.run:
        stop_recording(site.tools.logbook, state.run)
        end_practice(state.facts)
    else:
        call_off(site.tools.logbook, state.facts.id)
    note(request, "stop recording", state.run or state.facts.id)
    return _back(plan)


@router.post("/operator/{plan}/seal")
def seal(request: Request, plan: str, site: TheSite, _: Operator) -> Response:
    """Seal what a recorder that died left behind."""
    found = next((s for s in starts(site.tools.logbook) if s.facts.plan == plan and s.run), None)
    if found is not None and rescue(site.tools.logbook, found.run):
        note(request, "seal what was cut off", found.run)
        return RedirectResponse(f"/runs/{found.run}", status_code=303)
    return _back(plan)


def _running(site: Site, plan: str) -> StartState:
    found = next((s for s in starts(site.tools.logbook) if s.facts.plan == plan), None)
    if found is None or found.state not in {"starting", "waiting", "recording"}:
        raise UsageError("nothing is being recorded of this plan", where=plan)
    return found
