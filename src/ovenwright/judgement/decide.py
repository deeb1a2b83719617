"""One measure result held against its limits: pass, fail or undecided, and why.

The rule, after JCGM 106:2012: the probability of conformity comes from the Monte Carlo draws. It
is a pass when that probability reaches the confidence asked for *and* the value lies within the
acceptance limits, which are the limits moved inwards by the guard band; a fail when it is as small
as one minus the confidence; undecided between.

A value that can't be evaluated, or whose readings are in doubt, is undecided whatever its
probability: a doubt says that the readings may be wrong, and then neither a pass nor a fail can
rest on them. Analysis leaves the doubt out where what is missing can't change the answer.
"""

from __future__ import annotations

import math

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Decision, Requirement
from ovenwright.domain.results import MeasureResult
from ovenwright.domain.verdict import Decided, Outcome
from ovenwright.physics.conformity import acceptance_limits, probability_from_samples
from ovenwright.physics.uncertainty import symmetric_interval

COVERAGE = 0.95
EXPANSION = 2.0  # the guard band is a multiple of U with k = 2


def decide(result: MeasureResult, requirement: Requirement, decision: Decision) -> Decided:
    """Hold one result against the limits of its requirement.

    Parameters
    ----------
    result : a measure's value and its draws
    requirement : gives the limits
    decision : how sure one has to be

    Returns
    -------
    the answer with its probability; NaN probability where it can't be evaluated
    """
    if math.isnan(result.value):
        why = result.reason or "it could not be evaluated"
        return _decided(result, math.nan, Outcome.UNDECIDED, why)
    if result.samples.size == 0:
        why = result.doubt or "no uncertainty was worked out for it, so there is no probability"
        return _decided(result, math.nan, Outcome.UNDECIDED, why)
    p = probability_from_samples(result.samples, requirement.at_least, requirement.at_most)
    if result.doubt:
        return _decided(result, p, Outcome.UNDECIDED, result.doubt)
    outcome, why = _rule(result, requirement, decision, p)
    return _decided(result, p, outcome, why)


def acceptance_of(
    requirement: Requirement, decision: Decision, standard: float
) -> tuple[float | None, float | None]:
    """Return the limits after the guard band.

    Without an uncertainty a guard band has no width that could be stood by, so with one asked for
    the limits become infinite: nothing is accepted.
    """
    lower, upper = requirement.at_least, requirement.at_most
    if decision.guard_factor == 0.0:
        return lower, upper
    guard = decision.guard_factor * EXPANSION * standard
    return acceptance_limits(lower, upper, guard if math.isfinite(guard) else math.inf)


def standard_uncertainty(samples: FloatArray) -> float:
    """Return the standard deviation of the draws that are finite, NaN with fewer than two."""
    finite = samples[np.isfinite(samples)]
    return float(np.std(finite, ddof=1)) if finite.size >= 2 else math.nan


def interval_of(samples: FloatArray) -> tuple[float, float]:
    """Return the 95 % interval; a draw that could not be evaluated is left out."""
    known = samples[~np.isnan(samples)]
    return symmetric_interval(known, COVERAGE) if known.size >= 2 else (math.nan, math.nan)


def chance(probability: float) -> str:
    """Return a probability in words that claim no more than they know."""
    if math.isnan(probability):
        return "unknown"
    if probability >= 0.9995:
        return "over 99.9 %"
    if probability <= 0.0005:
        return "under 0.1 %"
    return f"{100.0 * probability:.1f} %"


def _rule(
    result: MeasureResult, requirement: Requirement, decision: Decision, p: float
) -> tuple[Outcome, str]:
    lower, upper = acceptance_of(requirement, decision, standard_uncertainty(result.samples))
    inside = (lower is None or result.value >= lower) and (upper is None or result.value <= upper)
    sure, unsure = decision.confidence, 1.0 - decision.confidence
    told = f"the probability of meeting the limit is {chance(p)}"
    gaps = int(np.count_nonzero(np.isnan(result.samples)))
    m = result.samples.size
    if gaps:
        told += f" ({gaps} of {m} draws could not be evaluated and count for neither side)"
    if p >= sure and inside:
        return Outcome.PASS, told
    # a draw without a value counts against a pass, and as gently against a fail
    if p + gaps / (m + 1.0) <= unsure:
        return Outcome.FAIL, told
    best_shown = (m + 0.5) / (m + 1.0)
    if p >= sure:
        if decision.guard_factor > 0.0:
            return Outcome.UNDECIDED, f"{told}, but the value lies within the guard band"
        return Outcome.UNDECIDED, f"{told}, but the value itself lies beyond the limit"
    if best_shown < sure and min(p, 1.0 - p) * (m + 1.0) < 1.0:  # all draws on one side
        return Outcome.UNDECIDED, (
            f"{told}, and {m} draws can't show more than {100.0 * best_shown:.4g} %: ask for more "
            f"draws or less than {100.0 * sure:g} %"
        )
    return Outcome.UNDECIDED, (
        f"{told}, between {100.0 * unsure:g} % and {100.0 * sure:g} %: neither side is sure enough"
    )


def _decided(result: MeasureResult, p: float, outcome: Outcome, reason: str) -> Decided:
    return Decided(
        channel=result.channel,
        value=result.value,
        unit=result.unit,
        standard_uncertainty=standard_uncertainty(result.samples),
        interval_95=interval_of(result.samples),
        probability=p,
        outcome=outcome,
        reason=reason,
    )
