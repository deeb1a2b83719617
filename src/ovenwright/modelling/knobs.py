"""What can be turned on an oven, within limits."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.errors import OutOfRange, UsageError


class Turns(StrEnum):
    """What a knob turns."""

    SETPOINT = "setpoint"
    BAKE_TIME = "bake time"
    START = "start temperature"
    SPACING = "load spacing"


@dataclass(frozen=True, slots=True)
class Knob:
    """One thing that can be turned. ``zone`` counts zones for a setpoint; a chamber has one."""

    name: str
    turns: Turns
    unit: str
    now: float
    low: float
    high: float
    zone: int = 0

    def __post_init__(self) -> None:
        if not (self.low <= self.now <= self.high and np.isfinite([self.low, self.high]).all()):
            raise OutOfRange(
                f"limits of {self.name}",
                got=f"{self.low:g} to {self.high:g} {self.unit}",
                expected=f"limits around what it is now, {self.now:g} {self.unit}",
                remedy="give limits that hold the present setting; equal limits keep it as it is",
            )


def knobs_of(
    plan: Plan,
    *,
    bake_s: float,
    start_c: float,
    setpoint_k: float,
    bake_share: float,
    start_k: float,
    spacing_share: float = 0.0,
) -> tuple[Knob, ...]:
    """Return the knobs of a plan's oven.

    Parameters
    ----------
    plan : gives zones or chamber with their setpoints
    bake_s, start_c : as in the run
    setpoint_k : how far a setpoint may be moved either way, K
    bake_share : how far the bake time may be changed either way, as a share of it
    start_k : how far the start temperature may be changed either way, K
    spacing_share : how far the room each piece has may be changed either way, as a share of it

    Raises
    ------
    UsageError : if nothing may be turned
    """
    knobs = []
    if isinstance(plan.oven, TunnelOven):
        zones = [(f"setpoint {z.name}", z.setpoint_c) for z in plan.oven.zones]
    else:
        zones = [("setpoint", plan.oven.setpoint_c)]
    for i, (name, setpoint) in enumerate(zones):
        if setpoint is not None and setpoint_k > 0:
            knobs.append(
                Knob(
                    name,
                    Turns.SETPOINT,
                    "°C",
                    setpoint,
                    setpoint - setpoint_k,
                    setpoint + setpoint_k,
                    i,
                )
            )
    if bake_share > 0:
        minutes = bake_s / 60.0
        knobs.append(
            Knob(
                "bake time",
                Turns.BAKE_TIME,
                "min",
                minutes,
                minutes * (1 - bake_share),
                minutes * (1 + bake_share),
            )
        )
    if start_k > 0:
        low = max(start_c - start_k, 0.5)
        knobs.append(
            Knob(
                "start temperature",
                Turns.START,
                "°C",
                start_c,
                min(low, start_c),
                start_c + start_k,
            )
        )
    if spacing_share > 0:
        wide = 100.0 * spacing_share
        knobs.append(Knob("load spacing", Turns.SPACING, "%", 100.0, 100.0 - wide, 100.0 + wide))
    if not knobs:
        raise UsageError(
            "nothing may be turned",
            remedy="give the zones setpoints in the plan, or limits: --setpoint-by, --time-by, --start-by",
        )
    return tuple(knobs)


@dataclass(frozen=True, slots=True)
class Turned:
    """Settings as the model takes them.

    Shifts of setpoints (zones,) K, bake time ratio, shift of the start K, spacing ratio.
    """

    shift_k: FloatArray
    ratio: float
    start_k: float
    spacing: float = 1.0


def turned(knobs: tuple[Knob, ...], values: FloatArray, zones: int) -> Turned:
    """Return what values of the knobs mean against the present settings."""
    shift, ratio, start, spacing = np.zeros(zones), 1.0, 0.0, 1.0
    for knob, value in zip(knobs, values, strict=True):
        if knob.turns is Turns.SETPOINT:
            shift[knob.zone] = value - knob.now
        elif knob.turns is Turns.BAKE_TIME:
            ratio = float(value / knob.now)
        elif knob.turns is Turns.SPACING:
            spacing = float(value / knob.now)
        else:
            start = float(value - knob.now)
    return Turned(shift, ratio, start, spacing)
