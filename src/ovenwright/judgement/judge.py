"""Hold results against a plan: pass, fail or undecided, with the reason."""

from __future__ import annotations

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan, Requirement
from ovenwright.domain.results import MeasureResult, Results
from ovenwright.domain.verdict import Outcome, RequirementVerdict, Verdict
from ovenwright.errors import OutOfRange
from ovenwright.judgement.budget import budgets_of
from ovenwright.judgement.caution import SAFETY, cautions_for, notes_of, rests_on
from ovenwright.judgement.combine import joint_probability, take_together
from ovenwright.judgement.decide import acceptance_of
from ovenwright.judgement.looks import next_looks


def judge(results: Results, plan: Plan, library: ReferenceLibrary | None = None) -> Verdict:
    """Return what a run is worth under a plan.

    The run fails when any requirement fails, is undecided when none fails and any is undecided,
    and passes when all pass. A plan that asks for nothing is undecided.

    Parameters
    ----------
    results : what analysis found, one tuple of results a requirement in ``by_requirement``
    plan : the plan the results were made for
    library : kinetics and tables, to say what a verdict rests on

    Raises
    ------
    OutOfRange : if the results were not made for this plan's requirements

    Source: JCGM 106:2012 for the decision rule, see :mod:`ovenwright.judgement.decide`.
    """
    if len(results.by_requirement) != len(plan.requirements):
        raise OutOfRange(
            "by_requirement",
            got=f"{len(results.by_requirement)} answers",
            expected=f"one for each of the plan's {len(plan.requirements)} requirements",
            remedy="analyse the run under this very plan",
        )
    verdicts: list[RequirementVerdict] = []
    deciding: list[MeasureResult | None] = []
    for requirement, answers in zip(plan.requirements, results.by_requirement, strict=True):
        verdict, result = _judge_one(requirement, answers, results, plan, library)
        verdicts.append(verdict)
        deciding.append(result)
    budgets = budgets_of(results, plan)
    outcome = _overall(verdicts)
    cautions = [SAFETY] if any(v.requirement.safety for v in verdicts) else []
    cautions += [c for v in verdicts for c in v.cautions]
    return Verdict(
        results=results,
        outcome=outcome,
        requirements=tuple(verdicts),
        budgets=budgets,
        reasons=_reasons(verdicts),
        cautions=tuple(dict.fromkeys(cautions)),
        next_looks=next_looks(verdicts, deciding, results, budgets),
    )


def _judge_one(
    requirement: Requirement,
    answers: tuple[MeasureResult, ...],
    results: Results,
    plan: Plan,
    library: ReferenceLibrary | None,
) -> tuple[RequirementVerdict, MeasureResult | None]:
    decision = requirement.decision or plan.decision
    taken = take_together(answers, requirement, decision)
    all_pass = taken.outcome is Outcome.PASS
    verdict = RequirementVerdict(
        requirement=requirement,
        decision=decision,
        combine=requirement.combine,
        deciding=taken.deciding,
        channels=taken.channels,
        acceptance=acceptance_of(requirement, decision, taken.deciding.standard_uncertainty),
        outcome=taken.outcome,
        reason=taken.reason,
        rests_on=rests_on(taken.result, library),
        cautions=cautions_for(
            requirement,
            taken.result,
            results,
            library,
            joint=joint_probability(answers, requirement) if all_pass else float("nan"),
            confidence=decision.confidence,
        ),
        notes=notes_of(taken.result),
    )
    return verdict, taken.result


def _overall(verdicts: list[RequirementVerdict]) -> Outcome:
    outcomes = {v.outcome for v in verdicts}
    for worst in (Outcome.FAIL, Outcome.UNDECIDED):
        if worst in outcomes:
            return worst
    return Outcome.PASS if outcomes else Outcome.UNDECIDED


def _reasons(verdicts: list[RequirementVerdict]) -> tuple[str, ...]:
    if not verdicts:
        return ("Nothing was asked: the plan has no requirement.",)
    open_ones = [v for v in verdicts if v.outcome is not Outcome.PASS]
    if not open_ones:
        count = len(verdicts)
        return (
            "The one requirement is met." if count == 1 else f"All {count} requirements are met.",
        )
    word = {Outcome.FAIL: "fails", Outcome.UNDECIDED: "is undecided"}
    open_ones.sort(key=lambda v: v.outcome is not Outcome.FAIL)
    return tuple(
        f"{v.requirement.name} {word[v.outcome]}: {v.reason.rstrip('.')}." for v in open_ones
    )
