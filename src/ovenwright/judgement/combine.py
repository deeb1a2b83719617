"""The channels of one requirement taken together: which one decides, and what comes of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.plan import Combine, Decision, Requirement
from ovenwright.domain.results import MeasureResult, Unit
from ovenwright.domain.verdict import Decided, Outcome
from ovenwright.judgement.decide import chance, decide
from ovenwright.physics.conformity import joint_probability_from_samples


@dataclass(frozen=True, slots=True)
class Taken:
    """What the channels of a requirement come to."""

    deciding: Decided
    channels: tuple[Decided, ...]
    outcome: Outcome
    reason: str
    result: MeasureResult | None
    """The result that decides; None where there is nothing to decide on."""


def take_together(
    results: Sequence[MeasureResult], requirement: Requirement, decision: Decision
) -> Taken:
    """Decide every channel, and from them the requirement, as the plan says."""
    if not results:
        return _nothing("no channel of the run answers it")
    channels = tuple(decide(r, requirement, decision) for r in results)
    return _RULES[requirement.combine](results, channels, requirement, decision)


def joint_probability(results: Sequence[MeasureResult], requirement: Requirement) -> float:
    """Probability that all channels conform at once; NaN where the draws don't belong together."""
    sizes = {r.samples.size for r in results}
    if len(results) < 2 or len(sizes) != 1 or 0 in sizes:
        return math.nan
    return joint_probability_from_samples(
        np.stack([r.samples for r in results], axis=1), requirement.at_least, requirement.at_most
    )


def _worst(
    results: Sequence[MeasureResult],
    channels: tuple[Decided, ...],
    requirement: Requirement,
    decision: Decision,  # noqa: ARG001  one shape for all rules
) -> Taken:
    for outcome in (Outcome.FAIL, Outcome.UNDECIDED, Outcome.PASS):
        here = [i for i, c in enumerate(channels) if c.outcome is outcome]
        if here:
            at = min(here, key=lambda i: _sort_key(channels[i], requirement))
            return Taken(channels[at], channels, outcome, _told(channels, at, outcome), results[at])
    raise AssertionError("every channel has an outcome")


def _best(
    results: Sequence[MeasureResult],
    channels: tuple[Decided, ...],
    requirement: Requirement,
    decision: Decision,  # noqa: ARG001
) -> Taken:
    for outcome in (Outcome.PASS, Outcome.UNDECIDED, Outcome.FAIL):
        here = [i for i, c in enumerate(channels) if c.outcome is outcome]
        if here:
            known = [i for i in here if not math.isnan(channels[i].probability)] or here
            at = max(known, key=lambda i: _sort_key(channels[i], requirement))
            reason = f"{_name(channels[at])} is the best channel: {channels[at].reason}"
            return Taken(channels[at], channels, outcome, reason, results[at])
    raise AssertionError("every channel has an outcome")


def _mean(
    results: Sequence[MeasureResult],
    channels: tuple[Decided, ...],
    requirement: Requirement,
    decision: Decision,
) -> Taken:
    doubts = [
        f"{r.channel}: {r.doubt or r.reason or 'it could not be evaluated'}"
        for r in results
        if r.doubt or math.isnan(r.value)
    ]
    sizes = {r.samples.size for r in results}
    joinable = len(sizes) == 1 and 0 not in sizes
    samples = np.mean(np.stack([r.samples for r in results]), axis=0) if joinable else np.zeros(0)
    mean = MeasureResult(
        measure=results[0].measure,
        channel=None,
        value=float(np.mean([r.value for r in results])),
        unit=results[0].unit,
        samples=samples,
        parameters=results[0].parameters,
        reason="; ".join(doubts),
        doubt="; ".join(doubts),
        sources=results[0].sources,
    )
    decided = decide(mean, requirement, decision)
    reason = f"the mean of {len(results)} channels decides: {decided.reason}"
    return Taken(decided, channels, decided.outcome, reason, mean)


_Rule = Callable[[Sequence[MeasureResult], tuple[Decided, ...], Requirement, Decision], Taken]
_RULES: Mapping[Combine, _Rule] = {
    Combine.WORST: _worst,
    Combine.EACH: _worst,  # every channel must pass, so the worst tells
    Combine.BEST: _best,
    Combine.MEAN: _mean,
}


def _sort_key(channel: Decided, requirement: Requirement) -> tuple[float, float]:
    """Return what a worse channel has less of: probability, then room to the nearest limit.

    Draws tell no two channels apart that are both far from the limit; their values do.
    """
    low, high = requirement.at_least, requirement.at_most
    room = min(
        math.inf if low is None else channel.value - low,
        math.inf if high is None else high - channel.value,
    )
    # a channel without a probability explains less than one with a low one
    return (
        2.0 if math.isnan(channel.probability) else channel.probability,
        math.inf if math.isnan(room) else room,
    )


def _name(channel: Decided) -> str:
    return channel.channel or "the whole oven"


def _told(channels: tuple[Decided, ...], at: int, outcome: Outcome) -> str:
    one = channels[at]
    told = f"{_name(one)}: {one.reason}"
    if len(channels) == 1:
        return told
    same = [_name(c) for i, c in enumerate(channels) if c.outcome is outcome and i != at]
    if outcome is Outcome.PASS:
        return (
            f"{_all_of(len(channels))} channels meet it; the least sure is {_name(one)}, with a "
            f"probability of {chance(one.probability)}"
        )
    word = "fails" if outcome is Outcome.FAIL else "undecided"
    return told + (f"; {word} too: {', '.join(same)}" if same else "")


def _all_of(count: int) -> str:
    return "both" if count == 2 else f"all {count}"


def _nothing(reason: str) -> Taken:
    empty = Decided(
        channel=None,
        value=math.nan,
        unit=Unit.ONE,
        standard_uncertainty=math.nan,
        interval_95=(math.nan, math.nan),
        probability=math.nan,
        outcome=Outcome.UNDECIDED,
        reason=reason,
    )
    return Taken(empty, (), Outcome.UNDECIDED, reason, None)
