"""Ovens and products over many runs: what is known of them, their reference run, their measures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from ovenwright.catalogue.catalogue import Catalogue
from ovenwright.catalogue.entries import MeasureEntry, PairEntry, RunEntry
from ovenwright.domain.plan import Plan
from ovenwright.errors import CatalogueTrouble, OvenwrightError, UnknownName, UsageError
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.reference_runs import ReferenceRun, ReferenceRuns
from ovenwright.workflow.keeping import refresh

Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class Point:
    """One run in the history of a measure."""

    run: RunEntry
    measure: MeasureEntry
    reference: bool = False


@dataclass(frozen=True, slots=True)
class Measured:
    """One requirement's measure over the runs of one product in one oven, oldest run first.

    ``at_least``, ``at_most`` are the limits of the last run's plan, in the measure's own unit.
    """

    oven: str
    product: str
    requirement: str
    measure: str
    unit: str
    points: tuple[Point, ...]
    at_least: float | None = None
    at_most: float | None = None


@dataclass(frozen=True, slots=True)
class History:
    """What is known of an oven, or of a product, from the runs of this logbook.

    ``plan`` is the last one that could be read, None where none was sealed; ``pairs`` the products
    of the oven, or the ovens of the product.
    """

    pairs: tuple[PairEntry, ...]
    runs: tuple[RunEntry, ...]
    measured: tuple[Measured, ...]
    references: tuple[ReferenceRun, ...]
    plan: Plan | None
    plan_run: str = ""


def ask_index(logbook: Logbook, catalogue: Catalogue, ask: Callable[[Catalogue], Found]) -> Found:
    """Ask the index after it was brought up to the folder; where it can't be used, one in memory."""
    try:
        refresh(logbook, catalogue)
        return ask(catalogue)
    except CatalogueTrouble:
        with Catalogue("sqlite://") as for_now:
            refresh(logbook, for_now, rebuild=True)
            return ask(for_now)


def oven_product_pairs(logbook: Logbook, catalogue: Catalogue) -> tuple[PairEntry, ...]:
    """Return each oven with each of its products, the one run last first."""
    found = ask_index(logbook, catalogue, Catalogue.pairs)
    return tuple(p for p in found if p.oven or p.product)


def history_of(
    logbook: Logbook,
    catalogue: Catalogue,
    *,
    oven: str | None = None,
    product: str | None = None,
    limit: int = 500,
) -> History:
    """Return what is known of an oven, a product, or one product in one oven.

    Parameters
    ----------
    oven, product : whole names; at least one
    limit : at most so many runs, those sealed last

    Raises
    ------
    UsageError : if neither is named
    UnknownName : if no run has it
    """
    if oven is None and product is None:
        raise UsageError("neither an oven nor a product is named")

    def ask(index: Catalogue) -> tuple[tuple[PairEntry, ...], History]:
        lines = index.history(oven=oven, product=product, limit=limit)
        return index.pairs(), History((), tuple(r for r, _ in lines), _measured(lines), (), None)

    pairs, found = ask_index(logbook, catalogue, ask)
    if not found.runs:
        kind, name = ("oven", oven) if oven is not None else ("product", product)
        known = {p.oven if kind == "oven" else p.product for p in pairs}
        raise UnknownName(kind, str(name), known=sorted(known - {""}))
    mine = tuple(p for p in pairs if oven in {None, p.oven} and product in {None, p.product})
    held = ReferenceRuns(logbook.folder).now()
    references = tuple(r for p in mine if (r := held.get((p.oven, p.product))) is not None)
    chosen = {r.run for r in references}
    measured = tuple(_with_limits(logbook, m, chosen) for m in found.measured)
    plan, plan_run = _last_plan(logbook, found.runs)
    return History(mine, found.runs, measured, references, plan, plan_run)


def _measured(
    lines: Sequence[tuple[RunEntry, tuple[MeasureEntry, ...]]],
) -> tuple[Measured, ...]:
    found: dict[tuple[str, str, str, str, str], list[Point]] = {}
    for run, measures in lines:
        for one in measures:
            key = (run.oven, run.product, one.requirement, one.measure, one.unit)
            found.setdefault(key, []).append(Point(run, one))
    return tuple(Measured(*key, points=tuple(points)) for key, points in found.items())


def _with_limits(logbook: Logbook, one: Measured, references: set[str]) -> Measured:
    low, high = None, None
    last = one.points[-1]
    try:
        kept = logbook.judgements(last.run.id)
        for row in kept[-1]["judgement"].get("requirements", ()) if kept else ():
            if row.get("name") == one.requirement and row.get("measure") == one.measure:
                low, high = row.get("at_least"), row.get("at_most")
    except OvenwrightError:  # a record that was altered is told where the run is shown
        pass
    points = tuple(Point(p.run, p.measure, p.run.id in references) for p in one.points)
    return Measured(
        one.oven, one.product, one.requirement, one.measure, one.unit, points, low, high
    )


def _last_plan(logbook: Logbook, runs: Sequence[RunEntry]) -> tuple[Plan | None, str]:
    for run in reversed(runs[-20:]):
        try:
            text = logbook.facts(run.id).plan_toml
            if text:
                return parse_plan(text), run.id
        except OvenwrightError:  # of an older form, or the file is damaged
            continue
    return None, ""


def set_reference(
    logbook: Logbook, catalogue: Catalogue, run_id: str, *, by: str, why: str
) -> ReferenceRun:
    """Make a run the one that others of its product in its oven are held against.

    Raises
    ------
    UnknownName : if there is no such run
    UsageError : if no reason is given, or the run names no oven and no product
    """
    why = " ".join(why.split())
    if not why:
        raise UsageError(
            "no reason is given", where="why", remedy="say why this run is the measure"
        )

    def ask(index: Catalogue) -> tuple[RunEntry, ...]:
        return tuple(r for r in index.find(text=run_id) if r.id == run_id)

    found = ask_index(logbook, catalogue, ask)
    if not found:
        raise UnknownName("run", run_id)
    run = found[0]
    if not run.oven and not run.product:
        raise UsageError(
            "this run has no plan, so it belongs to no oven and no product",
            where=run_id,
            remedy="bring its readings in with a plan",
        )
    return ReferenceRuns(logbook.folder).add(
        oven=run.oven, product=run.product, run=run.id, digest=run.digest, by=by, why=why
    )


def drop_reference(logbook: Logbook, *, oven: str, product: str, by: str, why: str) -> ReferenceRun:
    """Say that a pair has no reference run any more.

    Raises
    ------
    UsageError : if no reason is given
    UnknownName : if it has none
    """
    why = " ".join(why.split())
    if not why:
        raise UsageError("no reason is given", where="why", remedy="say why it no longer holds")
    kept = ReferenceRuns(logbook.folder)
    if (oven, product) not in kept.now():
        raise UnknownName("reference run of", f"{product} in {oven}")
    return kept.add(oven=oven, product=product, run="", digest="", by=by, why=why)
