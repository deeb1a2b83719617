"""Bring in readings: what was understood beside the first rows, overruled by clicking, then kept."""

from __future__ import annotations

import tomllib
from collections import defaultdict
from contextlib import suppress
from typing import Any

from anyio.to_thread import run_sync
from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse

from ovenwright.domain.plan import SensorType
from ovenwright.domain.run import Role
from ovenwright.errors import OvenwrightError, UnknownName, UsageError
from ovenwright.physics.units import from_celsius
from ovenwright.reporting.words import clock, counted, plain
from ovenwright.storage.plan_shelf import PlanShelf
from ovenwright.storage.presets import read_presets
from ovenwright.storage.readings import Join
from ovenwright.storage.staging import Lot
from ovenwright.web.api.imports import decided_of, start_sealing, take_in
from ovenwright.web.door import Operator, Viewer
from ovenwright.web.jobs import Job
from ovenwright.web.lot_facts import (
    Conclusion,
    Decided,
    Review,
    decided,
    keep_decided,
    own_plan,
    staging,
)
from ovenwright.web.lots import review
from ovenwright.web.pages import filters, show
from ovenwright.web.receiving import receive
from ovenwright.web.refs import token_ref
from ovenwright.web.site import Site, TheSite

router = APIRouter(prefix="/bring-in", include_in_schema=False)

UNITS = (("C", "°C"), ("F", "°F"), ("K", "kelvin"))
TIME_UNITS = (
    ("s", "seconds"),
    ("min", "minutes"),
    ("h", "hours"),
    ("ms", "milliseconds"),
    ("h:mm:ss", "h:mm:ss"),
    ("mm:ss", "mm:ss"),
    ("h:mm", "h:mm"),
    ("serial", "spreadsheet dates"),
    ("epoch", "seconds since 1970"),
)
JOINS = (
    (Join.AUTO.value, "as the names and times suggest"),
    (Join.TIME.value, "one after the other, same names are one channel"),
    (Join.BESIDE.value, "beside each other, same names are different sensors"),
    (Join.AFTER.value, "each begins where the one before it ended"),
)
_UNIT_SIGN = {"degC": "°C", "degF": "°F", "K": "K"}
_MOST_KEPT = 30
_LISTS = ("time_columns", "missing")
_PLAIN = (
    "title", "unit", "time_unit", "zone", "delimiter", "decimal", "encoding", "sheet", "start",
    "sensor", "plan", "oven", "product", "join",
)  # fmt: skip


def megabytes(size: int) -> str:
    """Return a file's size as people say it."""
    return f"{plain(size / 1e6, 1)} MB" if size >= 100_000 else f"{plain(size / 1e3, 1)} kB"


filters(megabytes=megabytes, zip_same=lambda values: [(v, v) for v in values])


@router.get("")
def hand_in(request: Request, site: TheSite, _: Viewer, job: str = "") -> HTMLResponse:
    """Show where files are handed in, and those that wait."""
    lots = []
    for lot in staging(site).all():
        try:
            files = lot.files()
            plan = decided(lot).plan
        except (OvenwrightError, ValueError):  # taken away meanwhile, or of another version
            continue
        lots.append({"id": lot.id, "files": files, "plan": plan})
    running: Job | None = None
    with suppress(UnknownName):  # the server may have been started anew meanwhile
        running = site.jobs.get(job) if job else None
    return show(
        request, "bring-in.html.j2", place="bring-in", script="bring-in", lots=lots, job=running
    )


@router.post("")
async def receive_files(request: Request, site: TheSite, who: Operator) -> RedirectResponse:
    """Take files in and show what was understood."""
    lot = await take_in(request, site, who)
    return RedirectResponse(f"/bring-in/{lot.id}", status_code=303)


@router.get("/{lot_id}")
def look(lot_id: str, request: Request, site: TheSite, _: Viewer) -> HTMLResponse:
    """Show what was understood of a lot."""
    lot = _lot(site, lot_id)
    return _page(request, site, lot)


@router.post("/{lot_id}", response_model=None)
async def decide(
    lot_id: str, request: Request, site: TheSite, who: Operator
) -> RedirectResponse | HTMLResponse:
    """Keep what the form decides; then show it again, or bring the lot in."""
    lot = await run_sync(_lot, site, lot_id)
    form = await request.form(max_fields=3000, max_files=0)
    fields: dict[str, str] = {}
    for name, value in form.multi_items():
        if isinstance(value, str) and not fields.get(name):  # a button may speak for a field
            fields[name] = value
    await run_sync(_decide, site, lot, fields)
    if "bring-in" not in fields:
        return RedirectResponse(f"/bring-in/{lot.id}", status_code=303)
    try:
        job = await run_sync(start_sealing, request, site, lot, who)
    except UsageError:  # the page says what is in the way
        return await run_sync(_page, request, site, lot)
    return RedirectResponse(f"/bring-in?job={job.id}", status_code=303)


@router.post("/{lot_id}/plan")
async def take_plan(lot_id: str, request: Request, site: TheSite, _: Operator) -> RedirectResponse:
    """Take a plan's file for a lot."""
    lot = await run_sync(_lot, site, lot_id)
    received = await receive(request, lambda *_: lot.folder / "came.toml", limit=4 << 20)
    came = lot.folder / "came.toml"
    if not received.files:
        raise UsageError("no plan came", where="plan", remedy="choose a plan file, TOML")
    came.replace(own_plan(lot))
    keep_decided(lot, decided(lot).model_copy(update={"plan": "file", "columns": {}}))
    return RedirectResponse(f"/bring-in/{lot.id}#plan-part", status_code=303)


@router.post("/{lot_id}/throw-away")
def throw_away(lot_id: str, site: TheSite, _: Operator) -> RedirectResponse:
    """Throw a lot away."""
    _lot(site, lot_id).discard()
    return RedirectResponse("/bring-in", status_code=303)


@router.get("/{lot_id}/plan.toml")
def plan_text(lot_id: str, site: TheSite, _: Viewer) -> PlainTextResponse:
    """Give the plan of a lot as it would be sealed with the run."""
    lot = _lot(site, lot_id)
    if review(site, lot).plan is None or not lot.plan_file.is_file():
        raise UnknownName("plan of these files", lot_id)
    return PlainTextResponse(
        lot.plan_file.read_text("utf-8"),
        headers={"content-disposition": 'attachment; filename="plan.toml"'},
    )


def _lot(site: Site, lot_id: str) -> Lot:
    return staging(site).get(token_ref("lot of files", lot_id))


# from the form ----------------------------------------------------------------------------


def _decide(site: Site, lot: Lot, fields: dict[str, str]) -> None:
    """Keep what a form says; a field it lacks is left as it was.

    Raises
    ------
    UsageError : if a field can't be understood
    """
    before = decided(lot)
    found: dict[str, Any] = before.model_dump(mode="json")
    for name in _PLAIN:
        if name in fields:
            found[name] = fields[name].strip() or (Join.AUTO.value if name == "join" else "")
    for name in _LISTS:
        if name in fields:
            found[name] = [w.strip() for w in fields[name].split(",") if w.strip()]
    for name, empty in (("header_row", 0), ("interval_s", 0.0)):
        if name in fields:
            found[name] = fields[name].replace(",", ".").strip() or empty
    if "date_order" in fields:
        order = fields["date_order"]
        found["day_first"] = {"day": True, "month": False}.get(order)
        found["year_first"] = order == "year"
    _decide_columns(found, fields)
    if found["plan"] != before.plan:
        found["columns"] = {}
    keep_decided(lot, decided_of(found))
    del site


def _decide_columns(found: dict[str, Any], fields: dict[str, str]) -> None:
    if "name-0" not in fields:
        return
    time: list[str] = []
    taken: list[str] = []
    left_out: list[str] = []
    by_name: dict[str, dict[str, str]] = {"units": {}, "roles": {}, "sensors": {}}
    i = 0
    while (name := fields.get(f"name-{i}")) is not None:
        use = fields.get(f"use-{i}", "")
        for word, into in (("time", time), ("temperature", taken), ("left out", left_out)):
            if use == word:
                into.append(name)
        for what, values in by_name.items():
            if said := fields.get(f"{what[:-1]}-{i}"):
                values[name] = said
        i += 1
    found |= {"time_columns": time, "taken": taken, "left_out": left_out, **by_name}
    columns = {}
    k = 0
    while (channel := fields.get(f"channel-{k}")) is not None:
        columns[channel] = fields.get(f"column-{k}", "")
        k += 1
    if k:
        found["columns"] = {c: h for c, h in columns.items() if h}


# to the page ------------------------------------------------------------------------------


def _page(request: Request, site: Site, lot: Lot) -> HTMLResponse:
    told = review(site, lot)
    return show(
        request,
        "bring-in-lot.html.j2",
        place="bring-in",
        script="bring-in",
        lot=told,
        what=told.decided,
        columns=_columns(site, told),
        concluded=_by_field(told.concluded),
        uncertain=[c for c in told.concluded if not c.certain],
        units=UNITS,
        time_units=TIME_UNITS,
        joins=JOINS,
        roles=[r.value for r in Role],
        sensors=[s.value for s in SensorType if s not in _NEED_NUMBERS],
        presets=read_presets(),
        kept=_kept_plans(site),
        shelf=_shelf(site),
        has_own=own_plan(lot).is_file(),
        length=clock(told.duration_s) if told.duration_s is not None else "",
        samples=counted(told.samples),
        step=plain(told.interval_s, 2).rstrip("0").rstrip(".") if told.interval_s else "",
        degree=site.tools.settings.show_unit,
    )


_NEED_NUMBERS = frozenset({SensorType.THERMISTOR, SensorType.TRANSMITTER})


def _columns(site: Site, told: Review) -> list[dict[str, Any]]:
    fahrenheit = site.tools.settings.show_unit == "F"

    def shown(value: float | None) -> str:
        if value is None:
            return "–"
        return plain(float(from_celsius(value, "degF")) if fahrenheit else value, 1)

    what = told.decided
    return [
        {
            "facts": c,
            "use": _use(what, c.name),
            "unit": next((u for n, u in what.units.items() if n == c.name), ""),
            "unit_sign": _UNIT_SIGN.get(c.unit, c.unit),
            "role": what.roles.get(c.name, ""),
            "sensor": what.sensors.get(c.name, ""),
            "first": shown(c.first_c),
            "last": shown(c.last_c),
            "highest": shown(c.max_c),
            "gaps": counted(c.missing) if c.missing else "",
        }
        for c in told.columns
    ]


def _use(what: Decided, name: str) -> str:
    if name in what.time_columns:
        return "time"
    if name in what.left_out:
        return "left out"
    return "temperature" if name in what.taken else ""


def _by_field(concluded: list[Conclusion]) -> dict[str, str]:
    """Return what was concluded for each field, as words beside it."""
    said: dict[str, list[str]] = defaultdict(list)
    for c in concluded:
        if c.field and not (c.field == "unit" and c.certain):
            said[c.field].append(f"{c.found}: {c.why}" if c.why else c.found)
    return defaultdict(str, {name: "; ".join(dict.fromkeys(words)) for name, words in said.items()})


def _kept_plans(site: Site) -> list[tuple[str, str]]:
    """Return the plans that runs here were judged under, the newest first, as (ref, title)."""
    try:
        files = sorted(
            site.tools.logbook.plans_dir.glob("*.toml"),
            key=lambda p: p.stat().st_mtime_ns,
            reverse=True,
        )
    except OSError:
        return []
    found: list[tuple[str, str]] = []
    for path in files[:_MOST_KEPT]:
        try:
            title = str(tomllib.loads(path.read_text("utf-8")).get("title", ""))
        except (OSError, ValueError):
            continue
        found.append((f"kept:{path.stem}", f"{title or path.stem} ({path.stem[:6]})"))
    return found


def _shelf(site: Site) -> list[tuple[str, str]]:
    shelf = PlanShelf(site.tools.logbook.plan_shelf_dir)
    found = []
    for plan_id in shelf.ids():
        try:
            if shelf.retired(plan_id) is not None:
                continue
            title = str(tomllib.loads(shelf.text(plan_id)).get("title", "")) or plan_id
        except (OvenwrightError, ValueError):
            continue
        found.append((f"shelf:{plan_id}", title))
    return found
