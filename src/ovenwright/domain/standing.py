"""Where one run stands among several others, aligned at load-in."""

from __future__ import annotations

from dataclasses import dataclass

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.results import Unit


@dataclass(frozen=True, slots=True)
class OutlinedChannel:
    """One channel on a shared grid: ``temp_c`` and its standard uncertainty ``standard_k``, (n,)."""

    channel: str
    role: str
    temp_c: FloatArray
    standard_k: FloatArray


@dataclass(frozen=True, slots=True)
class OutlinedMeasure:
    """What one requirement found on one channel; NaN where it could not be evaluated."""

    name: str
    channel: str | None
    unit: Unit
    value: float
    standard: float


@dataclass(frozen=True, slots=True)
class Outline:
    """What is kept of a run once it has been looked at: light enough to hold many of them."""

    run_id: str
    process_s: float
    channels: tuple[OutlinedChannel, ...]
    measures: tuple[OutlinedMeasure, ...]


@dataclass(frozen=True, slots=True)
class ChannelStanding:
    """One channel of the run against the band of its role in the others.

    ``outside_k`` is how far it lies outside where it does so most, signed, with the standard
    uncertainty ``outside_standard_k`` of that difference; NaN where the others have no readings.
    """

    channel: str
    temp_c: FloatArray
    share_outside: float
    share_beyond_doubt: float
    outside_k: float
    outside_standard_k: float
    outside_at_s: float


@dataclass(frozen=True, slots=True)
class RoleStanding:
    """All channels of one role: the others' band, and this run's channels over it.

    ``since_load_s``, ``low_c``, ``median_c``, ``high_c`` (n,) seconds and °C over every channel of
    the role in every other run; ``runs`` (n,) how many other runs have a reading at each moment.
    """

    role: str
    since_load_s: FloatArray
    low_c: FloatArray
    median_c: FloatArray
    high_c: FloatArray
    runs: FloatArray
    channels: tuple[ChannelStanding, ...]


@dataclass(frozen=True, slots=True)
class MeasureStanding:
    """One requirement's measure in this run and in the others.

    ``others`` pairs each other run's id with its value, in the order the runs were named.
    ``beyond_doubt`` tells that this run lies outside all others by more than the doubt of the
    difference to the nearest of them; ``uncountable`` that all are kills beyond any population,
    which are alike however far apart their numbers are.
    """

    name: str
    channel: str | None
    unit: Unit
    value: float
    standard: float
    others: tuple[tuple[str, float], ...]
    lowest: float
    median: float
    highest: float
    lower: int  # others below this run
    alike: int
    higher: int
    beyond_doubt: bool
    uncountable: bool = False

    @property
    def outside(self) -> bool:
        """Whether this run lies outside the range of the others."""
        return not self.uncountable and len(self.others) in {self.lower, self.higher}


@dataclass(frozen=True, slots=True)
class Standing:
    """One run among several others; ``left_out`` names each run that could not be used, and why."""

    run_id: str
    other_ids: tuple[str, ...]
    roles: tuple[RoleStanding, ...]
    measures: tuple[MeasureStanding, ...]
    process_s: float
    others_process_s: tuple[float, ...]
    lonely: tuple[str, ...]  # channels whose role no other run has
    left_out: tuple[tuple[str, str], ...] = ()

    @property
    def by_chance(self) -> float:
        """The chance that a like run lies outside the range of the others in one measure.

        Any of n + 1 like runs is as likely as another to be the lowest, and so with the highest:
        2 / (n + 1). Source: Wilks 1941 (docs/references.bib), the mean coverage of a sample's
        range. Checked in tests/evidence/test_standing.py.
        """
        return 2.0 / (len(self.other_ids) + 1)
