"""What the index keeps of a run and of its judgements: plain facts, no files, no SQL."""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class MeasureEntry:
    """One requirement of one judgement, as the key number behind its verdict.

    NaN stands where there is no number; the index keeps it as no number.
    """

    requirement: str
    measure: str
    channel: str
    value: float
    unit: str
    standard_uncertainty: float = math.nan
    low_95: float = math.nan
    high_95: float = math.nan
    probability: float = math.nan
    verdict: str = ""


@dataclass(frozen=True, slots=True)
class JudgementEntry:
    """One judgement of a run."""

    run_id: str
    judged_ns: int
    verdict: str
    plan: str = ""
    software: str = ""
    measures: tuple[MeasureEntry, ...] = ()


@dataclass(frozen=True, slots=True)
class RunEntry:
    """One sealed run. ``verdict`` is that of the last judgement, filled when read back."""

    id: str
    title: str
    digest: str
    sealed_ns: int
    start_ns: int
    duration_s: float
    channels: tuple[str, ...]
    samples: int
    path: str
    absolute: bool = True
    time_zone: str = "UTC"
    oven: str = ""
    product: str = ""
    parent_digest: str = ""
    software: str = ""
    notes: tuple[str, ...] = ()
    verdict: str = ""
    judgements: int = field(default=0)


@dataclass(frozen=True, slots=True)
class PairEntry:
    """One product in one oven: how many runs, when the last was sealed, their last verdicts."""

    oven: str
    product: str
    runs: int
    last_ns: int
    passed: int = 0
    failed: int = 0
    undecided: int = 0
