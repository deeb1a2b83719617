"""Sensors: look for instruments, write them into plans, take over what checks proved."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request

from ovenwright.errors import UsageError
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.plan_shelf import Version
from ovenwright.storage.run_facts import iso_from_ns
from ovenwright.web.answers import TROUBLES
from ovenwright.web.api.plans import VersionFacts, plan_ref, version_facts
from ovenwright.web.checking import plain_data
from ovenwright.web.door import Engineer, Operator, Viewer, Who, note
from ovenwright.web.hearing import LONGEST_S, Search, address_ref, asked, hearings_of
from ovenwright.web.refs import token_ref
from ovenwright.web.site import Site, TheSite
from ovenwright.web.starting import plan_text
from ovenwright.workflow.found_onto_shelf import begin_with_found, write_onto_shelf
from ovenwright.workflow.plan_keeping import shelf_of
from ovenwright.workflow.proof_into_plan import KeptProof, proofs_of_plan, proofs_of_text, take_over

router = APIRouter(prefix="/api/sensors", tags=["sensors"], responses=TROUBLES)


class Body(BaseModel):
    """Refuses keys it does not know."""

    model_config = ConfigDict(extra="forbid")


class SearchWish(Body):
    """Where to look, for how long, and the plan to hold it against.

    ``first_unit`` and ``last_unit`` are of Modbus; ``measure`` lets a SCPI instrument measure once.
    """

    url: str = Field(max_length=300)
    seconds: float = Field(10.0, ge=1, le=LONGEST_S, allow_inf_nan=False)
    plan: str = Field("", max_length=160)
    first_unit: int = Field(1, ge=0, le=247)
    last_unit: int = Field(16, ge=0, le=247)
    measure: bool = False


class SearchFacts(BaseModel):
    """A search and what was heard: ``found`` is null while it listens."""

    id: str
    url: str
    plan: str
    seconds: float
    state: str
    share: float
    error: dict[str, Any] | None
    found: dict[str, Any] | None


class WriteWish(Body):
    """Which plan is to read what was heard; without one a plan is begun, under ``title``."""

    plan: str = Field("", max_length=64)
    title: str = Field("", max_length=100)


class Written(BaseModel):
    """The version that was kept, and the channels that were added to the plan."""

    version: VersionFacts
    added: list[str]


class ProofFacts(BaseModel):
    """A proof that is kept: ``version`` is the plan's that was proved."""

    key: str
    proved: str
    version: int
    newest: bool
    readiness: str
    facts: dict[str, Any]


class CalibrationFacts(BaseModel):
    """The calibration record of one channel of a plan; null where it has none."""

    channel: str
    sensor: str
    record: dict[str, Any] | None


class TakeOver(Body):
    """What of a proof is taken over into the plan."""

    calibrations: Annotated[list[str], Field(max_length=512)] = []
    inputs: bool = False


# what endpoints and pages both need -------------------------------------------------------


def begin_search(request: Request, site: Site, who: Who, wish: SearchWish) -> Search:
    """Start a search and note it in the trail."""
    url = address_ref(site, wish.url)
    if wish.first_unit > wish.last_unit:
        raise UsageError(
            f"units {wish.first_unit} to {wish.last_unit} can't be asked",
            remedy="give the lower one first",
        )
    asking = asked(
        url,
        seconds=wish.seconds,
        first_unit=wish.first_unit,
        last_unit=wish.last_unit,
        measure=wish.measure,
    )
    found = hearings_of(request).start(site, asking, plan_id=wish.plan, who=who.name)
    note(request, "looked for instruments", url)
    return found


def write_found(
    request: Request, site: Site, who: Who, search: Search, wish: WriteWish
) -> tuple[Version, tuple[str, ...]]:
    """Write what was heard into a plan, or begin one with it, and note it in the trail."""
    if search.findings is None:
        raise UsageError("nothing was heard yet", remedy="wait until the search is over")
    book, library = site.tools.logbook, site.tools.library()
    heard, url = search.findings.heard, search.asking.url
    added: tuple[str, ...] = ()
    if wish.plan:
        kept, added = write_onto_shelf(book, library, plan_ref(wish.plan), heard, url, who=who.name)
    else:
        kept = begin_with_found(book, library, heard, url, title=wish.title, who=who.name)
    note(request, "kept plan version", f"plan {kept.plan}, version {kept.number}", why=kept.why)
    return kept, added


def kept_proofs(site: Site, plan: str) -> tuple[KeptProof, ...]:
    """Return the proofs of a plan: of all its versions, or of the one text a run was made with."""
    book = site.tools.logbook
    if plan in shelf_of(book).ids():
        return proofs_of_plan(book, plan)
    return proofs_of_text(book, plan_text(site, plan))


def accept(
    request: Request, site: Site, who: Who, plan: str, *, key: str, wish: TakeOver
) -> Version:
    """Take over what a proof found into the plan's next version, and note it in the trail."""
    kept = take_over(
        site.tools.logbook,
        site.tools.library(),
        plan_ref(plan),
        token_ref("proof", key),
        calibrations=wish.calibrations,
        inputs=wish.inputs,
        who=who.name,
    )
    note(request, "kept plan version", f"plan {kept.plan}, version {kept.number}", why=kept.why)
    return kept


# endpoints --------------------------------------------------------------------------------


@router.get("/searches")
def searches(request: Request, _: Viewer) -> list[SearchFacts]:
    """List the searches of this server, the newest first."""
    return [SearchFacts(**s.facts()) for s in hearings_of(request).all()]


@router.post("/searches", status_code=201)
def search(request: Request, wish: SearchWish, site: TheSite, who: Operator) -> SearchFacts:
    """Listen at an address for modules and their inputs; a job of that id is followed or ended."""
    return SearchFacts(**begin_search(request, site, who, wish).facts())


@router.get("/searches/{search_id}")
def heard(request: Request, search_id: str, _: Viewer) -> SearchFacts:
    """Say what was heard."""
    return SearchFacts(**hearings_of(request).get(token_ref("search", search_id)).facts())


@router.post("/searches/{search_id}/write", status_code=201)
def write(
    request: Request, search_id: str, wish: WriteWish, site: TheSite, who: Engineer
) -> Written:
    """Keep a next version of a plan that reads what was heard, or begin a plan with it."""
    found = hearings_of(request).get(token_ref("search", search_id))
    version, added = write_found(request, site, who, found, wish)
    return Written(version=version_facts(version), added=list(added))


@router.get("/plans/{plan}/proofs")
def proofs(plan: str, site: TheSite, _: Viewer) -> list[ProofFacts]:
    """List what was proved for a plan, over all its versions, the newest first."""
    return [
        ProofFacts(
            key=k.key,
            proved=iso_from_ns(k.proved_ns),
            version=k.version,
            newest=k.newest,
            readiness=k.readiness,
            facts=plain_data({n: v for n, v in k.facts.items() if n != "kept"}),
        )
        for k in kept_proofs(site, plan)
    ]


@router.get("/plans/{plan}/calibrations")
def calibrations(plan: str, site: TheSite, _: Viewer) -> list[CalibrationFacts]:
    """List the calibration records of a plan's channels."""
    return [
        CalibrationFacts(
            channel=c.name,
            sensor=c.sensor.value,
            record=plain_data(c.certificate.model_dump(mode="json")) if c.certificate else None,
        )
        for c in parse_plan(plan_text(site, plan)).channels
    ]


@router.post("/plans/{plan}/proofs/{proof}/take-over", status_code=201)
def taken_over(
    request: Request, plan: str, proof: str, *, wish: TakeOver, site: TheSite, who: Engineer
) -> VersionFacts:
    """Keep a next version of the plan with what a proof found: records, or inputs put right."""
    return version_facts(accept(request, site, who, plan, key=proof, wish=wish))
