"""A run held against another, or several others: at once where they are small, else by a job."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import Query
from pydantic import Field

from ovenwright.catalogue.entries import RunEntry
from ovenwright.domain.comparison import Comparison
from ovenwright.domain.standing import Standing
from ovenwright.errors import UsageError
from ovenwright.reporting.comparison_facts import tell_comparison
from ovenwright.reporting.document import Block, Document
from ovenwright.reporting.standing_facts import tell_standing
from ovenwright.storage.run_facts import SealedFacts
from ovenwright.web.finding import under_way
from ovenwright.web.jobs import Job
from ovenwright.web.moments import moment
from ovenwright.web.opened import Opened
from ovenwright.web.refs import run_ref
from ovenwright.web.site import Site
from ovenwright.workflow.judging import MOST_OTHERS, compare_runs, stand_among
from ovenwright.workflow.keeping import Wish, list_runs
from ovenwright.workflow.results import SMALL, shown_of

Others = Annotated[
    list[Annotated[str, Field(max_length=140)]],
    Query(alias="with", max_length=MOST_OTHERS, description="the other runs, one or several"),
]
"""``?with=A&with=B``: one other run is compared in detail, several make a range."""


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison and its words."""

    comparison: Comparison | Standing
    document: Document

    def blocks(self) -> list[Block]:
        """Return every block of the comparison."""
        return [
            *self.document.first_page,
            *(b for s in self.document.sections for b in s.blocks),
        ]


def compared(
    site: Site, opened: Opened, reference_id: str, other_id: str, *, same_sensors: bool = False
) -> Compared | Job:
    """Return a comparison, or the job that makes it.

    Raises
    ------
    UsageError : if the reference run has no plan
    TooLittleData : if the runs share no channel or no time
    """
    book, settings = site.tools.logbook, site.tools.settings
    reference, other = book.facts(reference_id), book.facts(other_id)
    key = (reference.digest, other.digest, same_sensors, settings.show_unit, settings.zone)
    held: Compared | None = opened.comparisons.held(key)
    if held is not None:
        return held

    def make() -> Compared:
        found = compare_runs(
            book, site.tools.library(), reference_id, other_id, same_sensors=same_sensors
        )
        shown = shown_of(None, reference, show_unit=settings.show_unit, zone=settings.zone)
        made = Compared(found, tell_comparison(found, shown))
        opened.comparisons.keep(key, made)
        return made

    if reference.samples + other.samples <= 2 * SMALL:
        return make()

    def work(job: Job) -> Mapping[str, Any]:
        job.tell(0.1, "analysing both runs")
        make()
        return {"reference": reference_id, "other": other_id}

    return under_way(site, opened, ("compare", *key), f"comparing with {other_id}", work)


def others_of(site: Site, run_id: str, asked: Sequence[str]) -> tuple[str, ...]:
    """Return the runs that an address names for a run to be held against, each once.

    The run itself is dropped where others are named beside it; alone it stays, so that the answer
    can say that both are the same.

    Raises
    ------
    UnknownName : if there is no such run
    """
    named = dict.fromkeys(run_ref(text, site.tools.logbook) for text in asked if text)
    if len(named) > 1:
        named.pop(run_id, None)
    return tuple(named)


def held_against(
    site: Site,
    opened: Opened,
    run_id: str,
    other_ids: Sequence[str],
    *,
    same_sensors: bool = False,
) -> Compared | Job:
    """Return a run held against one other in detail or against several, or the job that does it.

    Raises
    ------
    UsageError : if the run has no plan, or no other is named
    TooLittleData : if the others can't be held against it
    """
    if not other_ids:
        raise UsageError("no other run is named", where=run_id, remedy="name one: ?with=RUN")
    if len(other_ids) == 1:
        return compared(site, opened, run_id, other_ids[0], same_sensors=same_sensors)
    return _stood(site, opened, run_id, other_ids, same_sensors=same_sensors)


def _stood(
    site: Site, opened: Opened, run_id: str, other_ids: Sequence[str], *, same_sensors: bool
) -> Compared | Job:
    book, settings = site.tools.logbook, site.tools.settings
    this, others = book.facts(run_id), [book.facts(ref) for ref in other_ids]
    digests = (this.digest, *(o.digest for o in others))
    key = ("standing", digests, same_sensors, settings.show_unit, settings.zone)
    held: Compared | None = opened.comparisons.held(key)
    if held is not None:
        return held

    def make(job: Job | None = None) -> Compared:
        tell = job.tell if job is not None else lambda _share, _doing: None
        found = stand_among(
            book, site.tools.library(), run_id, other_ids, same_sensors=same_sensors, told=tell
        )
        shown = shown_of(None, this, show_unit=settings.show_unit, zone=settings.zone)
        names = {f.id: known_as(site, f) for f in others}
        made = Compared(
            found, tell_standing(found, shown, named=names | {this.id: this.title or this.id})
        )
        opened.comparisons.keep(key, made)
        return made

    if this.samples + sum(o.samples for o in others) <= 2 * SMALL:
        return make()

    def work(job: Job) -> Mapping[str, Any]:
        make(job)
        return {"reference": run_id, "others": list(other_ids)}

    return under_way(site, opened, key, f"comparing with {len(other_ids)} runs", work)


def known_as(site: Site, run: SealedFacts | RunEntry) -> str:
    """Return the words that tell a run from others of its title."""
    when = "date not recorded"
    if run.absolute:
        when = moment(run.start_ns, site.tools.settings.zone or run.time_zone).words
    return " · ".join([run.title or run.id, when] + ["restated"] * bool(run.parent_digest))


@dataclass(frozen=True, slots=True)
class Comparable:
    """The runs that one may be held against, those of the same product and oven first.

    ``alike`` lists those of the same product (or of the same oven, where no product is named),
    ``rest`` all others; ``every`` is the address that takes all that are alike, each test once.
    """

    alike: tuple[tuple[RunEntry, str], ...]
    rest: tuple[tuple[RunEntry, str], ...]
    every: str
    every_count: int


def comparable(site: Site, facts: SealedFacts) -> Comparable:
    """Return the runs that one may be held against, the latest first."""
    runs = list_runs(site.tools.logbook, site.tools.catalogue, Wish(limit=400)).runs
    here = next((r for r in runs if r.digest == facts.digest), None)
    named = [(r, known_as(site, r)) for r in runs if r.id != facts.id]
    alike = tuple(n for n in named if here is not None and _alike(here, n[0]))
    taken: list[str] = []
    tests = {facts.digest, facts.parent_digest} - {""}
    for run, _ in alike:
        mine = {run.digest, run.parent_digest} - {""}
        if mine.isdisjoint(tests) and len(taken) < MOST_OTHERS:
            taken.append(run.id)
        tests |= mine
    query = urlencode([("with", run_id) for run_id in taken])
    return Comparable(
        alike,
        tuple(n for n in named if n not in alike),
        f"/runs/{quote(facts.id)}/compare?{query}",
        len(taken),
    )


def _alike(one: RunEntry, other: RunEntry) -> bool:
    if one.product or other.product:
        return one.product == other.product
    return bool(one.oven) and one.oven == other.oven
