"""Ovens and products over the runs of this logbook: counts, measures, reference runs."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, ConfigDict, StringConstraints
from starlette.requests import Request

from ovenwright.storage.reference_runs import ReferenceRun, ReferenceRuns
from ovenwright.storage.run_facts import iso_from_ns
from ovenwright.web.answers import TROUBLES
from ovenwright.web.door import Engineer, Viewer, note
from ovenwright.web.refs import run_ref
from ovenwright.web.site import TheSite
from ovenwright.workflow.histories import (
    History,
    Measured,
    Point,
    drop_reference,
    history_of,
    oven_product_pairs,
    set_reference,
)

router = APIRouter(prefix="/api", tags=["ovens and products"], responses=TROUBLES)

Name = Annotated[str, Path(max_length=300)]
Why = Annotated[str, StringConstraints(min_length=1, max_length=1000)]
Word = Annotated[str, StringConstraints(max_length=300)]


class Pair(BaseModel):
    """One product in one oven: its runs, their last verdicts, and the reference run."""

    oven: str
    product: str
    runs: int
    passed: int
    failed: int
    undecided: int
    last: str
    reference: str | None


class PointFacts(BaseModel):
    """One run in the history of a measure; null where there is no number."""

    run: str
    start: str | None
    sealed: str
    channel: str
    value: float | None
    low_95: float | None
    high_95: float | None
    standard_uncertainty: float | None
    probability: float | None
    verdict: str
    reference: bool


class MeasureHistory(BaseModel):
    """One requirement's measure over runs, oldest first, in the unit named."""

    oven: str
    product: str
    requirement: str
    measure: str
    unit: str
    at_least: float | None
    at_most: float | None
    points: list[PointFacts]


class Reference(BaseModel):
    """A choice of the run that others are held against; an empty ``run`` means none any more."""

    model_config = ConfigDict(from_attributes=True)

    oven: str
    product: str
    run: str
    digest: str
    set: str
    by: str
    why: str


class HistoryTold(BaseModel):
    """What is known of an oven or a product from its runs."""

    pairs: list[Pair]
    runs: list[str]
    references: list[Reference]
    measures: list[MeasureHistory]


class ReferenceWish(BaseModel):
    """Which run is to be the reference of its product in its oven, and why."""

    model_config = ConfigDict(extra="forbid")

    run: Word
    why: Why


class DropWish(BaseModel):
    """Which pair is to have no reference run any more, and why."""

    oven: Word
    product: Word
    why: Why


@router.get("/ovens")
def ovens(site: TheSite, _: Viewer) -> list[Pair]:
    """List each oven with each of its products, the one run last first."""
    tools = site.tools
    held = ReferenceRuns(tools.logbook.folder).now()
    return [
        Pair(
            oven=p.oven,
            product=p.product,
            runs=p.runs,
            passed=p.passed,
            failed=p.failed,
            undecided=p.undecided,
            last=iso_from_ns(p.last_ns),
            reference=held[p.oven, p.product].run if (p.oven, p.product) in held else None,
        )
        for p in oven_product_pairs(tools.logbook, tools.catalogue)
    ]


@router.get("/ovens/{name:path}")
def oven(
    name: Name, site: TheSite, _: Viewer, limit: Annotated[int, Query(ge=1, le=2000)] = 500
) -> HistoryTold:
    """Tell the history of an oven's key measures."""
    tools = site.tools
    return _told(history_of(tools.logbook, tools.catalogue, oven=name, limit=limit))


@router.get("/products/{name:path}")
def product(
    name: Name, site: TheSite, _: Viewer, limit: Annotated[int, Query(ge=1, le=2000)] = 500
) -> HistoryTold:
    """Tell the history of a product's key measures."""
    tools = site.tools
    return _told(history_of(tools.logbook, tools.catalogue, product=name, limit=limit))


@router.get("/references")
def references(site: TheSite, _: Viewer) -> list[Reference]:
    """List every choice of a reference run that was made, oldest first."""
    return [_reference(r) for r in ReferenceRuns(site.tools.logbook.folder).all()]


@router.post("/references", status_code=201)
def choose(wish: ReferenceWish, request: Request, site: TheSite, who: Engineer) -> Reference:
    """Make a run the reference of its product in its oven; the earlier choices stay on record."""
    tools = site.tools
    run = run_ref(wish.run, tools.logbook)
    made = set_reference(tools.logbook, tools.catalogue, run, by=who.name, why=wish.why)
    note(request, "reference run chosen", run, why=made.why)
    return _reference(made)


@router.delete("/references")
def drop(
    request: Request, site: TheSite, who: Engineer, wish: Annotated[DropWish, Query()]
) -> Reference:
    """Say that a product in an oven has no reference run any more."""
    book = site.tools.logbook
    made = drop_reference(book, oven=wish.oven, product=wish.product, by=who.name, why=wish.why)
    note(request, "reference run dropped", f"{wish.product} in {wish.oven}", why=made.why)
    return _reference(made)


def _reference(one: ReferenceRun) -> Reference:
    return Reference(**asdict(one))


def _told(found: History) -> HistoryTold:
    held = {(r.oven, r.product): r.run for r in found.references}
    return HistoryTold(
        pairs=[
            Pair(
                oven=p.oven,
                product=p.product,
                runs=p.runs,
                passed=p.passed,
                failed=p.failed,
                undecided=p.undecided,
                last=iso_from_ns(p.last_ns),
                reference=held.get((p.oven, p.product)),
            )
            for p in found.pairs
        ],
        runs=[r.id for r in found.runs],
        references=[_reference(r) for r in found.references],
        measures=[_measure(m) for m in found.measured],
    )


def _measure(one: Measured) -> MeasureHistory:
    return MeasureHistory(
        oven=one.oven,
        product=one.product,
        requirement=one.requirement,
        measure=one.measure,
        unit=one.unit,
        at_least=one.at_least,
        at_most=one.at_most,
        points=[_point(p) for p in one.points],
    )


def _point(point: Point) -> PointFacts:
    m, run = point.measure, point.run
    return PointFacts(
        run=run.id,
        start=iso_from_ns(run.start_ns) if run.absolute else None,
        sealed=iso_from_ns(run.sealed_ns),
        channel=m.channel,
        value=_number(m.value),
        low_95=_number(m.low_95),
        high_95=_number(m.high_95),
        standard_uncertainty=_number(m.standard_uncertainty),
        probability=_number(m.probability),
        verdict=m.verdict,
        reference=point.reference,
    )


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
