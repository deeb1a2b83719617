"""Results held against limits."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ovenwright.domain.plan import Combine, Decision, Requirement
from ovenwright.domain.results import Results, Unit


class Outcome(StrEnum):
    """The three answers."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Decided:
    """One measure result held against its limits."""

    channel: str | None
    value: float
    unit: Unit
    standard_uncertainty: float
    interval_95: tuple[float, float]
    probability: float  # of conformity; NaN when it can't be evaluated
    outcome: Outcome
    reason: str


@dataclass(frozen=True, slots=True)
class RequirementVerdict:
    """One requirement: the channel that decides, and every channel's own answer.

    ``acceptance`` are the limits after the guard band, (low, high), None where there is no limit.
    """

    requirement: Requirement
    decision: Decision
    combine: Combine
    deciding: Decided
    channels: tuple[Decided, ...]
    acceptance: tuple[float | None, float | None]
    outcome: Outcome
    reason: str
    rests_on: tuple[str, ...] = ()  # kinetics, sources
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()  # what the deciding result says beside its number


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of a channel's budget, at the temperature where it matters most."""

    channel: str
    source: str
    shared_by: str
    distribution: str
    half_width_k: float
    divisor: float
    standard_k: float
    degrees_of_freedom: float
    one_sided: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Budget:
    """Uncertainty budget of one channel at one temperature."""

    channel: str
    at_c: float
    lines: tuple[BudgetLine, ...]
    combined_k: float
    effective_dof: float
    coverage_factor: float
    expanded_k: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the run is worth, and why."""

    results: Results
    outcome: Outcome
    requirements: tuple[RequirementVerdict, ...]
    budgets: tuple[Budget, ...]
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    next_looks: tuple[str, ...]
