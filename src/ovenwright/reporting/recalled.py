"""A judgement as it was kept, told in the words and digits of the report."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

from ovenwright.domain.plan import Combine, Decision, Requirement
from ovenwright.domain.results import Unit
from ovenwright.domain.verdict import Decided, Outcome, RequirementVerdict, Verdict
from ovenwright.errors import StorageTrouble
from ovenwright.reporting.document import Table
from ovenwright.reporting.facts import asked_and_found, headline
from ovenwright.reporting.words import Shown


@dataclass(frozen=True, slots=True)
class Recalled:
    """What a kept judgement says, without the readings it was made from."""

    outcome: Outcome
    requirements: tuple[RequirementVerdict, ...]
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    next_looks: tuple[str, ...]

    def headline(self, shown: Shown) -> str:
        """Return the verdict in a sentence or three, as the report does."""
        return headline(cast("Verdict", self), shown)  # it asks for the requirements alone

    def asked_and_found(self, shown: Shown) -> Table:
        """Return the table of what was asked and what was found."""
        return asked_and_found(cast("Verdict", self), shown)


def recall(answer: Mapping[str, Any]) -> Recalled:
    """Return a judgement from the plain data it was kept as.

    Parameters
    ----------
    answer : what :func:`ovenwright.reporting.answer.verdict_facts` gave, read back

    Raises
    ------
    StorageTrouble : if it is no such data
    """
    try:
        return Recalled(
            Outcome(answer["verdict"]),
            tuple(_requirement(r) for r in answer.get("requirements", ())),
            _texts(answer.get("reasons")),
            _texts(answer.get("cautions")),
            _texts(answer.get("next")),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as cause:
        raise StorageTrouble(
            f"the kept judgement can't be read back ({cause})", remedy="judge the run again"
        ) from cause


def _texts(found: Any) -> tuple[str, ...]:
    return tuple(str(t) for t in found or ())


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _decided(row: Mapping[str, Any]) -> Decided:
    low, high = row.get("interval_95") or (None, None)
    return Decided(
        channel=row.get("channel"),
        value=_number(row.get("value")),
        unit=Unit(row["unit"]),
        standard_uncertainty=_number(row.get("standard_uncertainty")),
        interval_95=(_number(low), _number(high)),
        probability=_number(row.get("probability")),
        outcome=Outcome(row["verdict"]),
        reason=str(row.get("reason") or ""),
    )


def _requirement(row: Mapping[str, Any]) -> RequirementVerdict:
    decision = Decision.model_construct(confidence=_number(row.get("confidence")))
    need = Requirement.model_construct(
        name=str(row["name"]),
        measure=str(row["measure"]),
        parameters=dict(row.get("parameters") or {}),
        at_least=row.get("at_least"),
        at_most=row.get("at_most"),
    )
    channels: Sequence[Mapping[str, Any]] = row.get("channels") or ()
    acceptance: Mapping[str, Any] = row.get("acceptance") or {}
    return RequirementVerdict(
        requirement=need,
        decision=decision,
        combine=Combine(row.get("combine", Combine.WORST)),
        deciding=_decided(row),
        channels=tuple(_decided(c) for c in channels),
        acceptance=(acceptance.get("at_least"), acceptance.get("at_most")),
        outcome=Outcome(row["verdict"]),
        reason=str(row.get("reason") or ""),
        rests_on=_texts(row.get("rests_on")),
        cautions=_texts(row.get("cautions")),
        notes=_texts(row.get("notes")),
    )
