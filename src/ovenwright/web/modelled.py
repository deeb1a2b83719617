"""What the product model says of a sealed run: made in a process of its own, kept a while."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ovenwright.reporting.document import Document, Table
from ovenwright.reporting.words import Shown
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.web.apart import apart
from ovenwright.web.finding import under_way
from ovenwright.web.jobs import Job
from ovenwright.web.opened import Opened
from ovenwright.web.site import Site
from ovenwright.workflow.explaining import explain_run
from ovenwright.workflow.forecasting import forecast_run
from ovenwright.workflow.laying_out import Wanted
from ovenwright.workflow.looking_back import came_table, what_came
from ovenwright.workflow.model_telling import explained_document, forecast_document


@dataclass(frozen=True, slots=True)
class Modelled:
    """An answer of the model as plain data and as a document."""

    facts: Mapping[str, Any]
    document: Document


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of the model; ``against`` is a core to hold the slowest against.

    ``zero_s`` is the moment that a forecast's pictures and tables count from.
    """

    verb: str
    run_id: str
    wanted: Wanted
    against: str = ""
    zero_s: float = 0.0


def modelled(site: Site, opened: Opened, asked: Question, shown: Shown) -> Modelled | Job:
    """Return what the model says, or the job that asks it."""
    settings = site.tools.settings
    facts = site.tools.logbook.facts(asked.run_id)
    key = ("model", facts.digest, asked, shown)
    held: Modelled | None = opened.comparisons.held(key)
    if held is not None:
        return held

    def work(job: Job) -> Mapping[str, Any]:
        def tell(ran_s: float) -> None:
            job.tell(0.0, f"fitting bodies to the readings, {ran_s:.0f} s so far")

        tell(0.0)
        made = apart(answer, settings.logbook, settings.kinetics, asked, shown, tell=tell)
        opened.comparisons.keep(key, made)
        return {"run": asked.run_id}

    title = f"{asked.verb} of {facts.title or facts.id}"
    return under_way(site, opened, key, title, work)


def answer(book: Path, kinetics: Path | None, asked: Question, shown: Shown) -> Modelled:
    """Ask the model; this is the part that takes its time."""
    logbook, library = Logbook(book), read_reference_library(kinetics)
    if asked.verb == "explanation":
        told = explain_run(logbook, library, asked.run_id, asked.wanted, against=asked.against)
        return Modelled(told.facts(), explained_document(told, shown))
    foreseen = forecast_run(logbook, library, asked.run_id, asked.wanted)
    came = what_came(logbook, library, foreseen, asked.wanted)
    document = forecast_document(foreseen, shown, zero_s=asked.zero_s)
    at = next(i for i, b in enumerate(document.first_page) if isinstance(b, Table)) + 1
    blocks = document.first_page
    table = came_table(came, shown, zero_s=asked.zero_s)
    return Modelled(
        foreseen.facts() | {"came": [c.facts() for c in came]},
        replace(document, first_page=(*blocks[:at], table, *blocks[at:])),
    )
