"""What analysis finds in a profile, before anyone judges it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.profile import FlagSpan, Profile


class Unit(StrEnum):
    """Unit of a measure, inside the tool; surfaces turn °C into °F where asked."""

    CELSIUS = "degC"  # a temperature on the scale
    KELVIN = "K"  # a difference of temperatures
    SECOND = "s"
    KELVIN_PER_MINUTE = "K/min"
    LOG10 = "log10"
    ONE = "1"  # a share or a ratio
    WATT_PER_M2_K = "W/(m2 K)"
    WATT_PER_M2 = "W/m2"
    KILOJOULE_PER_KG = "kJ/kg"
    PASTEURISATION_UNIT = "PU"


@dataclass(frozen=True, slots=True)
class MeasureResult:
    """A number computed from a profile, with the spread that the budget gives it.

    ``value`` is NaN when it can't be evaluated and ``reason`` then says why. ``samples`` (m,) are
    the Monte Carlo draws of the value (empty if there are none). ``touched`` are the flagged
    stretches that what it rests on goes through, ``doubt`` is filled when those forbid a verdict.
    """

    measure: str
    channel: str | None
    value: float
    unit: Unit
    samples: FloatArray
    parameters: Mapping[str, float | str] = field(default_factory=dict)
    at_s: float | None = None
    reason: str = ""
    doubt: str = ""
    touched: tuple[FlagSpan, ...] = ()
    sources: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Crossing:
    """The moment a channel passes a temperature, kept by plain name such as ``core 60 °C``.

    Times are seconds since load-in (``since_load_s``) and since the first reading (``at_s``);
    NaN if it is never reached, with the reason.
    """

    name: str
    channel: str
    level_c: float
    at_s: float
    since_load_s: float
    standard_s: float
    interval_s: tuple[float, float]
    share_of_process: float
    rate_k_min: float
    reason: str = ""


class Found(StrEnum):
    """Where an event on the time axis comes from."""

    GIVEN = "given"
    MARKED = "marked"
    FOUND = "found"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class Event:
    """Load-in or load-out on the elapsed axis, and how it is known."""

    at_s: float
    found: Found
    reason: str
    standard_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ZoneStat:
    """One channel in one zone of the oven, in belt position."""

    zone: str
    channel: str
    from_s: float
    to_s: float
    mean_c: float
    minimum_c: float
    maximum_c: float
    end_c: float
    rise_k: float
    setpoint_c: float | None
    samples: int


@dataclass(frozen=True, slots=True)
class LaneBalance:
    """Lanes compared in one zone at the same belt position, for one role."""

    zone: str
    role: str
    difference_k: Mapping[str, float]  # lane to its mean minus the mean over lanes
    spread_k: float
    hottest: str
    coldest: str


@dataclass(frozen=True, slots=True)
class BuildUp:
    """Lethality or extent of one channel over time, for pictures and the live-formula sheet."""

    measure: str
    channel: str
    reference_c: float
    z_k: float
    time_s: FloatArray
    temp_c: FloatArray
    total: FloatArray
    unit: Unit
    parameters: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Uniformity:
    """How evenly a chamber holds, after the ideas of IEC 60068-3-5."""

    from_s: float
    to_s: float
    setpoint_c: float | None
    mean_c: float
    spread_k: float
    gradient_k: float
    fluctuation_k: float
    worst_deviation_k: float
    worst_channel: str
    stabilised_s: float
    soak_s: float
    overshoot_k: float
    recovery_s: float
    per_channel: tuple[tuple[str, float, float, float], ...]  # name, mean, fluctuation, deviation
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Cycling:
    """On-off cycling of a channel."""

    channel: str
    period_s: float
    amplitude_k: float
    cycles: int


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Surface coefficient and heat flux that a reference body felt, in one zone or over the run."""

    channel: str
    zone: str
    coefficient_w_m2_k: float
    flux_w_m2: float
    biot: float
    standard_w_m2_k: float
    valid: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Results:
    """Everything analysis found.

    ``by_requirement`` holds, in plan order, the results that each requirement rests on (one per
    channel it is on, or one for a measure of the whole oven).
    """

    profile: Profile
    load_in: Event
    load_out: Event
    measures: tuple[MeasureResult, ...]
    by_requirement: tuple[tuple[MeasureResult, ...], ...]
    crossings: tuple[Crossing, ...]
    zones: tuple[ZoneStat, ...] = ()
    balance: tuple[LaneBalance, ...] = ()
    build_up: tuple[BuildUp, ...] = ()
    uniformity: Uniformity | None = None
    cycling: tuple[Cycling, ...] = ()
    surroundings: tuple[Surroundings, ...] = ()
    notes: tuple[str, ...] = ()
