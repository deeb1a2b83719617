"""What the result of a run is, for whoever shows it: found once, kept in memory while it is asked for."""

from __future__ import annotations

import hashlib
import re
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan
from ovenwright.domain.verdict import Outcome, RequirementVerdict
from ovenwright.errors import StorageTrouble, UnknownName, UsageError
from ovenwright.reporting.answer import verdict_facts
from ovenwright.reporting.document import Document, TimeChart
from ovenwright.reporting.facts import Occasion, tell
from ovenwright.reporting.words import Shown
from ovenwright.storage.durable import trouble_from
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.run_facts import SealedFacts
from ovenwright.workflow.judging import Judged, verdict_of
from ovenwright.workflow.planning import checked_text

SMALL = 400_000
"""Readings up to which a result is found while somebody waits for the page."""
_KEPT = 24
_KEPT_WHOLE = 4
_PLAN_FILE = re.compile(r"[0-9a-f]{16}\.toml", re.ASCII)


@dataclass(frozen=True, slots=True)
class KeptJudgement:
    """One judgement of a run's list, the oldest is number 1."""

    number: int
    judged: str
    software: str
    plan_file: str
    answer: Mapping[str, Any]
    sha256: str
    cites: str

    @property
    def outcome(self) -> str:
        """The verdict's word."""
        return str(self.answer.get("verdict", ""))


@dataclass(frozen=True, slots=True)
class Result:
    """A judged run as it is shown; no array of readings is in it, so that many can be kept.

    ``judged`` is there only where the run is small.
    """

    run_id: str
    digest: str
    plan: Plan
    plan_toml: str
    document: Document
    answer: Mapping[str, Any]
    requirements: tuple[RequirementVerdict, ...]
    outcome: Outcome
    zero_s: float
    names: tuple[str, ...]
    judged: Judged | None = None

    def chart(self, ident: str) -> TimeChart:
        """Return a chart of the document.

        Raises
        ------
        UnknownName : if it has none of that name
        """
        charts = {b.id: b for b in _blocks(self.document) if isinstance(b, TimeChart)}
        if ident not in charts:
            raise UnknownName("chart", ident[:60], known=tuple(charts))
        return charts[ident]


def _blocks(document: Document) -> list[Any]:
    return [*document.first_page, *(b for s in document.sections for b in s.blocks)]


def kept_judgements(logbook: Logbook, run_id: str) -> tuple[KeptJudgement, ...]:
    """Return what was kept of a run's judgements, the oldest first.

    Raises
    ------
    StorageTrouble : if a record can't be read or was altered
    """
    return tuple(
        KeptJudgement(
            number=i,
            judged=str(record.get("judged", "")),
            software=str(record.get("software", "")),
            plan_file=str(record.get("plan", "")),
            answer=record.get("judgement") or {},
            sha256=str(record.get("sha256", "")),
            cites=str(record.get("run_digest", "")),
        )
        for i, record in enumerate(logbook.judgements(run_id), 1)
    )


def plan_of(logbook: Logbook, facts: SealedFacts, kept: KeptJudgement | None) -> str:
    """Return the text of the plan a judgement was made under, else the one sealed in the run.

    Raises
    ------
    StorageTrouble : if the plan of that judgement is gone or can't be read
    """
    if kept is None or not kept.plan_file:
        return facts.plan_toml
    if not _PLAN_FILE.fullmatch(kept.plan_file):
        raise StorageTrouble(
            f"{kept.plan_file!r} names no plan of the logbook",
            where=f"judgement {kept.number} of {facts.id}",
            remedy="judge the run again",
        )
    path = logbook.plans_dir / kept.plan_file
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as cause:
        raise StorageTrouble(
            "the plan of this judgement is not in the logbook any more",
            where=f"judgement {kept.number} of {facts.id}",
            remedy="restore the folder plans/ from a copy, or judge the run again",
        ) from cause
    except (OSError, UnicodeDecodeError) as cause:
        raise (
            trouble_from(cause, path)
            if isinstance(cause, OSError)
            else StorageTrouble("the plan is no text", where=str(path))
        ) from cause
    if hashlib.sha256(text.encode("utf-8")).hexdigest()[:16] != kept.plan_file[:16]:
        raise StorageTrouble(
            "the plan of this judgement was altered after it was kept",
            where=f"judgement {kept.number} of {facts.id}",
            remedy="restore the folder plans/ from a copy, or judge the run again",
        )
    return text


def shown_of(plan: Plan | None, facts: SealedFacts, *, show_unit: str, zone: str) -> Shown:
    """Return how people see a run: in their own zone, else the plan's site's, else the run's."""
    site = plan.site.time_zone if plan is not None else ""
    return Shown(show_unit == "F", zone or site or facts.time_zone or "UTC")


def result_of(judged: Judged, *, show_unit: str, zone: str) -> Result:
    """Return a judged run as it is shown."""
    run, verdict = judged.run, judged.verdict
    shown = Shown(show_unit == "F", zone or judged.plan.site.time_zone or run.time_zone or "UTC")
    return Result(
        run_id=run.id,
        digest=run.digest,
        plan=judged.plan,
        plan_toml=judged.plan_toml,
        document=tell(verdict, run, judged.plan, shown, Occasion(made_ns=time.time_ns())),
        answer=verdict_facts(verdict),
        requirements=verdict.requirements,
        outcome=verdict.outcome,
        zero_s=verdict.results.load_in.at_s,
        names=verdict.results.profile.names,
        judged=judged if run.samples <= SMALL else None,
    )


def judge_text(
    logbook: Logbook,
    library: ReferenceLibrary,
    run_id: str,
    *,
    plan_toml: str = "",
    keep: bool = False,
    told: Callable[[float, str], None] = lambda *_: None,
) -> Judged:
    """Judge a run under a plan's text; the readings are proved unaltered first.

    Parameters
    ----------
    plan_toml : the plan; the one sealed in the run when left out
    keep : whether to keep it as a judgement of its own that cites the run's digest
    told : called with a share of the work and words before each part of it

    Raises
    ------
    UsageError : if there is no plan
    PlanFaults : if the plan can't be used
    StorageTrouble, DigestMismatch : if the run can't be read or was altered
    """
    told(0.05, "reading the run and proving its seal")
    run = logbook.open(run_id)
    text = plan_toml or run.plan_toml
    if not text:
        raise UsageError(
            "this run was sealed without a plan",
            where=run.id,
            remedy="choose one to judge it under",
        )
    told(0.3, "checking the plan")
    plan = checked_text(text, library, file="" if plan_toml else f"plan sealed in {run.id}")
    told(0.35, "judging")
    verdict = verdict_of(run, plan, library)
    told(0.9, "telling what was found")
    if keep:
        logbook.keep_judgement(run, verdict_facts(verdict), plan_toml=text)
    return Judged(run, plan, text, verdict)


class ResultShelf:
    """Results found lately, by run digest, plan and how they are shown; safe between threads.

    A result is found once even when several ask for it together. The whole of a judged run, which
    the spreadsheet needs, is kept for the last few small ones.
    """

    def __init__(self) -> None:
        self._found: OrderedDict[tuple[str, str, str, str], Result] = OrderedDict()
        self._proved: dict[str, int] = {}
        self._locks: dict[tuple[str, str, str, str], threading.Lock] = {}
        self._lock = threading.Lock()

    @staticmethod
    def _key(digest: str, plan_toml: str, show_unit: str, zone: str) -> tuple[str, str, str, str]:
        return digest, hashlib.sha256(plan_toml.encode("utf-8")).hexdigest(), show_unit, zone

    def held(self, digest: str, plan_toml: str, *, show_unit: str, zone: str) -> Result | None:
        """Return a result that was found already, else None."""
        key = self._key(digest, plan_toml, show_unit, zone)
        with self._lock:
            found = self._found.get(key)
            if found is not None:
                self._found.move_to_end(key)
        return found

    def find(
        self,
        facts: SealedFacts,
        plan_toml: str,
        judged: Callable[[], Judged],
        *,
        show_unit: str,
        zone: str,
    ) -> Result:
        """Return a result, found now if it was not yet; what ``judged`` raises is raised."""
        key = self._key(facts.digest, plan_toml, show_unit, zone)
        with self._lock:
            gate = self._locks.setdefault(key, threading.Lock())
        with gate:
            found = self.held(facts.digest, plan_toml, show_unit=show_unit, zone=zone)
            if found is None:
                found = self.take(judged(), show_unit=show_unit, zone=zone)
        with self._lock:
            self._locks.pop(key, None)
        return found

    def take(self, judged: Judged, *, show_unit: str, zone: str) -> Result:
        """Keep what was just judged; opening it has proved the seal."""
        found = result_of(judged, show_unit=show_unit, zone=zone)
        key = self._key(judged.run.digest, judged.plan_toml, show_unit, zone)
        with self._lock:
            self._found[key] = found
            self._found.move_to_end(key)
            while len(self._found) > _KEPT:
                self._found.popitem(last=False)
            whole = [k for k, r in self._found.items() if r.judged is not None]
            for old in whole[:-_KEPT_WHOLE]:
                self._found[old] = _without_readings(self._found[old])
        self.proved(judged.run.digest)
        return found

    def proved(self, digest: str) -> None:
        """Remember that a run was proved unaltered just now."""
        with self._lock:
            self._proved[digest] = time.time_ns()

    def proved_ns(self, digest: str) -> int:
        """Return when a run was last proved unaltered by this server; 0 if it was not."""
        with self._lock:
            return self._proved.get(digest, 0)


def _without_readings(found: Result) -> Result:
    return replace(found, judged=None)
