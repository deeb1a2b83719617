"""Readings on their way in: handed in, looked at, decided on, sealed and judged."""

from __future__ import annotations

import json
import time
from typing import Any

from anyio.to_thread import run_sync
from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request

from ovenwright.errors import UsageError
from ovenwright.storage.presets import preset_ids
from ovenwright.storage.run_facts import iso_from_ns
from ovenwright.storage.staging import Lot
from ovenwright.web.answers import TROUBLES
from ovenwright.web.api.jobs import JobFacts
from ovenwright.web.door import Operator, Viewer, Who, note
from ovenwright.web.jobs import Job
from ovenwright.web.lot_facts import (
    Decided,
    Review,
    decided,
    keep_decided,
    own_plan,
    staging,
)
from ovenwright.web.lots import review, seal
from ovenwright.web.receiving import Received, receive
from ovenwright.web.refs import token_ref
from ovenwright.web.site import Site, TheSite

router = APIRouter(prefix="/api", tags=["bringing in"], responses=TROUBLES)

FORM: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "required": ["file"],
                    "properties": {
                        "file": {
                            "type": "array",
                            "items": {"type": "string", "format": "binary"},
                            "minItems": 1,
                            "description": "files of readings: text, .gz, XLSX, ODS, Parquet",
                        },
                        "plan": {
                            "type": "string",
                            "format": "binary",
                            "description": "a plan as TOML, as a file or as text; or preset:ID, "
                            "kept:ID, shelf:ID",
                        },
                        "choices": {
                            "type": "string",
                            "description": "what is decided, as the JSON of Decided; each of its "
                            "fields may also stand by itself, lists parted by commas",
                        },
                    },
                }
            }
        },
    }
}


class LotFacts(BaseModel):
    """A lot of files that waits."""

    id: str
    made: str
    by: str
    files: list[str]


class Imported(BaseModel):
    """A run that was brought in; ``verdict`` is null where there was no plan to judge under."""

    model_config = ConfigDict(extra="allow")

    id: str
    run: str
    link: str
    verdict: str | None
    why_no_verdict: str | None
    digest: str
    start: str | None
    samples: int
    interval_s: float | None
    channels: list[dict[str, Any]]
    set_aside: list[str]
    notes: list[str]
    concluded: list[dict[str, Any]]


# receiving --------------------------------------------------------------------------------


def _decided_from(fields: dict[str, str]) -> Decided:
    """Return what a form's fields decide: the field ``choices`` first, single fields over it.

    Raises
    ------
    UsageError : if a field can't be understood
    """
    found: dict[str, Any] = {}
    if fields.get("choices"):
        try:
            found = json.loads(fields["choices"])
        except (ValueError, RecursionError) as cause:
            raise UsageError("choices is no JSON", where="choices") from cause
        if not isinstance(found, dict):
            raise UsageError("choices is no JSON object", where="choices")
    lists = {"time_columns", "channels", "left_out", "taken", "missing"}
    for name in Decided.model_fields:
        text = fields.get(name) or fields.get(name.replace("_", "-")) or ""
        if name in {"units", "roles", "sensors", "columns", "plan"} or not text:
            continue
        found[name] = [w.strip() for w in text.split(",") if w.strip()] if name in lists else text
    return decided_of(found)


def decided_of(found: dict[str, Any]) -> Decided:
    """Return choices that came as plain data.

    Raises
    ------
    UsageError : if one of them can't be understood
    """
    try:
        return Decided.model_validate(found)
    except ValidationError as cause:
        first = cause.errors()[0]
        where = ".".join(str(p) for p in first["loc"])
        raise UsageError(str(first["msg"]).lower(), where=where, remedy="see /openapi.json") from (
            cause
        )


async def take_in(request: Request, site: Site, who: Who) -> Lot:
    """Receive a form with files into a new lot; nothing stays of one that is refused."""
    lot = await run_sync(staging(site).create)
    try:
        received = await receive(request, lot.place)
        await run_sync(_settle, lot, received, who)
    except BaseException:
        await run_sync(lot.discard)
        raise
    return lot


def _settle(lot: Lot, received: Received, who: Who) -> None:
    what = _decided_from(received.fields)
    plan = received.fields.get("plan", "")
    for name, path in received.files:
        if name == "plan":
            plan = path.read_text("utf-8-sig", errors="replace")
            path.unlink()
    if not lot.files():
        raise UsageError("no file came", where="file", remedy="choose at least one file")
    if plan and "\n" not in plan and plan.partition(":")[0] in {"preset", "kept", "shelf"}:
        what = what.model_copy(update={"plan": plan.strip()})
    elif plan in preset_ids():
        what = what.model_copy(update={"plan": f"preset:{plan}"})
    elif plan.strip():
        own_plan(lot).write_text(plan, encoding="utf-8")
        what = what.model_copy(update={"plan": "file"})
    lot.keep({"made": iso_from_ns(time.time_ns()), "by": who.name})
    keep_decided(lot, what)


# endpoints --------------------------------------------------------------------------------


@router.post("/import", openapi_extra=FORM)
async def bring_in_at_once(request: Request, site: TheSite, who: Operator) -> Imported:
    """Bring in files and judge them at once: answers with the run's id and its verdict.

    Without a plan the readings are sealed and nothing is judged. Files that can be read in two ways
    are refused, naming the choice that decides; nothing is kept then.
    """
    lot = await take_in(request, site, who)
    try:
        done = await run_sync(seal, site, lot)
    finally:
        await run_sync(lot.discard)
    await run_sync(note, request, "readings brought in", done.brought.run.id)
    return Imported(**done.facts())


@router.get("/imports")
def waiting(site: TheSite, _: Viewer) -> list[LotFacts]:
    """List the lots of files that wait to be brought in, the one touched last first."""
    found = []
    for lot in staging(site).all():
        facts = lot.facts()
        found.append(
            LotFacts(
                id=lot.id,
                made=str(facts.get("made", "")),
                by=str(facts.get("by", "")),
                files=[f.name for f in lot.files()],
            )
        )
    return found


@router.post("/imports", status_code=201, openapi_extra=FORM)
async def hand_in(request: Request, site: TheSite, who: Operator) -> Review:
    """Hand in files to look at: answers with what is concluded; nothing is kept in the logbook."""
    lot = await take_in(request, site, who)
    return await run_sync(review, site, lot)


@router.get("/imports/{lot_id}")
def look(lot_id: str, site: TheSite, _: Viewer) -> Review:
    """Say what is concluded of a lot, beside its first rows."""
    return review(site, staging(site).get(token_ref("lot of files", lot_id)))


@router.patch("/imports/{lot_id}")
def decide(lot_id: str, change: Decided, site: TheSite, _: Operator) -> Review:
    """Decide something; fields that are not sent stay as they were, empty ones are concluded."""
    lot = staging(site).get(token_ref("lot of files", lot_id))
    sent = {name: getattr(change, name) for name in change.model_fields_set}
    keep_decided(lot, decided(lot).model_copy(update=sent))
    return review(site, lot)


@router.delete("/imports/{lot_id}", status_code=204)
def throw_away(lot_id: str, site: TheSite, _: Operator) -> None:
    """Throw a lot away; nothing of it was kept."""
    staging(site).get(token_ref("lot of files", lot_id)).discard()


@router.post("/imports/{lot_id}/bring-in", status_code=202)
def bring_in_lot(lot_id: str, request: Request, site: TheSite, who: Operator) -> JobFacts:
    """Seal a lot's readings and judge them under its plan, as a job that ends at the result."""
    lot = staging(site).get(token_ref("lot of files", lot_id))
    return JobFacts(**start_sealing(request, site, lot, who).facts())


def start_sealing(request: Request, site: Site, lot: Lot, who: Who) -> Job:
    """Start the job that brings a lot in.

    Raises
    ------
    UsageError : if something is still in the way
    HTTPException : 409 if it is being brought in already
    """
    facts = lot.facts()
    before = facts.get("job", "")
    if before and any(j.id == before and not j.over for j in site.jobs.all()):
        raise HTTPException(409, "these files are being brought in already")
    found = review(site, lot)
    in_the_way = found.trouble or found.plan_trouble
    if in_the_way is not None:
        raise UsageError(
            in_the_way.what, where=in_the_way.where, remedy=in_the_way.remedy or "decide it first"
        )

    def work(job: Job) -> dict[str, Any]:
        done = seal(site, lot, job.tell)
        run = done.brought.run
        job.link = f"/runs/{run.id}"
        note(request, "readings brought in", run.id)
        return {"run": run.id} | {k: v for k, v in done.facts().items() if k in _TOLD}

    names = ", ".join(f.name for f in lot.files())
    job = site.jobs.start(f"bring in {names}", work, who=who.name)
    lot.keep(facts | {"job": job.id})
    return job


_TOLD = frozenset({"id", "link", "verdict", "why_no_verdict", "samples", "digest"})
