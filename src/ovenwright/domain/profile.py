"""A profile: a run conditioned for analysis, with its flags and its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ovenwright.domain.arrays import FlagArray, FloatArray
from ovenwright.domain.plan import Channel
from ovenwright.domain.run import Mark


class Severity(StrEnum):
    """What a flag does: remark is shown, doubt weakens, bad takes the readings out."""

    REMARK = "remark"
    DOUBT = "doubt"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class FlagSpan:
    """One stretch of one channel that a health check flagged."""

    check: str
    channel: str
    from_s: float
    to_s: float
    severity: Severity
    reason: str
    remedy: str = ""
    bit: int = 0


class Scope(StrEnum):
    """What one draw of an error is shared by."""

    CHANNEL = "channel"
    MODULE = "module"
    READING = "reading"


class Distribution(StrEnum):
    """Distribution of an error about zero."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


@dataclass(frozen=True, slots=True)
class ErrorTerm:
    """One line of a channel's uncertainty budget.

    The true temperature is the reading plus an error whose standard uncertainty at temperature
    ``at_c`` (k,) is ``standard_k`` (k,), linear between, held flat outside. Terms with the same
    ``group`` share one draw: the channel's own name, a module's name, or "" for each reading.
    ``half_width_k`` states the bound the standard uncertainty was made from, where there was one.
    """

    source: str
    scope: Scope
    group: str
    at_c: FloatArray
    standard_k: FloatArray
    distribution: Distribution = Distribution.NORMAL
    degrees_of_freedom: float = float("inf")
    note: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that was done to the readings on the way to the profile."""

    name: str
    version: str
    settings: tuple[tuple[str, str], ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Profile:
    """A run conditioned for analysis.

    Time is axis 0, channels axis 1, in the order of ``channels``.

    ``time_s`` (n,) seconds since the run's first reading, rising. ``temp_c`` (n, c) corrected
    temperatures, NaN where a reading is missing or was taken out. ``raw_c`` (n, c) the readings
    aligned but untouched. ``flags`` (n, c) bits of the health checks. ``noise_k`` (c,) standard
    deviation of a single reading's noise. ``lag_s`` (c,) sensor time constant, NaN if unknown.
    """

    run_id: str
    digest: str
    start_ns: int
    absolute: bool
    time_zone: str
    time_s: FloatArray
    channels: tuple[Channel, ...]
    temp_c: FloatArray
    raw_c: FloatArray
    flags: FlagArray
    spans: tuple[FlagSpan, ...]
    errors: tuple[tuple[ErrorTerm, ...], ...]
    noise_k: FloatArray
    resolution_k: FloatArray
    lag_s: FloatArray
    interval_s: float
    boiling_c: float
    pressure_kpa: float
    marks: tuple[Mark, ...] = ()
    steps: tuple[Step, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Channel names, in the order of axis 1."""
        return tuple(c.name for c in self.channels)

    def index(self, name: str) -> int:
        """Return the place of a channel on axis 1."""
        return self.names.index(name)
