"""Results for pages: at once where a run is small, by a job while the page shows the picture."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from ovenwright.errors import OvenwrightError, UnknownName
from ovenwright.storage.run_facts import SealedFacts
from ovenwright.web.jobs import Job, JobState
from ovenwright.web.opened import Opened
from ovenwright.web.site import Site
from ovenwright.workflow.results import (
    SMALL,
    KeptJudgement,
    Result,
    judge_text,
    kept_judgements,
    plan_of,
)

_AGAIN_S = 60.0


@dataclass(frozen=True, slots=True)
class Sought:
    """A run, the judgement it is shown under, and how far its result is.

    ``result`` is there once it is found, ``job`` while it is being found; ``trouble`` says why
    there is neither, where that is no matter of a missing plan.
    """

    facts: SealedFacts
    judgements: tuple[KeptJudgement, ...]
    shown: KeptJudgement | None
    plan_toml: str
    result: Result | None
    job: Job | None
    trouble: Mapping[str, Any] | None = None

    @property
    def waits(self) -> bool:
        """Whether there is a verdict to be found that nobody has begun to find."""
        return bool(self.plan_toml) and not (self.result or self.job or self.trouble)

    @property
    def plan_key(self) -> str:
        """The start of the plan's SHA-256, as the logbook names plans."""
        return plan_key(self.plan_toml)


def plan_key(plan_toml: str) -> str:
    """Return the start of a plan's SHA-256."""
    return hashlib.sha256(plan_toml.encode("utf-8")).hexdigest()[:16]


def seek(
    site: Site, opened: Opened, run_id: str, number: int | None = None, *, begin: bool = True
) -> Sought:
    """Return a run's result under one of its judgements, the latest when none is named.

    Parameters
    ----------
    begin : whether a large run's result is begun to be found where nobody has yet; a page leaves
        that to its script, which asks once the picture is there

    Raises
    ------
    UnknownName : if there is no such judgement
    StorageTrouble : if the run can't be read
    """
    book = site.tools.logbook
    facts = book.facts(run_id)
    trouble: Mapping[str, Any] | None = None
    judgements: tuple[KeptJudgement, ...] = ()
    try:
        judgements = kept_judgements(book, facts.id)
    except OvenwrightError as cause:  # the picture and the plan are there all the same
        trouble = cause.facts()
    shown = judgements[-1] if judgements else None
    if number is not None:
        if not 1 <= number <= len(judgements):
            known = [str(j.number) for j in judgements]
            raise UnknownName("judgement", str(number), known=known, where=facts.id)
        shown = judgements[number - 1]
    try:
        plan_toml = plan_of(book, facts, shown)
    except OvenwrightError as cause:
        return Sought(facts, judgements, shown, "", None, None, cause.facts())
    if not plan_toml:
        return Sought(facts, judgements, shown, "", None, None, trouble)
    try:
        found = _found(site, opened, facts, plan_toml, begin=begin)
    except OvenwrightError as cause:
        return Sought(facts, judgements, shown, plan_toml, None, None, cause.facts())
    if found is None or isinstance(found, Result):
        return Sought(facts, judgements, shown, plan_toml, found, None, trouble)
    if found.state is JobState.FAILED:
        return Sought(facts, judgements, shown, plan_toml, None, None, found.error)
    return Sought(facts, judgements, shown, plan_toml, None, found, trouble)


def _found(
    site: Site, opened: Opened, facts: SealedFacts, plan_toml: str, *, begin: bool
) -> Result | Job | None:
    settings = site.tools.settings
    show_unit, zone = settings.show_unit, settings.zone
    shelf = opened.results
    held = shelf.held(facts.digest, plan_toml, show_unit=show_unit, zone=zone)
    if held is not None:
        return held
    book, library = site.tools.logbook, site.tools.library()
    if facts.samples <= SMALL:
        return shelf.find(
            facts,
            plan_toml,
            lambda: judge_text(book, library, facts.id, plan_toml=plan_toml),
            show_unit=show_unit,
            zone=zone,
        )

    def work(job: Job) -> Mapping[str, Any]:
        judged = judge_text(book, library, facts.id, plan_toml=plan_toml, told=job.tell)
        shelf.take(judged, show_unit=show_unit, zone=zone)
        return {"run": facts.id, "verdict": judged.verdict.outcome.value}

    key = ("result", facts.digest, plan_key(plan_toml))
    if not begin and opened.under_way.held(key) is None:
        return None
    return under_way(site, opened, key, f"the result of {facts.title or facts.id}", work)


def under_way(
    site: Site,
    opened: Opened,
    key: tuple[object, ...],
    title: str,
    work: Callable[[Job], Mapping[str, Any]],
) -> Job:
    """Return the job that does a piece of work, started now unless it is under way already."""
    job: Job | None = opened.under_way.held(key)
    if job is not None:
        failed = job.state in {JobState.FAILED, JobState.CANCELLED}
        if not job.over or (failed and time.monotonic() - job.started < _AGAIN_S):
            return job
    job = site.jobs.start(title, work)
    opened.under_way.keep(key, job)
    return job
