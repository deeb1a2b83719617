"""Plans: those of this logbook, new ones, one as form and text, its versions and differences."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Query, UploadFile
from pydantic import BaseModel, ConfigDict
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from ovenwright.errors import OvenwrightError, Overtaken, PlanFaults, UnknownName, UsageError
from ovenwright.reporting.ink import MARKERS, PAGE, marker
from ovenwright.reporting.oven_scene import View
from ovenwright.reporting.svg_oven import oven_picture
from ovenwright.storage.plan_shelf import MOST_BYTES, Version
from ovenwright.storage.presets import read_presets
from ovenwright.storage.run_facts import ns_from_iso
from ovenwright.web.answers import status_of
from ovenwright.web.api.plans import (
    NewPlan,
    NewStanding,
    NewVersion,
    Number,
    PlanId,
    Text,
    keep,
    plan_ref,
    shown_in,
    stand,
    start,
)
from ovenwright.web.door import Engineer, Role, Viewer, Who
from ovenwright.web.moments import Moment, moment
from ovenwright.web.pages import part, show
from ovenwright.web.plan_form import PlanForm
from ovenwright.web.site import Site, TheSite
from ovenwright.workflow.advice import Advice, advise
from ovenwright.workflow.keeping import Wish, list_runs
from ovenwright.workflow.plan_drafting import Change, Draft, read_draft
from ovenwright.workflow.plan_keeping import From, compare_texts, list_plans, names_in, shelf_of
from ovenwright.workflow.plan_places import Move, edit_text, scene_in

router = APIRouter(include_in_schema=False)

PLACE = "plan"
RUNS_OFFERED = 60


def _saved(version: Version, zone: str) -> Moment:
    return moment(ns_from_iso(version.saved), zone)


# lists ------------------------------------------------------------------------------------


@router.get("/plans")
def plans(request: Request, site: TheSite, who: Viewer) -> HTMLResponse:
    """Show the plans of this logbook."""
    zone = site.tools.settings.zone
    rows = [
        {
            "plan": p,
            "saved": _saved(p.newest, zone),
            "used": moment(p.last_used_ns, zone) if p.last_used_ns else None,
            "retired": moment(ns_from_iso(p.retired.at), zone) if p.retired else None,
        }
        for p in list_plans(site.tools.logbook, site.tools.catalogue)
    ]
    runs = _runs_with_plan(site)
    return show(
        request,
        "plans.html.j2",
        place=PLACE,
        rows=[r for r in rows if not r["retired"]],
        gone=[r for r in rows if r["retired"]],
        presets=read_presets(),
        runs=runs,
        may_edit=who.role >= Role.ENGINEER,
    )


def _runs_with_plan(site: Site) -> list[Any]:
    listing = list_runs(site.tools.logbook, site.tools.catalogue, Wish(limit=RUNS_OFFERED))
    return [r for r in listing.runs if r.oven]  # an oven is only known of a run with a plan


@router.get("/plans/new")
def new(
    request: Request,
    site: TheSite,
    who: Engineer,
    preset: Annotated[str, Query(max_length=60)] = "",
) -> HTMLResponse:
    """Show what a plan can start from."""
    return _new_page(request, site, who, preset=preset)


def _new_page(
    request: Request,
    site: Site,
    who: Who,
    *,
    preset: str = "",
    trouble: OvenwrightError | None = None,
) -> HTMLResponse:
    return show(
        request,
        "plan_new.html.j2",
        place=PLACE,
        status=200 if trouble is None else status_of(trouble),
        presets=read_presets(),
        chosen=preset,
        runs=_runs_with_plan(site),
        plans=[p for p in list_plans(site.tools.logbook) if p.retired is None],
        trouble=trouble,
        asks_name=not who.signed_in,
    )


@router.post("/plans")
def make(
    request: Request,
    site: TheSite,
    who: Engineer,
    *,
    source: Annotated[From, Form()],
    name: Annotated[str, Form(max_length=140)] = "",
    title: Annotated[str, Form(max_length=100)] = "",
    said_by: Annotated[str, Form(max_length=100)] = "",
    file: UploadFile | None = None,
) -> Response:
    """Start a plan, and go on to it."""
    try:
        text = ""
        if source is From.TEXT:
            text, name = _uploaded(file)
        wish = NewPlan(source=source, name=name, text=text, title=title, who=said_by)
        kept = start(site, who, request, wish)
    except OvenwrightError as trouble:
        return _new_page(request, site, who, trouble=trouble)
    return RedirectResponse(f"/plans/{kept.plan}", 303)


def _uploaded(file: UploadFile | None) -> tuple[str, str]:
    if file is None or not file.filename:
        raise UsageError("no file was chosen", remedy="choose the plan's .toml file")
    content = file.file.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise UsageError(
            f"more than {MOST_BYTES:,} bytes are no plan",
            remedy="readings are brought in as such: see Bring in readings",
        )
    try:
        return content.decode("utf-8-sig"), file.filename[-100:]
    except UnicodeDecodeError as cause:
        raise UsageError(
            f"byte {content[cause.start]:#04x} is not UTF-8", remedy="save the file as UTF-8"
        ) from cause


# one plan ---------------------------------------------------------------------------------


def _work(site: Site, draft: Draft, *, editable: bool) -> dict[str, Any]:
    """Return all that changes with a plan's text."""
    shown = shown_in(site)
    form = PlanForm(draft, site.tools.library(), shown)
    pictures = {}
    if draft.data is not None:
        for view in View:
            scene = scene_in(draft.data, view, shown)
            if scene is not None:
                pictures[view.value] = oven_picture(scene, PAGE, editable=editable)
    advice: Advice | None = None
    if draft.plan is not None:
        advice = advise(draft.plan, site.tools.library())
    return {
        "draft": draft,
        "sections": form.sections() if draft.data is not None else [],
        "pictures": pictures,
        "advice": advice,
        "shown": shown,
        "editable": editable,
        "mark": _mark,
        "channel_names": form.parts.names,
    }


def _mark(look: int) -> str:
    """Return a channel's own sign, drawn."""
    return (
        f'<svg viewBox="0 0 16 16" width="16" height="16" role="img" '
        f'aria-label="{MARKERS[look % len(MARKERS)]}">{marker(look, 8, 8, PAGE, 5.5)}</svg>'
    )


@router.get("/plans/{plan_id}")
def one(plan_id: PlanId, request: Request, site: TheSite, who: Viewer) -> HTMLResponse:
    """Show a plan's newest version as form and text."""
    return _page(request, site, who, plan_ref(plan_id))


def _page(
    request: Request,
    site: Site,
    who: Who,
    plan_id: str,
    *,
    text: str | None = None,
    based_on: int | None = None,
    why: str = "",
    trouble: OvenwrightError | None = None,
) -> HTMLResponse:
    shelf = shelf_of(site.tools.logbook)
    newest = shelf.last(plan_id)
    kept = shelf.text(plan_id, newest.number)
    draft = read_draft(kept if text is None else text, site.tools.library())
    editable = who.role >= Role.ENGINEER
    zone = site.tools.settings.zone
    retired = shelf.retired(plan_id)
    difference = compare_texts(kept, draft.text) if isinstance(trouble, Overtaken) else None
    return show(
        request,
        "plan.html.j2",
        place=PLACE,
        status=200 if trouble is None else status_of(trouble),
        plan_id=plan_id,
        edition=newest,
        script="plan",
        saved=_saved(newest, zone),
        retired=retired,
        retired_at=moment(ns_from_iso(retired.at), zone) if retired else None,
        based_on=based_on or newest.number,
        why=why,
        title=(draft.data or {}).get("title") or plan_id,
        trouble=trouble,
        faulty=isinstance(trouble, PlanFaults),
        difference=difference,
        asks_name=not who.signed_in,
        **_work(site, draft, editable=editable),
    )


@router.post("/plans/{plan_id}")
def keep_here(
    plan_id: PlanId,
    request: Request,
    site: TheSite,
    who: Engineer,
    *,
    text: Annotated[str, Form()],
    based_on: Annotated[int, Form(ge=1, le=999_999)],
    why: Annotated[str, Form(max_length=500)] = "",
    said_by: Annotated[str, Form(max_length=100)] = "",
    unfinished: Annotated[bool, Form()] = False,
) -> Response:
    """Keep the next version from a plain form; when it can't be kept, the text comes back whole."""
    plan_id = plan_ref(plan_id)
    text = text.replace("\r\n", "\n")  # a browser sends a text area's lines so
    wish = NewVersion(text=text, based_on=based_on, why=why, who=said_by, unfinished=unfinished)
    try:
        keep(site, who, request, plan_id, wish)
    except OvenwrightError as trouble:
        return _page(
            request, site, who, plan_id, text=text, based_on=based_on, why=why, trouble=trouble
        )
    return RedirectResponse(f"/plans/{plan_id}", 303)


@router.post("/plans/{plan_id}/retire")
def retire(
    plan_id: PlanId,
    request: Request,
    site: TheSite,
    who: Engineer,
    *,
    why: Annotated[str, Form(max_length=500)] = "",
    said_by: Annotated[str, Form(max_length=100)] = "",
) -> Response:
    """Offer a plan no more, from its page."""
    return _stand(request, site, who, plan_id, NewStanding(why=why, who=said_by), back=False)


@router.post("/plans/{plan_id}/bring-back")
def bring_back(
    plan_id: PlanId,
    request: Request,
    site: TheSite,
    who: Engineer,
    *,
    why: Annotated[str, Form(max_length=500)] = "",
    said_by: Annotated[str, Form(max_length=100)] = "",
) -> Response:
    """Offer a retired plan again, from its page."""
    return _stand(request, site, who, plan_id, NewStanding(why=why, who=said_by), back=True)


def _stand(
    request: Request, site: Site, who: Who, plan_id: str, wish: NewStanding, *, back: bool
) -> Response:
    try:
        stand(site, who, request, plan_id, wish, back=back)
    except UnknownName:
        raise
    except OvenwrightError as trouble:
        return _page(request, site, who, plan_ref(plan_id), trouble=trouble)
    return RedirectResponse(f"/plans/{plan_ref(plan_id)}", 303)


class Typed(BaseModel):
    """A text in the making, with the changes a form asks for."""

    model_config = ConfigDict(extra="forbid")
    text: Text
    changes: list[Change | Move] = []


@router.post("/plans/{plan_id}/draft")
def draft(plan_id: PlanId, wish: Typed, site: TheSite, who: Viewer) -> dict[str, Any]:
    """Return a text after its changes with everything on the page that follows from it."""
    plan_ref(plan_id)
    text = edit_text(wish.text, wish.changes)
    found = read_draft(text, site.tools.library())
    facts = _work(site, found, editable=who.role >= Role.ENGINEER)
    return {
        "text": text,
        "readable": found.data is not None,
        "faults": len(found.faults),
        "fault_lines": sorted({f.line for f in found.faults if f.line}),
        "title": str((found.data or {}).get("title") or plan_id),
        "parts": {
            "faults": part("plan_faults.html.j2", **facts),
            **(
                {
                    "picture": part("plan_picture.html.j2", **facts),
                    "advice": part("plan_advice.html.j2", **facts),
                    "form": part("plan_form.html.j2", **facts),
                }
                if found.data is not None
                else {}
            ),
        },
    }


@router.post("/plans/{plan_id}/difference")
def difference(plan_id: PlanId, wish: Typed, site: TheSite, _: Viewer) -> HTMLResponse:
    """Return what differs between the newest version and a text, drawn."""
    kept = shelf_of(site.tools.logbook).text(plan_ref(plan_id))
    return HTMLResponse(part("plan_difference.html.j2", difference=compare_texts(kept, wish.text)))


@router.get("/plans/{plan_id}/plan.toml")
def download(
    plan_id: PlanId,
    site: TheSite,
    _: Viewer,
    version: Annotated[int, Query(ge=1, le=999_999)] | None = None,
) -> Response:
    """Hand out a version's text as a file."""
    text = shelf_of(site.tools.logbook).text(plan_ref(plan_id), version)
    name = f"{plan_id}-{version}.toml" if version else f"{plan_id}.toml"
    return Response(
        text.encode("utf-8"),
        media_type="application/toml",
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )


@router.get("/plans/{plan_id}/versions")
def versions(
    plan_id: PlanId,
    request: Request,
    site: TheSite,
    _: Viewer,
    *,
    old: Annotated[int, Query(ge=1, le=999_999)] | None = None,
    new: Annotated[int, Query(ge=1, le=999_999)] | None = None,
) -> HTMLResponse:
    """Show a plan's versions, and what differs between two of them."""
    shelf = shelf_of(site.tools.logbook)
    found = shelf.versions(plan_ref(plan_id))
    newer = new or found[0].number
    older = old or max(newer - 1, 1)
    zone = site.tools.settings.zone
    return show(
        request,
        "plan_versions.html.j2",
        place=PLACE,
        plan_id=plan_id,
        title=names_in(shelf.text(plan_id))[0] or plan_id,
        rows=[{"version": v, "saved": _saved(v, zone)} for v in found],
        older=older,
        newer=newer,
        difference=compare_texts(shelf.text(plan_id, older), shelf.text(plan_id, newer)),
    )


@router.get("/plans/{plan_id}/versions/{number}")
def version(
    plan_id: PlanId, number: Number, request: Request, site: TheSite, who: Viewer
) -> HTMLResponse:
    """Show one version as it was kept."""
    shelf = shelf_of(site.tools.logbook)
    found = shelf.version(plan_ref(plan_id), number)
    text = shelf.text(plan_id, number)
    return show(
        request,
        "plan_version.html.j2",
        place=PLACE,
        plan_id=plan_id,
        edition=found,
        saved=_saved(found, site.tools.settings.zone),
        newest=shelf.numbers(plan_id)[-1],
        text=text,
        may_edit=who.role >= Role.ENGINEER,
        asks_name=not who.signed_in,
        **_work(site, read_draft(text, site.tools.library()), editable=False),
    )
