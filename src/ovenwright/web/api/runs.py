"""Sealed runs: found, and told about."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from starlette.requests import Request
from starlette.responses import Response

from ovenwright.catalogue.entries import RunEntry
from ovenwright.errors import UnknownName
from ovenwright.storage.run_facts import SealedFacts, iso_from_ns
from ovenwright.web.answers import TROUBLES
from ovenwright.web.api.jobs import JobFacts
from ovenwright.web.door import Operator, Viewer, Who, note
from ovenwright.web.jobs import Job
from ovenwright.web.moments import day_start_ns
from ovenwright.web.refs import run_ref
from ovenwright.web.runs_shown import shown_unit, spark_svg
from ovenwright.web.site import Site, TheSite
from ovenwright.workflow.keeping import Listing, Wish, entry_of, list_runs
from ovenwright.workflow.sparks import make_spark

router = APIRouter(prefix="/api", tags=["runs"], responses=TROUBLES)

MOST = 200
Text = Annotated[str, Field(max_length=200)]
Day = Annotated[str, Field(max_length=40, description="such as 2026-03-04, in the people's zone")]


class Wanted(BaseModel):
    """Which runs are wanted; what is left empty does not narrow. ``none`` was never judged."""

    text: Text = ""
    oven: Text = ""
    product: Text = ""
    verdict: Literal["", "pass", "fail", "undecided", "none"] = ""
    since: Day = ""
    until: Day = ""
    limit: Annotated[int, Field(ge=1, le=MOST)] = 50
    offset: Annotated[int, Field(ge=0, le=10_000_000)] = 0


class RunFacts(BaseModel):
    """One sealed run in a list; ``run`` is its id once more, as the command line names it.

    ``start`` is null where the file gave no dates. ``verdict`` is that of the last judgement.
    """

    id: str
    run: str
    state: str = "sealed"
    title: str
    start: str | None
    sealed: str
    duration_s: float
    channels: list[str]
    samples: int
    oven: str
    product: str
    verdict: str | None
    judgements: int
    digest: str
    parent_digest: str | None
    time_zone: str
    link: str


class RunsFound(BaseModel):
    """A part of the runs that fit: ``total`` of them fit, ``in_logbook`` there are in all."""

    logbook: str
    total: int
    in_logbook: int
    limit: int
    offset: int
    runs: list[RunFacts]
    troubles: list[str]


class ChannelFacts(BaseModel):
    """One channel of a run: readings, how many of them are missing, the unit they came in."""

    name: str
    count: int
    missing: int
    raw_unit: str
    role: str | None = None
    sensor: str | None = None


class RunTold(RunFacts):
    """Everything that is known of a run without reading its values.

    ``judgement`` is the last one, as it was kept; ``plan`` the text sealed with the run.
    """

    end: str | None
    channel_facts: list[ChannelFacts]
    marks: list[dict[str, Any]]
    instrument: dict[str, Any]
    notes: list[str]
    set_aside: list[str]
    software: str
    plan: str
    judgement: dict[str, Any] | None


def run_facts(entry: RunEntry) -> dict[str, Any]:
    """Return a run as its twin tells it."""
    return {
        "id": entry.id,
        "run": entry.id,
        "title": entry.title,
        "start": iso_from_ns(entry.start_ns) if entry.absolute else None,
        "sealed": iso_from_ns(entry.sealed_ns),
        "duration_s": entry.duration_s,
        "channels": list(entry.channels),
        "samples": entry.samples,
        "oven": entry.oven,
        "product": entry.product,
        "verdict": entry.verdict or None,
        "judgements": entry.judgements,
        "digest": entry.digest,
        "parent_digest": entry.parent_digest or None,
        "time_zone": entry.time_zone,
        "link": f"/runs/{entry.id}",
    }


def find_runs(
    site: Site,
    *,
    text: str = "",
    oven: str = "",
    product: str = "",
    verdict: str = "",
    since: str = "",
    until: str = "",
    limit: int = 50,
    offset: int = 0,
) -> Listing:
    """Return the runs that fit; days are those of the people's zone, the last one included.

    Raises
    ------
    UsageError : if a day is none
    """
    zone = site.tools.settings.zone
    wish = Wish(
        text=text,
        oven=oven,
        product=product,
        verdict=verdict,
        since_ns=day_start_ns(since, zone),
        until_ns=day_start_ns(until, zone, after=True),
        limit=limit,
        offset=offset,
    )
    found = list_runs(site.tools.logbook, site.tools.catalogue, wish)
    # a browser need not know this machine's folders
    folders = {str(f) for f in (site.tools.logbook.folder, site.tools.logbook.folder.absolute())}
    troubles = list(found.troubles)
    for folder in sorted(folders, key=len, reverse=True):
        troubles = [t.replace(folder, "logbook") for t in troubles]
    return replace(found, troubles=tuple(troubles))


@router.get("/runs")
def runs(site: TheSite, _: Viewer, wanted: Annotated[Wanted, Query()]) -> RunsFound:
    """Find runs, the one sealed last first; every word of ``text`` must be found somewhere."""
    found = find_runs(site, **wanted.model_dump())
    return RunsFound(
        logbook=site.tools.logbook.folder.absolute().name,
        total=found.fitting,
        in_logbook=found.total,
        limit=wanted.limit,
        offset=wanted.offset,
        runs=[RunFacts(**run_facts(r)) for r in found.runs],
        troubles=list(found.troubles),
    )


@router.get("/runs/{run_id}")
def run(run_id: str, site: TheSite, _: Viewer) -> RunTold:
    """Tell what is known of a run: facts, channels, marks, its plan and the last judgement."""
    book = site.tools.logbook
    ref = run_ref(run_id, book)
    facts = book.facts(ref)
    kept = book.judgements(ref)
    entry = entry_of(facts, book, ref)
    told = run_facts(entry) | {
        "verdict": str(kept[-1]["judgement"].get("verdict", "")) or None if kept else None,
        "judgements": len(kept),
    }
    return RunTold(
        **told,
        end=iso_from_ns(facts.end_ns) if facts.absolute else None,
        channel_facts=_channels(facts),
        marks=[
            {
                "kind": m.kind.value,
                "at_s": (m.time_ns - facts.start_ns) / 1e9,
                "until_s": None if m.until_ns is None else (m.until_ns - facts.start_ns) / 1e9,
                "channel": m.channel,
                "text": m.text,
                "by": m.by,
            }
            for m in facts.marks
        ],
        instrument={
            "name": facts.instrument.name,
            "serial": facts.instrument.serial,
            "firmware": facts.instrument.firmware,
            "reference_junction_c": facts.instrument.reference_junction_c,
            "resolution_k": facts.instrument.resolution_k,
            "origin": list(facts.instrument.origin),
            "origin_sha256": list(facts.instrument.origin_sha256),
        },
        notes=list(facts.notes),
        set_aside=list(facts.set_aside),
        software=facts.software,
        plan=facts.plan_toml,
        judgement=kept[-1] if kept else None,
    )


def _channels(facts: SealedFacts) -> list[ChannelFacts]:
    import tomllib

    try:
        planned = tomllib.loads(facts.plan_toml).get("channels", [])
        known = {c.get("name"): c for c in planned if isinstance(c, dict)}
    except (tomllib.TOMLDecodeError, AttributeError, TypeError):
        known = {}
    return [
        ChannelFacts(
            name=c.name,
            count=c.count,
            missing=c.missing,
            raw_unit=c.raw_unit,
            role=_word(known.get(c.name, {}).get("role")),
            sensor=_word(known.get(c.name, {}).get("sensor")),
        )
        for c in facts.channels
    ]


def _word(value: object) -> str | None:
    return value if isinstance(value, str) else None


@router.get(
    "/runs/{run_id}/spark.svg",
    response_class=Response,
    responses={200: {"content": {"image/svg+xml": {}}}},
)
def spark(run_id: str, site: TheSite, _: Viewer) -> Response:
    """Draw a run at a glance: the span from its coldest to its hottest channel over time."""
    book = site.tools.logbook
    ref = run_ref(run_id, book)
    found = make_spark(book, entry_of(book.facts(ref), book, ref))
    if found is None:
        raise UnknownName("picture of run", ref)
    svg = spark_svg(found, shown_unit(site)).replace(
        "<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1
    )
    return Response(svg, media_type="image/svg+xml")


@router.post("/demo", status_code=202)
def demo(request: Request, site: TheSite, who: Operator) -> JobFacts:
    """Bake and judge the invented demo in the virtual oven, as a job; no instrument is needed."""
    return JobFacts(**start_demo(request, site, who).facts())


_STEPS = 6


def start_demo(request: Request, site: Site, who: Who) -> Job:
    """Start the demo; one that runs already is followed instead."""
    title = "the demo"
    for job in site.jobs.all():
        if job.title == title and not job.over:
            return job

    def work(job: Job) -> dict[str, Any]:
        from ovenwright.workflow.demo import run_demo

        done = 0

        def tell(words: str) -> None:
            nonlocal done
            job.tell(done / _STEPS, words)
            done += 1

        tools = site.tools
        told = run_demo(
            tools.logbook, tools.library(), show_unit=tools.settings.show_unit, tell=tell
        )
        job.link = f"/runs/{told.bake.run.id}"
        made = [told.bake, told.restated, told.survey]
        return {"runs": [one.run.id for one in made], "found": list(told.found)}

    note(request, "demo started", title)
    return site.jobs.start(title, work, who=who.name)
