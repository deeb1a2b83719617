"""Product records of the model: which runs they rest on, what those told; runs fitted into one."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request

from ovenwright.web.answers import TROUBLES, told_trouble
from ovenwright.web.api.jobs import JobFacts
from ovenwright.web.door import Engineer, Viewer, note
from ovenwright.web.records_shown import MOST_RUNS, fit_into, said
from ovenwright.web.refs import run_ref
from ovenwright.web.site import Site, TheSite
from ovenwright.workflow.records_kept import RecordKept, record_kept, records_kept

router = APIRouter(prefix="/api/product-records", tags=["model"], responses=TROUBLES)

Name = Annotated[str, Path(max_length=80)]


class RecordRunFacts(BaseModel):
    """One run a record rests on; ``there`` where this logbook holds those very readings."""

    id: str
    digest: str
    channels: list[str]
    title: str
    there: bool


class ParameterFacts(BaseModel):
    """One parameter, in the unit named: ``told`` where the runs narrowed it worth speaking of."""

    name: str
    unit: str
    words: str
    median: float
    interval_90: tuple[float, float]
    prior_90: tuple[float, float]
    told: bool
    source: str


class RecordFacts(BaseModel):
    """One product record; ``trouble`` says why it can't be read, where it can't."""

    name: str
    kind: str
    said: str
    runs: list[RecordRunFacts]
    kinds: dict[str, float]
    parameters: list[ParameterFacts]
    trouble: dict[str, Any] | None


class FitWish(BaseModel):
    """Runs to be fitted into a record; each replaces what it told before."""

    model_config = ConfigDict(extra="forbid")

    runs: Annotated[
        list[Annotated[str, Field(max_length=140)]], Field(min_length=1, max_length=MOST_RUNS)
    ]


def _facts(site: Site, found: RecordKept) -> RecordFacts:
    return RecordFacts(
        name=found.name,
        kind=found.kind,
        said=said(found),
        runs=[RecordRunFacts(**asdict(r)) for r in found.runs],
        kinds=dict(found.kinds),
        parameters=[
            ParameterFacts(
                name=p.parameter,
                unit=p.unit,
                words=p.words,
                median=p.median,
                interval_90=p.interval_90,
                prior_90=p.prior_90,
                told=p.told,
                source=p.source,
            )
            for p in found.parameters
        ],
        trouble=told_trouble(site, found.trouble) if found.trouble is not None else None,
    )


@router.get("")
def records(site: TheSite, _: Viewer) -> list[RecordFacts]:
    """List the product records that this logbook keeps."""
    return [_facts(site, r) for r in records_kept(site.tools.logbook)]


@router.get("/{name}")
def record(name: Name, site: TheSite, _: Viewer) -> RecordFacts:
    """Tell one product record: its runs, and what they told of the product."""
    return _facts(site, record_kept(site.tools.logbook, name))


@router.post("/{name}", status_code=202)
def fit(name: Name, wish: FitWish, site: TheSite, who: Engineer, request: Request) -> JobFacts:
    """Fit runs into a product record, made where there is none of that name; follow the job."""
    runs = [run_ref(r, site.tools.logbook) for r in wish.runs]
    job = fit_into(site, name, runs, who=who.name)
    note(request, "fitted product record", name, why=", ".join(runs))
    return JobFacts(**job.facts())
