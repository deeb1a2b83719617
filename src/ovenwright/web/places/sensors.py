"""Sensors: what is heard on each instrument, and the proof that every channel is what it claims."""

from __future__ import annotations

import math
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Form, Query
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from ovenwright.conditioning.proof.fixed_point import Point
from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS
from ovenwright.errors import OvenwrightError, UnknownName, UsageError
from ovenwright.reporting.degrees import page_in_fahrenheit
from ovenwright.reporting.words import Shown
from ovenwright.storage.plan_file import parse_plan
from ovenwright.web import sensors_shown
from ovenwright.web.api import checks as checks_api
from ovenwright.web.api import sensors as api
from ovenwright.web.checking import Check, checks_of, plain_data
from ovenwright.web.door import Engineer, Operator, Role, Viewer
from ovenwright.web.hearing import LONGEST_S, Search, hearings_of
from ovenwright.web.moments import moment
from ovenwright.web.pages import part, show
from ovenwright.web.refs import token_ref
from ovenwright.web.site import Site, TheSite
from ovenwright.web.starting import plan_text
from ovenwright.workflow.found_onto_shelf import addresses_of
from ovenwright.workflow.plan_keeping import list_plans, shelf_of
from ovenwright.workflow.proof_into_plan import KeptProof

router = APIRouter(include_in_schema=False)

PLACE = "sensors"
_SEARCHES = 6


@dataclass(frozen=True, slots=True)
class Row:
    """One plan of the shelf as this place lists it."""

    id: str
    title: str
    channels: int
    addresses: tuple[str, ...]
    instruments: int
    going: bool
    readiness: str
    when: str


def _shown(site: Site, plan: Plan | None = None) -> Shown:
    settings = site.tools.settings
    zone = settings.zone or (plan.site.time_zone if plan is not None else "") or "UTC"
    return Shown(settings.show_unit == "F", zone)


@router.get("/sensors")
def place(request: Request, site: TheSite, who: Viewer) -> HTMLResponse:
    """Show where instruments are looked for, and how each plan's channels stand."""
    rows = [_row(site, p.id, p.title) for p in list_plans(site.tools.logbook) if p.offered]
    shown = _shown(site)
    return show(
        request,
        "sensors.html.j2",
        place=PLACE,
        rows=rows,
        known=sorted({a for r in rows for a in r.addresses}),
        searches=[_search_line(s, shown) for s in hearings_of(request).all()[:_SEARCHES]],
        looks=sensors_shown.READY,
        may=who.role >= Role.OPERATOR,
    )


def _row(site: Site, plan_id: str, title: str) -> Row:
    addresses: tuple[str, ...] = ()
    channels = instruments = 0
    readiness = when = ""
    with suppress(OvenwrightError):  # a plan that can't be read is told where it is opened
        plan = parse_plan(shelf_of(site.tools.logbook).text(plan_id))
        addresses, channels = addresses_of(plan), len(plan.channels)
        instruments = len(plan.instruments)
        newest = next(iter(api.kept_proofs(site, plan_id)), None)
        if newest is not None and newest.newest:
            readiness = newest.readiness
            when = moment(newest.proved_ns, _shown(site, plan).time_zone).words
    going = checks_of(site).running(plan_id) is not None
    return Row(plan_id, title, channels, addresses, instruments, going, readiness, when)


def _search_line(search: Search, shown: Shown) -> dict[str, Any]:
    found = search.findings
    return {
        "id": search.job.id,
        "url": search.asking.url,
        "when": _search_time(search, shown),
        "state": search.job.state.value,
        "heard": len(found.heard) if found is not None else 0,
        "plan": search.plan_title,
    }


def _search_time(search: Search, shown: Shown) -> str:
    zone = shown.time_zone if shown.time_zone != "UTC" else search.zone
    return moment(int(search.at * NS), zone).words


# looking for instruments ------------------------------------------------------------------


@router.post("/sensors/listen")
def listen(
    request: Request,
    site: TheSite,
    who: Operator,
    *,
    url: Annotated[str, Form(max_length=300)],
    seconds: Annotated[str, Form(max_length=12)] = "8",
    plan: Annotated[str, Form(max_length=160)] = "",
    units: Annotated[str, Form(max_length=12)] = "",
    measure: Annotated[bool, Form()] = False,
) -> Response:
    """Listen at an address, and go on to what is heard there."""
    first, last = _units(units)
    wish = api.SearchWish(
        url=url,
        seconds=_between(seconds, 1.0, LONGEST_S, "how long", "seconds"),
        plan=plan,
        first_unit=first,
        last_unit=last,
        measure=measure,
    )
    search = api.begin_search(request, site, who, wish)
    return RedirectResponse(f"/sensors/heard/{search.job.id}", 303)


def _units(text: str) -> tuple[int, int]:
    if not text.strip():
        return 1, 16
    first, dash, last = text.partition("-")
    try:
        found = int(first), int(last if dash else first)
    except ValueError:
        found = (-1, -1)
    if not 0 <= found[0] <= found[1] <= 247:
        raise UsageError(
            f"{text!r} is no range of units", where="Modbus units", remedy="write it such as 1-16"
        )
    return found


def _between(text: str, least: float, most: float, where: str, unit: str) -> float:
    try:
        found = float(text.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    except ValueError:
        found = math.nan
    if not least <= found <= most:
        raise UsageError(
            f"{text!r} won't do", where=where, remedy=f"write {least:g} to {most:g} {unit}"
        )
    return found


@router.get("/sensors/heard/{search_id}")
def heard(request: Request, search_id: str, site: TheSite, who: Viewer) -> HTMLResponse:
    """Show what was heard at an address, or how far the search is."""
    search = hearings_of(request).get(token_ref("search", search_id))
    shown = _shown(site)
    plans = (
        [p for p in list_plans(site.tools.logbook) if p.offered]
        if who.role >= Role.ENGINEER
        else []
    )
    return show(
        request,
        "sensors_heard.html.j2",
        place=PLACE,
        search=search,
        job=search.job,
        when=_search_time(search, shown),
        found=sensors_shown.heard_of(search, shown) if search.findings else None,
        plans=plans,
        may=who.role >= Role.OPERATOR,
        may_write=who.role >= Role.ENGINEER,
    )


@router.post("/sensors/heard/{search_id}/enough")
def enough(request: Request, search_id: str, site: TheSite, _: Operator) -> Response:
    """End a search: what came so far is shown."""
    ident = token_ref("search", search_id)
    search = hearings_of(request).get(ident)
    site.jobs.cancel(search.job.id)
    for _round in range(40):
        if search.job.over:
            break
        time.sleep(0.05)
    return RedirectResponse(f"/sensors/heard/{ident}", 303)


@router.post("/sensors/heard/{search_id}/write")
def write(
    request: Request,
    search_id: str,
    site: TheSite,
    who: Engineer,
    *,
    plan: Annotated[str, Form(max_length=64)] = "",
    title: Annotated[str, Form(max_length=100)] = "",
) -> Response:
    """Write what was heard into a plan, or begin one with it."""
    search = hearings_of(request).get(token_ref("search", search_id))
    kept, _ = api.write_found(request, site, who, search, api.WriteWish(plan=plan, title=title))
    return RedirectResponse(f"/sensors/{kept.plan}?written={kept.number}", 303)


# one plan ---------------------------------------------------------------------------------


@router.get("/sensors/{plan_id}")
def one(
    request: Request,
    plan_id: str,
    site: TheSite,
    who: Viewer,
    written: Annotated[int, Query(ge=0, le=999_999)] = 0,
) -> HTMLResponse:
    """Show how a plan's channels stand: the check that runs, what was proved, what can be checked."""
    plan = parse_plan(plan_text(site, plan_id))
    shown = _shown(site, plan)
    check = checks_of(site).latest(plan_id)
    proofs, trouble = _proofs(site, plan_id)
    newest = proofs[0] if proofs and proofs[0].newest else None
    running = check is not None and check.state == "running"
    return show(
        request,
        "sensors_plan.html.j2",
        place=PLACE,
        script="sensors",
        plan_id=plan_id,
        plan=plan,
        shown=shown,
        on_shelf=plan_id in shelf_of(site.tools.logbook).ids(),
        addresses=addresses_of(plan),
        check=check if running else None,
        now=sensors_shown.now_of(check.facts(), shown) if check is not None and running else None,
        failed=check.error if check is not None and check.state == "failed" else None,
        trouble=trouble,
        proof=newest,
        answer=None if newest is None or running else _answer(newest, shown),
        proved=_when(newest, shown) if newest else "",
        proofs=[_proof_line(k, shown) for k in proofs],
        looks=sensors_shown.READY,
        records=sensors_shown.records_of(plan, shown),
        written=written,
        may=who.role >= Role.OPERATOR,
        may_write=who.role >= Role.ENGINEER,
    )


def _proofs(site: Site, plan_id: str) -> tuple[tuple[KeptProof, ...], dict[str, Any] | None]:
    try:
        return api.kept_proofs(site, plan_id), None
    except OvenwrightError as cause:  # a check can be made all the same
        return (), dict(cause.facts())


def _answer(kept: KeptProof, shown: Shown) -> dict[str, Any]:
    return sensors_shown.answer_of(plain_data(kept.facts), shown)


def _when(kept: KeptProof, shown: Shown) -> str:
    return moment(kept.proved_ns, shown.time_zone).words


def _proof_line(kept: KeptProof, shown: Shown) -> dict[str, Any]:
    facts = kept.facts
    return {
        "key": kept.key,
        "when": _when(kept, shown),
        "version": kept.version,
        "readiness": kept.readiness,
        "checks": ", ".join(sensors_shown.CHECKS.get(c, c) for c in facts.get("checks", ())),
        "faults": sum(r["grade"] == "fault" for r in facts.get("remarks", ())),
    }


@router.get("/sensors/{plan_id}/now")
def now(plan_id: str, site: TheSite, _: Viewer) -> HTMLResponse:
    """Return the live picture of the check that runs; nothing once it is over."""
    check = checks_of(site).running(plan_id)
    if check is None:
        return HTMLResponse("", 200, {"x-check": "over", "cache-control": "no-store"})
    return HTMLResponse(
        _picture(site, plan_id, check),
        headers={"x-check": "running", "cache-control": "no-store"},
    )


def _picture(site: Site, plan_id: str, check: Check) -> str:
    shown = _shown(site, parse_plan(check.plan_text))
    picture = part(
        "sensors_now.html.j2",
        now=sensors_shown.now_of(check.facts(), shown),
        plan_id=plan_id,
    )
    return page_in_fahrenheit(picture) if shown.fahrenheit else picture


@router.get("/sensors/{plan_id}/proofs/{key}")
def proof(request: Request, plan_id: str, key: str, site: TheSite, who: Viewer) -> HTMLResponse:
    """Show one proof that is kept."""
    plan = parse_plan(plan_text(site, plan_id))
    shown = _shown(site, plan)
    wanted = token_ref("proof", key)
    kept = next((k for k in api.kept_proofs(site, plan_id) if k.key == wanted), None)
    if kept is None:
        raise UnknownName("proof", wanted)
    return show(
        request,
        "sensors_proof.html.j2",
        place=PLACE,
        plan_id=plan_id,
        plan=plan,
        proof=kept,
        answer=_answer(kept, shown),
        proved=_when(kept, shown),
        on_shelf=plan_id in shelf_of(site.tools.logbook).ids(),
        may=who.role >= Role.OPERATOR,
        may_write=who.role >= Role.ENGINEER,
    )


# what is done -----------------------------------------------------------------------------


@router.post("/sensors/{plan_id}/check")
def check(
    request: Request,
    plan_id: str,
    site: TheSite,
    who: Operator,
    *,
    kind: Annotated[str, Form(max_length=12)],
    apart: Annotated[bool, Form()] = False,
    any_order: Annotated[bool, Form()] = False,
    bath: Annotated[list[str] | None, Form(max_length=512)] = None,
    pressure: Annotated[str, Form(max_length=12)] = "",
    altitude: Annotated[str, Form(max_length=12)] = "",
    seconds: Annotated[str, Form(max_length=12)] = "",
) -> Response:
    """Start a check of a plan's channels."""
    if kind not in {"rest", "touch", "ice", "boiling"}:
        raise UsageError(f"{kind!r} is no check", remedy="choose rest, touch, ice or boiling")
    boiling = kind == "boiling"
    wish = checks_api.CheckWish(
        plan=plan_id,
        seconds=_between(seconds, 1, 3600, "how long", "seconds") if seconds.strip() else None,
        touch=kind == "touch",
        order=["plan"] if kind == "touch" and not any_order else [],
        fixed_point=Point(kind) if kind in {"ice", "boiling"} else None,
        in_bath=list(bath or []),
        pressure_kpa=_between(pressure, 30, 120, "air pressure", "kPa")
        if boiling and pressure.strip()
        else None,
        altitude_m=_between(altitude, -500, 6000, "altitude", "m")
        if boiling and altitude.strip() and not pressure.strip()
        else None,
        ambient=not apart and kind in {"rest", "touch"},
    )
    checks_api.start(request, wish, site, who)
    return RedirectResponse(f"/sensors/{plan_id}", 303)


@router.post("/sensors/{plan_id}/enough")
def end_check(request: Request, plan_id: str, site: TheSite, who: Operator) -> Response:
    """End the check of a plan: what came so far is weighed."""
    found = checks_of(site).running(plan_id)
    if found is not None:
        checks_api.stop(request, found.id, site, who)
    return RedirectResponse(f"/sensors/{plan_id}", 303)


@router.post("/sensors/{plan_id}/proofs/{key}/take-over")
def take_over(
    request: Request,
    plan_id: str,
    key: str,
    site: TheSite,
    who: Engineer,
    *,
    calibration: Annotated[list[str] | None, Form(max_length=512)] = None,
    inputs: Annotated[bool, Form()] = False,
) -> Response:
    """Take over what a proof found into the plan's next version."""
    wish = api.TakeOver(calibrations=list(calibration or []), inputs=inputs)
    kept = api.accept(request, site, who, plan_id, key=key, wish=wish)
    return RedirectResponse(f"/sensors/{plan_id}?written={kept.number}", 303)
