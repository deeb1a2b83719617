"""One recorded test: raw readings and marks, as they came."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import IntFlag, StrEnum

import numpy as np

from ovenwright.domain.arrays import FloatArray, IntArray, QualityArray
from ovenwright.errors import OutOfRange

NS = 1_000_000_000
JUNCTION = "{} reference junction"
"""Name of the series that keeps a channel's reference-junction temperatures beside its own."""


def junctions_among(names: Iterable[str]) -> Mapping[str, str]:
    """Return which names are no sensors but the reference junction of another one: name to that one."""
    known = tuple(names)
    beside = {JUNCTION.format(name): name for name in known}
    return {name: beside[name] for name in known if name in beside}


class Quality(IntFlag):
    """What is known of one reading; bits, 0 is plain good."""

    GOOD = 0
    MISSING = 1  # the instrument delivered no number
    OVERFLOW = 2  # it delivered its mark for an open sensor or a value beyond range
    RESTAMPED = 4  # the time was mended on the way in (fold, midnight), value untouched
    REORDERED = 8  # it came out of order
    REPEATED = 16  # another reading of this channel carried the same time; the first was kept
    INSTRUMENT_DOUBT = 32  # the instrument itself marked the value as uncertain


class Role(StrEnum):
    """What a channel feels."""

    AIR = "air"
    SURFACE = "surface"
    CORE = "core"
    WALL = "wall"
    BODY = "body"
    AMBIENT = "ambient"


class MarkKind(StrEnum):
    """What a mark notes."""

    LOAD_IN = "load-in"
    LOAD_OUT = "load-out"
    DOOR = "door"
    ZONE_EDGE = "zone-edge"
    GAP = "gap"
    FAULT = "fault"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Mark:
    """Something noted on the time axis, by a person or by the tool."""

    kind: MarkKind
    time_ns: int
    text: str = ""
    by: str = "tool"
    channel: str | None = None
    until_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """The readings of one channel, rising in time.

    ``time_ns`` (n,) int64 UTC nanoseconds, ``value_c`` (n,) float64 °C with NaN where there is no
    number, ``quality`` (n,) uint8 of :class:`Quality`. ``raw`` (n,) holds the number as the
    instrument gave it when that was not °C, else None; ``raw_unit`` names its unit.
    ``restated_from`` names the thermocouple type the instrument was set to when ``value_c`` was
    already put right from that type; such readings must not be restated again.
    """

    time_ns: IntArray
    value_c: FloatArray
    quality: QualityArray
    raw: FloatArray | None = None
    raw_unit: str = "degC"
    restated_from: str = ""

    def __post_init__(self) -> None:
        n = self.time_ns.shape[0]
        if self.value_c.shape != (n,) or self.quality.shape != (n,):
            raise OutOfRange(
                "series", got=(n, self.value_c.shape, self.quality.shape), expected="equal lengths"
            )
        if self.raw is not None and self.raw.shape != (n,):
            raise OutOfRange("series.raw", got=self.raw.shape, expected=f"({n},)")
        if n > 1 and not bool(np.all(np.diff(self.time_ns) > 0)):
            raise OutOfRange("series.time_ns", got="falling or repeated times", expected="rising")


@dataclass(frozen=True, slots=True)
class Instrument:
    """What is known of the instrument and the file the readings came from."""

    name: str = ""
    serial: str = ""
    firmware: str = ""
    reference_junction_c: float | None = None
    resolution_k: float | None = None
    origin: tuple[str, ...] = ()  # names of the files as they came
    origin_sha256: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Run:
    """One recorded test, sealed when it ends.

    ``series`` maps channel name to readings, in the order of the source. ``absolute`` is False
    when the source gave elapsed time only: times then count from 1970-01-01 and mean nothing as
    dates. ``plan_toml`` is the plan's text as it was when the run was sealed.
    """

    id: str
    series: Mapping[str, Series]
    absolute: bool = True
    marks: tuple[Mark, ...] = ()
    instrument: Instrument = field(default_factory=Instrument)
    plan_toml: str = ""
    title: str = ""
    notes: tuple[str, ...] = ()
    set_aside: tuple[str, ...] = ()
    time_zone: str = "UTC"
    software: str = ""
    sealed_ns: int = 0
    digest: str = ""
    parent_digest: str = ""  # the run this one restates or corrects

    def __post_init__(self) -> None:
        if not self.series:
            raise OutOfRange("run.series", got="no channel", expected="at least one channel")

    @property
    def start_ns(self) -> int:
        """Time of the earliest reading; every elapsed time counts from here."""
        starts = [int(s.time_ns[0]) for s in self.series.values() if s.time_ns.size]
        return min(starts) if starts else 0

    @property
    def end_ns(self) -> int:
        """Time of the latest reading."""
        ends = [int(s.time_ns[-1]) for s in self.series.values() if s.time_ns.size]
        return max(ends) if ends else 0

    @property
    def samples(self) -> int:
        """Readings over all channels, missing ones included."""
        return sum(int(s.time_ns.size) for s in self.series.values())

    @property
    def junctions(self) -> Mapping[str, str]:
        """Series that keep the reference junction of another: name to the other's name."""
        return junctions_among(self.series)

    @property
    def sensors(self) -> tuple[str, ...]:
        """Names of the series that are sensors, in the order of the source."""
        beside = self.junctions
        return tuple(name for name in self.series if name not in beside)

    def elapsed_s(self, time_ns: int) -> float:
        """Return seconds since the first reading."""
        return (time_ns - self.start_ns) / NS
