"""One channel while sensors are touched: at rest, moving away from rest, coming back."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

import numpy as np

from ovenwright.domain.arrays import FloatArray

QUIET_S = 4.0
"""How long a channel is watched before its rest is known."""
QUIET_READINGS = 5
LEAST_RISE_K = 0.8
"""Smallest movement that is taken for a finger; a draught moves a bare bead by some tenths of a
kelvin (common practice, no source)."""
NOISES = 6.0
"""Movement beyond noise, as a multiple of its standard deviation."""
KEEP_S = 300.0
_CONFIRM = 2  # readings in a row, so that one stray reading is no movement
_SETTLED_S = 8.0
_ANEW_S = 25.0
_FOLLOW_S = 30.0
_PATIENCE_S = 60.0
"""How long a channel that moved is waited for to come to rest before its middle is taken for it."""


class Phase(Enum):
    """Where a channel stands between two rests."""

    LEARNING = "learning"
    REST = "rest"
    AWAY = "away"
    BACK = "back"


@dataclass(slots=True)
class Leg:
    """One movement away from rest: ``sign`` +1 warms, −1 cools; ``size_k`` grows until let go."""

    channel: int
    sign: int
    onset_s: float
    start_c: float
    peak_s: float
    size_k: float
    over: bool = False

    def overlap_s(self, other: Leg) -> float:
        """Return how long both moved at the same time."""
        return min(self.peak_s, other.peak_s) - max(self.onset_s, other.onset_s)

    @property
    def length_s(self) -> float:
        """Time from onset to peak."""
        return max(self.peak_s - self.onset_s, 0.0)


class Excursions:
    """Follows one channel reading by reading.

    Parameters
    ----------
    channel : its place among the channels
    least_rise_k : smallest movement that counts
    """

    def __init__(self, channel: int, *, least_rise_k: float = LEAST_RISE_K) -> None:
        self.channel = channel
        self.least_rise_k = least_rise_k
        self.phase = Phase.LEARNING
        self.rest_c = float("nan")
        self.noise_k = 0.0
        self.resolution_k = 0.0
        self.leg: Leg | None = None
        self.fall_from = float("nan")  # time at which the fall of the last leg begins
        self.restless = False  # it was moving already when its rest was to be learnt
        self.creep = 0  # the way it still went, if any, when its rest was taken as known
        self._held: deque[tuple[float, float]] = deque()
        self._run = 0
        self._valley = 0.0
        self._legs = 0
        self._learnt_from = -np.inf

    # what is known -------------------------------------------------------------------------

    @property
    def threshold_k(self) -> float:
        """Movement from which on it counts."""
        return max(self.least_rise_k, NOISES * self.noise_k, 2.5 * self.resolution_k)

    def held(self, begin_s: float, end_s: float = float("inf")) -> tuple[FloatArray, FloatArray]:
        """Return the readings kept between two times: (n,) seconds, (n,) °C."""
        inside = [(t, v) for t, v in self._held if begin_s <= t <= end_s]
        both = np.array(inside, dtype=np.float64).reshape(-1, 2)
        return both[:, 0], both[:, 1]

    @property
    def latest(self) -> tuple[float, float] | None:
        """The latest reading: seconds, °C."""
        return self._held[-1] if self._held else None

    @property
    def away_k(self) -> float:
        """How far the latest reading is from rest; 0 while rest is not known."""
        if self.phase is Phase.LEARNING or not self._held:
            return 0.0
        return self._held[-1][1] - self.rest_c

    # what comes ----------------------------------------------------------------------------

    def take(self, time_s: float, value_c: float) -> Leg | None:
        """Take one reading; return the leg that ended with it, if one did."""
        if self._held and time_s <= self._held[-1][0]:
            return None  # repeated or out of order: the touch check lives in the present
        self._held.append((time_s, value_c))
        while time_s - self._held[0][0] > KEEP_S:
            self._held.popleft()
        if self.phase is Phase.LEARNING:
            self._learn()
        elif self.phase is Phase.REST:
            self._rest(time_s, value_c)
        elif self.phase is Phase.AWAY:
            return self._away(time_s, value_c)
        else:
            self._back(time_s, value_c)
        return None

    @property
    def first_leg(self) -> bool:
        """Whether the leg that is open is the first since rest was learnt."""
        return self.phase is Phase.AWAY and self._legs == 1

    def unsettle(self) -> None:
        """Take the open leg for the end of something that began before; learn rest anew."""
        self.leg, self.restless = None, True
        self.phase, self._run, self._legs = Phase.LEARNING, 0, 0
        self._learnt_from = self._held[-1][0]
        self.rest_c = float("nan")

    def _learn(self) -> None:
        times, values = self.held(self._learnt_from)
        if values.size < QUIET_READINGS or times[-1] - times[0] < QUIET_S:
            return
        inside = times >= times[-1] - max(QUIET_S, 4.0 * float(np.median(np.diff(times))))
        quiet = values[inside]
        if quiet.size < QUIET_READINGS:  # a gap went before
            return
        spread = float(np.median(np.abs(quiet - np.median(quiet)))) / 0.6745
        steps = np.abs(np.diff(values))
        steps = steps[steps > 1e-6]
        grain = float(steps.min()) if steps.size else 0.0
        self.resolution_k = grain if grain <= 0.5 and steps.size >= 3 else 0.0
        noise = max(spread, float(np.std(np.diff(quiet))) / np.sqrt(2.0))
        half = quiet.size // 2
        drift = float(np.mean(quiet[half:]) - np.mean(quiet[:half]))
        sure = 4.0 * noise / np.sqrt(half)
        self.restless = self.restless or self._has_moved(values)
        waited = times[-1] - times[0]
        if self.restless:
            self.noise_k = _own_noise_k(quiet)
            if waited < _PATIENCE_S and not self._settled(times[-1], _SETTLED_S):
                return
        elif abs(drift) > max(0.5 * self.least_rise_k, sure) and waited < 6.0 * QUIET_S:
            return  # still moving: wait a little for it to come to rest
        self.noise_k = noise
        self.rest_c = float(np.median(quiet))
        self.creep = int(np.sign(drift)) if abs(drift) > max(0.1, sure) else 0
        self.phase = Phase.REST

    def _has_moved(self, values: FloatArray) -> bool:
        """Whether readings moved by more than noise and single strays, while rest is learnt."""
        inner = np.sort(values)[1:-1]
        line = max(self.least_rise_k, NOISES * _own_noise_k(values), 2.5 * self.resolution_k)
        return inner.size >= 3 and float(inner[-1] - inner[0]) > line

    def _rest(self, time_s: float, value_c: float) -> None:
        away = value_c - self.rest_c
        if abs(away) < self.threshold_k:
            self._run = 0
            if abs(away) < 0.5 * self.threshold_k:
                gap = time_s - self._held[-2][0] if len(self._held) > 1 else 0.0
                self.rest_c += away * min(gap / _FOLLOW_S, 0.2)
            return
        self._run += 1
        if self._run < _CONFIRM or self._last_signs() != 1:
            return
        self._begin(1 if away > 0 else -1)

    def _last_signs(self) -> int:
        tail = [self._held[-k][1] - self.rest_c for k in range(1, _CONFIRM + 1)]
        return 1 if all(t > 0 for t in tail) or all(t < 0 for t in tail) else 0

    def _begin(self, sign: int, *, after_s: float = -np.inf) -> None:
        """Open a leg; its onset is where the readings left rest, or the valley."""
        times, values = self.held(after_s)
        moved = sign * (values - self.rest_c)
        reach = float(moved[-1])
        low = self._valley if self.phase is Phase.BACK else 0.0
        line = low + max(2.0 * self.noise_k, 0.1 * (reach - low))
        below = np.flatnonzero(moved[:-1] <= line)
        first = int(below[-1]) if below.size else 0
        top = int(np.argmax(moved[first:])) + first
        self.leg = Leg(
            channel=self.channel,
            sign=sign,
            onset_s=float(times[first]),
            start_c=self.rest_c + sign * low,
            peak_s=float(times[top]),
            size_k=float(moved[top]) - low,
        )
        self.phase, self._run = Phase.AWAY, 0
        self._legs += 1

    def _away(self, time_s: float, value_c: float) -> Leg | None:
        leg = self.leg
        assert leg is not None  # noqa: S101 - AWAY means that a leg is open
        size = leg.sign * (value_c - leg.start_c)
        if size > leg.size_k:
            leg.size_k, leg.peak_s, self._run = size, time_s, 0
            return None
        back = max(4.0 * self.noise_k, 1.5 * self.resolution_k, 0.12 * leg.size_k)
        if leg.size_k - size < back:
            self._run = 0
            return None
        self._run += 1
        if self._run < _CONFIRM:
            return None
        leg.over = True
        self.phase, self._run = Phase.BACK, 0
        self._valley = leg.sign * (value_c - self.rest_c)
        self.fall_from = self._let_go_s(leg)
        return leg

    def _let_go_s(self, leg: Leg) -> float:
        """Time of the first reading that is surely free of the finger.

        A finger may hold long after the peak, and may let go between two readings: the last one
        near the top can still be held.
        """
        times, values = self.held(leg.peak_s)
        near = leg.sign * (values - leg.start_c) >= 0.9 * leg.size_k
        return float(times[min(int(np.flatnonzero(near)[-1]) + 1, times.size - 1)])

    def _back(self, time_s: float, value_c: float) -> None:
        leg = self.leg
        assert leg is not None  # noqa: S101 - BACK means that a leg went before
        away = leg.sign * (value_c - self.rest_c)
        if away < self._valley:
            self._valley, self._run = away, 0
        elif away - self._valley > max(self.threshold_k, 0.15 * leg.size_k):
            self._run += 1
            if self._run >= _CONFIRM:
                lowest = self._time_of_valley(leg)
                self._begin(leg.sign, after_s=lowest)
                return
        else:
            self._run = 0
        if abs(away) < 0.5 * self.threshold_k and self._settled(time_s, _SETTLED_S):
            self.phase, self._run = Phase.REST, 0
        elif self._settled(time_s, _ANEW_S):  # a slow sensor's tail must not pass for a new rest
            self.rest_c = float(np.median(self.held(time_s - _SETTLED_S)[1]))
            self.phase, self._run = Phase.REST, 0

    def _time_of_valley(self, leg: Leg) -> float:
        times, values = self.held(leg.peak_s)
        return float(times[int(np.argmin(leg.sign * values))])

    def _settled(self, time_s: float, over_s: float) -> bool:
        times, values = self.held(time_s - over_s)
        if values.size < 4 or times[-1] - times[0] < 0.7 * over_s:
            return False
        wide = max(0.25 * self.least_rise_k, 5.0 * self.noise_k, 2.0 * self.resolution_k)
        half = values.size // 2
        creep = abs(float(np.mean(values[half:]) - np.mean(values[:half])))
        return float(np.ptp(values)) < wide and creep < 0.4 * wide

    def fall(self) -> tuple[FloatArray, FloatArray]:
        """Return the readings of the fall that is going on or was last; empty without one."""
        if not np.isfinite(self.fall_from):
            return np.empty(0), np.empty(0)
        return self.held(self.fall_from)

    def interval_s(self) -> float:
        """Median time between the readings kept; NaN without two."""
        steps = [b[0] - a[0] for a, b in pairwise(self._held)]
        return float(np.median(steps)) if steps else float("nan")


def _own_noise_k(values: FloatArray) -> float:
    """Return the noise of single readings, whatever straight way they go; 0 with too few."""
    if values.size < 4:
        return 0.0
    bends = np.diff(values, n=2)
    return float(np.median(np.abs(bends)) / (0.6745 * np.sqrt(6.0)))
