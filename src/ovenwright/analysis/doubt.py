"""Whether what a measure rests on can carry a verdict."""

from __future__ import annotations

import math
from collections.abc import Iterable

from ovenwright.analysis.declaration import Finding
from ovenwright.domain.plan import Requirement
from ovenwright.domain.profile import FlagSpan, Severity


def touching(
    spans: Iterable[FlagSpan], finding: Finding, channels: frozenset[str], pad_s: float
) -> tuple[FlagSpan, ...]:
    """Return the flagged stretches, remarks apart, that a finding's readings lie in or next to."""
    return tuple(
        span
        for span in spans
        if span.channel in channels
        and span.severity is not Severity.REMARK
        and any(
            span.from_s < to_s + pad_s and span.to_s > from_s - pad_s
            for from_s, to_s in finding.rests_on
        )
    )


def weigh(
    finding: Finding, requirement: Requirement | None, touched: tuple[FlagSpan, ...]
) -> tuple[str, tuple[str, ...]]:
    """Return the doubt that forbids a verdict, and what is only worth a note.

    Readings that a check doubts are still in the curve, so a value resting on them forbids any
    verdict. Readings that are not there can only push the value one way or both; a limit that
    already holds, or is already broken, in spite of the worst of that stays decided.
    """
    doubts = [
        f"{span.check.replace('-', ' ')} on {span.channel}: {span.reason}"
        for span in touched
        if span.severity is not Severity.REMARK
    ]
    notes = []
    for text, sign in ((finding.higher, 1.0), (finding.lower, -1.0)):
        if not text:
            continue
        if requirement is not None and _settled(finding.value, requirement, sign):
            notes.append(f"{text}; it can't change the verdict")
        else:
            doubts.append(text)
    return "; ".join(dict.fromkeys(doubts)), tuple(dict.fromkeys(notes))


def _settled(value: float, requirement: Requirement, sign: float) -> bool:
    """Tell whether pushing the value one way leaves the verdict as it is."""
    if math.isnan(value):
        return False
    low, high = requirement.at_least, requirement.at_most
    if sign > 0:
        return (high is not None and value > high) or (
            high is None and low is not None and value >= low
        )
    return (low is not None and value < low) or (low is None and high is not None and value <= high)
