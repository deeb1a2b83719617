"""Proof before recording: what was found of each channel, and whether one may start."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

NAN = float("nan")


class Readiness(StrEnum):
    """Whether recording may start."""

    READY = "ready"
    WITH_REMARKS = "ready with remarks"
    NOT_READY = "not ready"


class Grade(StrEnum):
    """What a remark does: a note is only told, a remark weakens, a fault forbids."""

    NOTE = "note"
    REMARK = "remark"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing found, and what to do about it. ``channel`` is empty where it is about all."""

    grade: Grade
    check: (
        str  # ambient, touch, fixed point, readings, interval, clock, battery, link, disk, module
    )
    what: str
    remedy: str = ""
    channel: str = ""


@dataclass(frozen=True, slots=True)
class TimeConstant:
    """Time constant of a sensor from its fall after letting go.

    ``standard_s`` is the standard uncertainty of the fit, correlation of the noise included.
    ``departure_k`` is the standard deviation of what the first-order curve leaves unexplained.
    """

    value_s: float
    standard_s: float
    asymptote_c: float
    departure_k: float
    readings: int
    reason: str = ""  # why there is no value, when value_s is NaN


@dataclass(frozen=True, slots=True)
class FixedPoint:
    """One sensor held at a temperature that nature gives.

    ``correction_k`` is true minus indicated; ``expanded_uncertainty_k`` belongs to it with
    ``coverage_factor``. ``allowed_k`` is what class, reference junction and that uncertainty allow.
    ``wire_guess`` names the thermocouple type that the reading fits, where the plan's does not.
    """

    name: str  # ice, boiling
    channel: str
    true_c: float
    indicated_c: float
    correction_k: float
    expanded_uncertainty_k: float
    coverage_factor: float
    allowed_k: float
    within: bool
    wire_guess: str = ""
    reason: str = ""  # why there is no value, when indicated_c is NaN


@dataclass(frozen=True, slots=True)
class ChannelProof:
    """What was found of one channel; NaN where it could not be found out."""

    channel: str
    module: str = ""
    readings: int = 0
    missing: int = 0
    value_c: float = NAN
    noise_k: float = NAN
    resolution_k: float = NAN
    interval_s: float = NAN
    offset_k: float = NAN  # from the other channels at ambient
    allowed_k: float = NAN
    touched: bool | None = None  # None where no touch check was made
    turn: int | None = None  # which touch it was, from 1
    rise_k: float = NAN
    reversed_leads: bool = False
    time_constant: TimeConstant | None = None
    fixed_point: FixedPoint | None = None


@dataclass(frozen=True, slots=True)
class ModuleProof:
    """What was found of one module or link."""

    module: str
    readings: int = 0
    interval_s: float = NAN
    clock_offset_s: float = NAN  # instrument minus ours
    battery: float = NAN  # share, 0 to 1
    signal: float = NAN
    lost: int = 0
    reference_c: float = NAN


@dataclass(frozen=True, slots=True)
class Proof:
    """The answer of a check: may this be recorded, and if not, what is to be done.

    ``identity`` maps the channel that reacted to the channel it proved to be, where the order of
    touching was meant to tell; only differences are in it.
    """

    readiness: Readiness
    channels: tuple[ChannelProof, ...]
    modules: tuple[ModuleProof, ...] = ()
    remarks: tuple[Remark, ...] = ()
    checks: tuple[str, ...] = ()  # which checks were made
    seconds: float = NAN
    identity: Mapping[str, str] = field(default_factory=dict)
    strangers: tuple[str, ...] = ()  # heard, but no channel of the plan

    def remarks_on(self, channel: str) -> tuple[Remark, ...]:
        """Return the remarks about one channel."""
        return tuple(r for r in self.remarks if r.channel == channel)


def readiness_of(remarks: tuple[Remark, ...]) -> Readiness:
    """Return what the gravest remark leaves of readiness."""
    grades = {r.grade for r in remarks}
    if Grade.FAULT in grades:
        return Readiness.NOT_READY
    return Readiness.WITH_REMARKS if Grade.REMARK in grades else Readiness.READY
