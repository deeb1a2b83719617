"""Two runs held against each other: at once where they are small, else by a job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ovenwright.domain.comparison import Comparison
from ovenwright.reporting.comparison_facts import tell_comparison
from ovenwright.reporting.document import Block, Document
from ovenwright.web.finding import under_way
from ovenwright.web.jobs import Job
from ovenwright.web.opened import Opened
from ovenwright.web.site import Site
from ovenwright.workflow.judging import compare_runs
from ovenwright.workflow.results import SMALL, shown_of


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison and its words."""

    comparison: Comparison
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
