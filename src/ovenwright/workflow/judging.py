"""Judge a run: open, condition, analyse, decide, keep the judgement."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ovenwright.analysis.analyse import analyse
from ovenwright.analysis.comparison import compare
from ovenwright.analysis.standing import grid_for, outline, stand
from ovenwright.conditioning.condition import condition
from ovenwright.domain.comparison import Comparison
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan
from ovenwright.domain.results import Results
from ovenwright.domain.run import Run
from ovenwright.domain.standing import Standing
from ovenwright.domain.verdict import Verdict
from ovenwright.errors import OvenwrightError, StorageTrouble, UsageError
from ovenwright.judgement.judge import judge
from ovenwright.reporting.answer import verdict_facts
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.planning import checked_plan, checked_text


@dataclass(frozen=True, slots=True)
class Judged:
    """A run, the plan it was held against, and what came of it."""

    run: Run
    plan: Plan
    plan_toml: str
    verdict: Verdict


def plan_for(run: Run, plan_file: Path | None, library: ReferenceLibrary) -> tuple[Plan, str]:
    """Return the plan to judge under and its text: the file given, else the one sealed in the run.

    Raises
    ------
    UsageError : if neither exists
    PlanFaults : if the plan can't be used
    """
    if plan_file is not None:
        return checked_plan(plan_file, library), plan_file.read_text(encoding="utf-8")
    if not run.plan_toml:
        raise UsageError(
            "this run was sealed without a plan",
            where=run.id,
            remedy="give one: --plan PLAN.toml (write one with: ovenwright plan new tin-bread)",
        )
    plan = checked_text(run.plan_toml, library, file=f"plan sealed in {run.id}")
    return plan, run.plan_toml


def verdict_of(run: Run, plan: Plan, library: ReferenceLibrary) -> Verdict:
    """Return the verdict on a run under a plan: the one pure line of the tool."""
    return judge(analyse(condition(run, plan), plan, library), plan, library)


def judge_run(
    logbook: Logbook,
    library: ReferenceLibrary,
    run_ref: str,
    *,
    plan_file: Path | None = None,
    keep: bool = True,
) -> Judged:
    """Judge a run and keep the judgement as a record of its own that cites the run's digest."""
    run = logbook.open(run_ref)
    plan, text = plan_for(run, plan_file, library)
    verdict = verdict_of(run, plan, library)
    if keep:
        logbook.keep_judgement(run, verdict_facts(verdict), plan_toml=text)
    return Judged(run, plan, text, verdict)


def results_of(run: Run, plan: Plan, library: ReferenceLibrary) -> Results:
    """Return what analysis finds in a run under a plan, before anyone judges it."""
    return analyse(condition(run, plan), plan, library)


def compare_runs(
    logbook: Logbook,
    library: ReferenceLibrary,
    reference_ref: str,
    other_ref: str,
    *,
    plan_file: Path | None = None,
    same_sensors: bool = False,
) -> Comparison:
    """Hold one run against another under one plan: the one given, else the reference run's own."""
    reference, other = logbook.open(reference_ref), logbook.open(other_ref)
    plan, _ = plan_for(reference, plan_file, library)
    same_run = reference.digest == other.digest != "" or reference.id == other.id
    comparison = compare(
        results_of(reference, plan, library),
        results_of(other, plan, library),
        plan,
        same_sensors=same_sensors or same_run,
    )
    return replace(comparison, same_run=same_run, notes=() if same_run else comparison.notes)


MOST_OTHERS = 100
"""So many runs are held against one; more take minutes and change a range very little."""


def stand_among(
    logbook: Logbook,
    library: ReferenceLibrary,
    run_ref: str,
    other_refs: Sequence[str],
    *,
    plan_file: Path | None = None,
    same_sensors: bool = False,
    told: Callable[[float, str], None] = lambda _share, _doing: None,
) -> Standing:
    """Hold one run against several others under one plan: the one given, else the run's own.

    One other run is open at a time. One test counts once: a run that is named twice is taken once,
    and one that restates the run itself, or another of those named, is left out as one that can't
    be used is, with its reason.

    Raises
    ------
    UsageError : if the run has no plan, or too many others are named
    TooLittleData : if fewer than two of the others can be held against the run
    StorageTrouble : if a run can't be read
    """
    if len(other_refs) > MOST_OTHERS:
        raise UsageError(
            f"{len(other_refs)} runs are too many to hold against one",
            remedy=f"name up to {MOST_OTHERS}, such as the latest of the same product",
        )
    run = logbook.open(run_ref)
    plan, _ = plan_for(run, plan_file, library)
    told(0.0, f"analysing {run.id}")
    found = results_of(run, plan, library)
    grid = grid_for(found)
    this = outline(found, plan, grid, same_sensors=same_sensors)
    tests = dict.fromkeys(_digests(run), run.id)
    others, left_out = [], []
    known = {run.id}
    for number, ref in enumerate(other_refs, 1):
        told(number / (len(other_refs) + 1), f"analysing run {number} of {len(other_refs)}")
        other = logbook.open(ref)
        if other.id in known:
            continue
        known.add(other.id)
        twin = next((tests[d] for d in _digests(other) if d in tests), "")
        tests.update(dict.fromkeys(_digests(other), other.id))
        if twin:
            left_out.append((other.id, f"it holds the readings of {twin}, so it is no other test"))
            continue
        try:
            theirs = results_of(other, plan, library)
            others.append(outline(theirs, plan, grid, same_sensors=same_sensors))
        except StorageTrouble:
            raise
        except OvenwrightError as cause:
            left_out.append((other.id, str(cause)))
    return stand(this, others, grid, left_out=tuple(left_out))


def _digests(run: Run) -> set[str]:
    """Return what tells one test from another: a restated run is the test that it restates."""
    return {run.digest, run.parent_digest} - {""}
