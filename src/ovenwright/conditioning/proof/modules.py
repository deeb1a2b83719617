"""What instruments and links tell of themselves: clock, battery, signal, losses."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ovenwright.domain.live import Notice, NoticeKind
from ovenwright.domain.proof import Grade, ModuleProof, Remark

CLOCK_S = 2.0
"""Clock difference from which on times of several instruments do not fit together (our choice)."""
BATTERY_LOW = 0.2
"""Share below which a battery is called low, whatever the plan (common practice, no source)."""
BATTERY_MARGIN = 1.5
WEAK_DBM = -85.0
"""Radio signal below which losses are usual (common practice, no source)."""


@dataclass(slots=True)
class ModuleTale:
    """What one module delivered beside temperatures."""

    module: str
    readings: int = 0
    offsets_s: list[float] = field(default_factory=list)  # instrument time minus time of receipt
    intervals_s: list[float] = field(default_factory=list)
    junctions_c: list[float] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)

    def last(self, kind: NoticeKind) -> float:
        """Return the latest number of a kind of notice; NaN without one."""
        values = [n.value for n in self.notices if n.kind is kind and math.isfinite(n.value)]
        return values[-1] if values else math.nan

    def proof(self) -> ModuleProof:
        """Return what it comes to."""
        clock = self.last(NoticeKind.CLOCK)
        if not math.isfinite(clock) and self.offsets_s:
            clock = float(np.median(self.offsets_s))
        return ModuleProof(
            module=self.module,
            readings=self.readings,
            interval_s=float(np.median(self.intervals_s)) if self.intervals_s else math.nan,
            clock_offset_s=clock,
            battery=self.last(NoticeKind.BATTERY),
            signal=self.last(NoticeKind.SIGNAL),
            lost=int(
                sum(
                    n.value
                    for n in self.notices
                    if n.kind is NoticeKind.LOSS and math.isfinite(n.value)
                )
            ),
            reference_c=float(np.median(self.junctions_c)) if self.junctions_c else math.nan,
        )


@dataclass(frozen=True, slots=True)
class PowerNeed:
    """What the plan says of power: the planned length and how long a full battery lasts."""

    length_s: float = math.nan
    full_life_s: float = math.nan


def check_modules(tales: Iterable[ModuleTale], need: PowerNeed) -> list[Remark]:
    """Tell what modules say of clock, battery, signal and losses that a recording would suffer from.

    Parameters
    ----------
    tales : of each module
    need : planned length and life of a full battery, NaN where the plan does not say
    """
    out: list[Remark] = []
    for tale in tales:
        proof = tale.proof()
        name = tale.module or "the instrument"
        out += _clock(name, proof.clock_offset_s)
        out += _battery(name, proof.battery, need)
        if math.isfinite(proof.signal) and -130.0 < proof.signal < WEAK_DBM:
            out.append(
                Remark(
                    Grade.REMARK,
                    "link",
                    f"{name}: radio signal {proof.signal:.0f} dBm is weak",
                    "bring the receiver nearer or out of the metal's shadow",
                )
            )
        if proof.lost:
            out.append(
                Remark(
                    Grade.REMARK,
                    "link",
                    f"{name}: {proof.lost} readings were lost on the way",
                    "look at the link (radio, cable, broker) before recording",
                )
            )
        out += _said(name, tale.notices)
    return out


def _clock(name: str, offset_s: float) -> list[Remark]:
    if not math.isfinite(offset_s) or abs(offset_s) <= CLOCK_S:
        return []
    hours = offset_s / 3600.0
    zone = abs(offset_s) > 1700 and abs(hours * 4 - round(hours * 4)) < 0.02
    much = f"{hours:+.2f} h" if abs(offset_s) >= 3600 else f"{offset_s:+.1f} s"
    return [
        Remark(
            Grade.REMARK,
            "clock",
            f"{name}: its clock differs from this computer's by {much}",
            "that is a time zone: state it in the plan's mapping, or set the instrument to UTC"
            if zone
            else "set the clock of the one that is wrong, best both by NTP",
        )
    ]


def _battery(name: str, share: float, need: PowerNeed) -> list[Remark]:
    if not math.isfinite(share):
        return []
    life = share * need.full_life_s
    if math.isfinite(life) and math.isfinite(need.length_s):
        words = (
            f"{name}: battery at {share:.0%} lasts {_long(life)}, the test {_long(need.length_s)}"
        )
        if life < need.length_s:
            return [Remark(Grade.FAULT, "battery", words, "charge or change it first")]
        if life < BATTERY_MARGIN * need.length_s:
            return [Remark(Grade.REMARK, "battery", words, "charge it: heat and cold take more")]
        return [Remark(Grade.NOTE, "battery", words)]
    if share < BATTERY_LOW:
        return [
            Remark(
                Grade.REMARK,
                "battery",
                f"{name}: battery at {share:.0%}",
                "charge or change it; recording.battery in the plan lets the check say how long "
                "it lasts",
            )
        ]
    return []


def _long(seconds: float) -> str:
    return f"{seconds / 3600:.3g} h" if seconds >= 7200 else f"{seconds / 60:.3g} min"


def _said(name: str, notices: Sequence[Notice]) -> list[Remark]:
    """Turn what else the link said into remarks, each kind once with its last words."""
    table: Mapping[NoticeKind, tuple[Grade, str]] = {
        NoticeKind.LOST: (Grade.REMARK, "look at cable, radio and power of it before recording"),
        NoticeKind.REFUSED: (Grade.REMARK, "compare what it sends with the plan's mapping"),
        NoticeKind.REBOOTED: (Grade.REMARK, "it began anew meanwhile: check its power"),
    }
    out = []
    for kind, (grade, remedy) in table.items():
        mine = [n for n in notices if n.kind is kind]
        if mine:
            times = f" ({len(mine)} times)" if len(mine) > 1 else ""
            out.append(
                Remark(grade, "link", f"{name}: {mine[-1].text or kind.value}{times}", remedy)
            )
    return out
