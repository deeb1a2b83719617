"""What can be turned on an oven, within limits, and what the surroundings do when it is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.errors import OutOfRange, UsageError

SPILL = (0.15, 0.25)
"""Share of a zone's change that each neighbour feels instead; common practice, no source."""

GAIN_DOUBT = 0.15
"""Standard deviation of how much of a change near the product follows the setpoint, about 1."""

_BLEND = 0.08  # of the oven's length over which one zone's air turns into the next one's


class Turns(StrEnum):
    """What a knob turns."""

    SETPOINT = "setpoint"
    BAKE_TIME = "bake time"
    START = "start temperature"


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
) -> tuple[Knob, ...]:
    """Return the knobs of a plan's oven.

    Parameters
    ----------
    plan : gives zones or chamber with their setpoints
    bake_s, start_c : as in the run
    setpoint_k : how far a setpoint may be moved either way, K
    bake_share : how far the bake time may be changed either way, as a share of it
    start_k : how far the start temperature may be changed either way, K

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
    if not knobs:
        raise UsageError(
            "nothing may be turned",
            remedy="give the zones setpoints in the plan, or limits: --setpoint-by, --time-by, --start-by",
        )
    return tuple(knobs)


@dataclass(frozen=True, slots=True)
class Turned:
    """Settings as the model takes them: shifts (zones,) K, bake time ratio, start shift K."""

    shift_k: FloatArray
    ratio: float
    start_k: float


def turned(knobs: tuple[Knob, ...], values: FloatArray, zones: int) -> Turned:
    """Return what values of the knobs mean against the present settings."""
    shift, ratio, start = np.zeros(zones), 1.0, 0.0
    for knob, value in zip(knobs, values, strict=True):
        if knob.turns is Turns.SETPOINT:
            shift[knob.zone] = value - knob.now
        elif knob.turns is Turns.BAKE_TIME:
            ratio = float(value / knob.now)
        else:
            start = float(value - knob.now)
    return Turned(shift, ratio, start)


@dataclass(frozen=True, slots=True)
class Response:
    """How surroundings answer setpoints, drawn: ``gain`` and ``spill`` (members,).

    ``wander_k`` (members,) is how far the next run differs with nothing turned.
    """

    gain: FloatArray
    spill: FloatArray
    wander_k: FloatArray

    def take(self, members: int) -> Response:
        """Return the first members."""
        return replace(
            self,
            gain=self.gain[:members],
            spill=self.spill[:members],
            wander_k=self.wander_k[:members],
        )


def draw_response(members: int, *, rng: np.random.Generator, wander_k: float = 1.5) -> Response:
    """Draw answers of the surroundings to setpoints from their prior.

    Parameters
    ----------
    members : how many
    rng : of the draws
    wander_k : from run to run with nothing turned, K; common practice, no source
    """
    return Response(
        gain=rng.normal(1.0, GAIN_DOUBT, members),
        spill=rng.uniform(*SPILL, members),
        wander_k=rng.normal(0.0, wander_k, members),
    )


def shift_along(
    share: FloatArray, edges: FloatArray, shift_k: FloatArray, response: Response
) -> FloatArray:
    """Return how much warmer the surroundings get along the oven, (n, members) K.

    Parameters
    ----------
    share : (n,) of the way through, 0 to 1
    edges : (zones + 1,) of the zones, 0 to 1
    shift_k : (zones,) of the setpoints
    response : drawn
    """
    zones = shift_k.size
    before = np.concatenate(([0.0], shift_k[:-1]))
    after = np.concatenate((shift_k[1:], [0.0]))
    has = np.array([(i > 0) + (i < zones - 1) for i in range(zones)], dtype=float)
    felt = (
        shift_k[:, None] * (1.0 - has[:, None] * response.spill)
        + (before + after)[:, None] * response.spill
    ) * response.gain
    weight = np.zeros((share.size, zones))
    for i in range(zones):
        up = 1.0 if i == 0 else np.clip((share - edges[i]) / _BLEND + 0.5, 0.0, 1.0)
        down = 1.0 if i == zones - 1 else np.clip((edges[i + 1] - share) / _BLEND + 0.5, 0.0, 1.0)
        weight[:, i] = up * down
    weight /= weight.sum(axis=1, keepdims=True)
    return np.asarray(weight @ felt)
