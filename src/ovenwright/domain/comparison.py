"""Two runs held against each other, aligned at load-in."""

from __future__ import annotations

from dataclasses import dataclass

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.results import Unit


@dataclass(frozen=True, slots=True)
class ChannelDifference:
    """One channel of both runs, on the process time they share.

    ``since_load_s`` (n,) seconds since load-in; ``reference_c`` and ``other_c`` (n,);
    ``standard_k`` (n,) standard uncertainty of their difference.
    """

    channel: str
    role: str
    since_load_s: FloatArray
    reference_c: FloatArray
    other_c: FloatArray
    standard_k: FloatArray
    mean_k: float
    mean_standard_k: float
    largest_k: float
    largest_at_s: float
    outside_share: float  # share of the shared time in which the difference is beyond doubt


@dataclass(frozen=True, slots=True)
class MeasureDifference:
    """One requirement's measure in both runs, on one channel."""

    name: str
    channel: str | None
    unit: Unit
    reference: float
    other: float
    difference: float
    standard_uncertainty: float
    beyond_doubt: bool


@dataclass(frozen=True, slots=True)
class Comparison:
    """What differs between a reference run and another."""

    reference_id: str
    other_id: str
    channels: tuple[ChannelDifference, ...]
    measures: tuple[MeasureDifference, ...]
    only_reference: tuple[str, ...]
    only_other: tuple[str, ...]
    process_s: tuple[float, float]
    notes: tuple[str, ...]
    same_run: bool = False  # one run held against itself: the same sealed readings
