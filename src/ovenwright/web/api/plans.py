"""Plans: named, with versions; checked and edited as text; drawn; and what they can start from."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import Response

from ovenwright.errors import UnknownName, UsageError
from ovenwright.reporting.ink import PAPER
from ovenwright.reporting.oven_scene import View
from ovenwright.reporting.svg_oven import oven_picture
from ovenwright.reporting.words import Shown
from ovenwright.storage.plan_file import plan_json_schema
from ovenwright.storage.plan_shelf import ID, Standing, Version
from ovenwright.storage.presets import read_presets
from ovenwright.web.answers import TROUBLES
from ovenwright.web.door import Engineer, Viewer, Who, note
from ovenwright.web.refs import run_ref
from ovenwright.web.site import Site, TheSite
from ovenwright.workflow.advice import advise
from ovenwright.workflow.plan_drafting import Change, Draft, read_draft
from ovenwright.workflow.plan_keeping import (
    From,
    KeptPlan,
    compare_texts,
    keep_version,
    list_plans,
    retire_plan,
    shelf_of,
    start_plan,
)
from ovenwright.workflow.plan_places import Move, edit_text, scene_in

router = APIRouter(prefix="/api", tags=["plans"], responses=TROUBLES)

PlanId = Annotated[str, Path(max_length=64)]
Number = Annotated[int, Path(ge=1, le=999_999)]
Text = str
"""How long it may be is told by the verbs, in words; the guard bounds what is sent at all."""
Line = Annotated[str, Field(max_length=500)]
Said = Annotated[str, Field(max_length=100)]


class Body(BaseModel):
    """Refuses keys it does not know."""

    model_config = ConfigDict(extra="forbid")


class VersionFacts(BaseModel):
    """One version: ``faults`` is how many it had when it was kept."""

    plan: str
    number: int
    saved: str
    who: str
    why: str
    sha256: str
    faults: int
    origin: str


class StandingFacts(BaseModel):
    """A plan retired or brought back: when, by whom and why."""

    plan: str
    retired: bool
    at: str
    who: str
    why: str


class PlanFacts(BaseModel):
    """One plan at a glance; ``ready`` where its newest version had no fault.

    ``retired`` says when, by whom and why, where it is offered no more for new tests.
    """

    id: str
    title: str
    oven: str
    product: str
    channels: int
    ready: bool
    newest: VersionFacts
    runs: int
    last_run: str
    retired: StandingFacts | None = None


class WholePlan(BaseModel):
    """One version of a plan with its text."""

    facts: VersionFacts
    text: str
    versions: list[VersionFacts]
    standings: list[StandingFacts] = []


class FaultFacts(BaseModel):
    """One thing wrong: the key it is at, that place in words, its line, and what to do."""

    path: list[str | int]
    place: str
    line: int
    what: str
    remedy: str


class IntervalAdvice(BaseModel):
    """How often to read, and why."""

    interval_s: float
    worked_out_s: float
    rule: str
    channel: str
    reason: str
    planned_ok: bool


class Checked(BaseModel):
    """What a text says: ``data`` is null where it is no TOML."""

    ok: bool
    text: str
    data: dict[str, Any] | None
    faults: list[FaultFacts]
    advice: IntervalAdvice | None


class LineFacts(BaseModel):
    """One line of a comparison: old, new, both, or how many alike were left out."""

    side: Literal["both", "old", "new", "gap"]
    text: str
    old: int
    new: int


class DifferenceFacts(BaseModel):
    """What differs between two texts: in words, and line by line."""

    said: list[str]
    lines: list[LineFacts]


class PresetFacts(BaseModel):
    """One preset."""

    id: str
    title: str
    purpose: str
    sources: list[str]
    cautions: list[str]


class NewPlan(Body):
    """A new plan. ``name`` is the id of the preset, run or plan it starts from, or a file's name."""

    source: From
    name: Annotated[str, Field(max_length=140)] = ""
    text: Text = ""
    title: Said = ""
    why: Line = ""
    who: Said = ""


class NewVersion(Body):
    """The next version. ``based_on`` is the version the text was made from."""

    text: Text
    based_on: Annotated[int, Field(ge=1, le=999_999)]
    why: Line
    who: Said = ""
    unfinished: bool = False


class NewStanding(Body):
    """Why a plan is retired, or brought back."""

    why: Line
    who: Said = ""


class ToCheck(Body):
    """A text to be checked."""

    text: Text


class ToEdit(Body):
    """A text and the changes to be made in it, in their order."""

    text: Text
    changes: Annotated[list[Change | Move], Field(max_length=200)]


class ToCompare(Body):
    """A text to be held against a version that is kept; the newest when ``version`` is left out."""

    text: Text
    version: Annotated[int, Field(ge=1, le=999_999)] | None = None


# what endpoints and pages both need -------------------------------------------------------


def plan_ref(text: str) -> str:
    """Return a plan's id as an address may name it.

    Raises
    ------
    UnknownName : if it is none
    """
    if not ID.fullmatch(text):
        raise UnknownName("plan", text[:64])
    return text


def shown_in(site: Site) -> Shown:
    """Return the unit people of this server are shown."""
    return Shown(site.tools.settings.show_unit == "F", site.tools.settings.zone or "UTC")


def signed(who: Who, said: str) -> str:
    """Return who a version is of: the account that is signed in, else whoever it says."""
    return who.name if who.signed_in else said.strip() or who.name


def start(site: Site, who: Who, request: Request, wish: NewPlan) -> Version:
    """Keep a new plan and note it in the trail."""
    name = wish.name
    if wish.source is From.RUN:
        name = run_ref(name, site.tools.logbook)
    elif wish.source is From.PLAN:
        name = plan_ref(name)
    kept = start_plan(
        site.tools.logbook,
        site.tools.library(),
        wish.source,
        name=name,
        text=wish.text,
        title=wish.title,
        who=signed(who, wish.who),
        why=wish.why.strip(),
    )
    note(request, "started plan", f"plan {kept.plan}", why=kept.why)
    return kept


def keep(site: Site, who: Who, request: Request, plan_id: str, wish: NewVersion) -> Version:
    """Keep a version and note it in the trail."""
    kept = keep_version(
        site.tools.logbook,
        site.tools.library(),
        plan_ref(plan_id),
        wish.text,
        based_on=wish.based_on,
        who=signed(who, wish.who),
        why=wish.why,
        unfinished=wish.unfinished,
    )
    note(request, "kept plan version", f"plan {kept.plan}, version {kept.number}", why=kept.why)
    return kept


def version_facts(found: Version) -> VersionFacts:
    """Return a version as the API tells it."""
    return VersionFacts(
        plan=found.plan,
        number=found.number,
        saved=found.saved,
        who=found.who,
        why=found.why,
        sha256=found.sha256,
        faults=found.faults,
        origin=found.origin,
    )


def _plan_facts(found: KeptPlan) -> PlanFacts:
    return PlanFacts(
        id=found.id,
        title=found.title,
        oven=found.oven,
        product=found.product,
        channels=found.channels,
        ready=found.ready,
        newest=version_facts(found.newest),
        runs=found.runs,
        last_run=found.last_run,
        retired=standing_facts(found.retired) if found.retired else None,
    )


def standing_facts(found: Standing) -> StandingFacts:
    """Return a step of a plan's standing as the API tells it."""
    return StandingFacts(**asdict(found))


def stand(
    site: Site, who: Who, request: Request, plan_id: str, wish: NewStanding, *, back: bool
) -> Standing:
    """Retire a plan or bring it back, and note it in the trail."""
    made = retire_plan(
        site.tools.logbook,
        plan_ref(plan_id),
        who=signed(who, wish.who),
        why=wish.why,
        back=back,
    )
    note(request, "brought plan back" if back else "retired plan", f"plan {plan_id}", why=made.why)
    return made


def checked_facts(site: Site, draft: Draft) -> Checked:
    """Return a draft as the API tells it."""
    advice = None
    if draft.plan is not None:
        a = advise(draft.plan, site.tools.library())
        advice = IntervalAdvice(
            interval_s=a.interval_s,
            worked_out_s=a.worked_out_s,
            rule=a.rule,
            channel=a.channel,
            reason=a.reason,
            planned_ok=a.planned_ok,
        )
    return Checked(
        ok=draft.plan is not None,
        text=draft.text,
        data=dict(draft.data) if draft.data is not None else None,
        faults=[
            FaultFacts(path=list(f.path), place=f.place, line=f.line, what=f.what, remedy=f.remedy)
            for f in draft.faults
        ],
        advice=advice,
    )


# endpoints --------------------------------------------------------------------------------


@router.get("/plans")
def plans(site: TheSite, _: Viewer) -> list[PlanFacts]:
    """List the plans of this logbook, the one kept last first."""
    return [_plan_facts(p) for p in list_plans(site.tools.logbook, site.tools.catalogue)]


@router.post("/plans", status_code=201)
def new_plan(wish: NewPlan, site: TheSite, who: Engineer, request: Request) -> VersionFacts:
    """Start a plan from a preset, a run, another plan, a text, or nothing."""
    return version_facts(start(site, who, request, wish))


@router.post("/plans/check")
def check(wish: ToCheck, site: TheSite, _: Viewer) -> Checked:
    """Say what a text says, every fault in it, and how often to read."""
    return checked_facts(site, read_draft(wish.text, site.tools.library()))


@router.post("/plans/edit")
def edit(wish: ToEdit, site: TheSite, _: Engineer) -> Checked:
    """Change a text in place, comments kept, and check it; nothing is kept on disk."""
    text = edit_text(wish.text, wish.changes)
    return checked_facts(site, read_draft(text, site.tools.library()))


@router.get("/plans/{plan_id}")
def plan(plan_id: PlanId, site: TheSite, _: Viewer) -> WholePlan:
    """Return the newest version of a plan, and what is known of all its versions."""
    shelf = shelf_of(site.tools.logbook)
    versions = shelf.versions(plan_ref(plan_id))
    return WholePlan(
        facts=version_facts(versions[0]),
        text=shelf.text(plan_id, versions[0].number),
        versions=[version_facts(v) for v in versions],
        standings=[standing_facts(s) for s in shelf.standings(plan_id)],
    )


@router.put("/plans/{plan_id}")
def keep_plan(
    plan_id: PlanId, wish: NewVersion, site: TheSite, who: Engineer, request: Request
) -> VersionFacts:
    """Keep the next version; refused with 409 when it was made from an older one than the newest."""
    return version_facts(keep(site, who, request, plan_id, wish))


@router.post("/plans/{plan_id}/retire")
def retire(
    plan_id: PlanId, wish: NewStanding, site: TheSite, who: Engineer, request: Request
) -> StandingFacts:
    """Offer a plan no more for new tests; its versions, runs and verdicts stay as they are."""
    return standing_facts(stand(site, who, request, plan_id, wish, back=False))


@router.post("/plans/{plan_id}/bring-back")
def bring_back(
    plan_id: PlanId, wish: NewStanding, site: TheSite, who: Engineer, request: Request
) -> StandingFacts:
    """Offer a retired plan again."""
    return standing_facts(stand(site, who, request, plan_id, wish, back=True))


@router.get("/plans/{plan_id}/versions/{number}")
def version(plan_id: PlanId, number: Number, site: TheSite, _: Viewer) -> WholePlan:
    """Return one version of a plan."""
    shelf = shelf_of(site.tools.logbook)
    return WholePlan(
        facts=version_facts(shelf.version(plan_ref(plan_id), number)),
        text=shelf.text(plan_id, number),
        versions=[version_facts(v) for v in shelf.versions(plan_id)],
    )


@router.get("/plans/{plan_id}/differences")
def differences(
    plan_id: PlanId,
    site: TheSite,
    _: Viewer,
    old: Annotated[int, Query(ge=1, le=999_999)],
    new: Annotated[int, Query(ge=1, le=999_999)],
) -> DifferenceFacts:
    """Tell what differs between two versions."""
    shelf = shelf_of(site.tools.logbook)
    plan_id = plan_ref(plan_id)
    return _difference(shelf.text(plan_id, old), shelf.text(plan_id, new))


@router.post("/plans/{plan_id}/differences")
def difference_to(plan_id: PlanId, wish: ToCompare, site: TheSite, _: Viewer) -> DifferenceFacts:
    """Tell what differs between a version that is kept and a text that is not."""
    kept = shelf_of(site.tools.logbook).text(plan_ref(plan_id), wish.version)
    return _difference(kept, wish.text)


def _difference(old: str, new: str) -> DifferenceFacts:
    found = compare_texts(old, new)
    return DifferenceFacts(
        said=list(found.said),
        lines=[
            LineFacts(side=line.side.value, text=line.text, old=line.old, new=line.new)
            for line in found.lines
        ],
    )


SVG: dict[int | str, dict[str, Any]] = {
    200: {"content": {"image/svg+xml": {}}, "description": "The picture"}
}


@router.get("/plans/{plan_id}/drawing.svg", responses=SVG, response_class=Response)
def drawing(
    plan_id: PlanId,
    site: TheSite,
    _: Viewer,
    view: View = View.ABOVE,
    version: Annotated[int, Query(ge=1, le=999_999)] | None = None,
) -> Response:
    """Draw a plan's oven from above or from the side, with its channels."""
    text = shelf_of(site.tools.logbook).text(plan_ref(plan_id), version)
    draft = read_draft(text, site.tools.library())
    scene = scene_in(draft.data or {}, view, shown_in(site))
    if scene is None:
        raise UsageError(
            "the plan's oven can't be drawn", where=plan_id, remedy="mend its faults first"
        )
    return Response(oven_picture(scene, PAPER), media_type="image/svg+xml")


@router.get("/presets")
def presets(_: Viewer) -> list[PresetFacts]:
    """List the presets a plan can start from."""
    return [
        PresetFacts(
            id=p.id,
            title=p.title,
            purpose=p.purpose,
            sources=list(p.sources),
            cautions=list(p.cautions),
        )
        for p in read_presets()
    ]


@router.get("/plan-schema")
def plan_schema(_: Viewer) -> dict[str, Any]:
    """Return the JSON Schema of a plan file's content."""
    return plan_json_schema()
