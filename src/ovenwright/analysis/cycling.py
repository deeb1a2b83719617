"""On-off cycling: how often and how far a controlled temperature swings."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.levels import boxcar
from ovenwright.analysis.subject import Scene, Subject
from ovenwright.domain.results import Cycling
from ovenwright.domain.run import Role

_ROLES = (Role.AIR, Role.WALL)
_LEAST_CYCLES = 3
_REGULAR = 0.35  # scatter of the periods over their mean above which it is no cycling


def find_cycling(scene: Scene) -> tuple[Cycling, ...]:
    """Find regular swings of air and wall channels over the steady half of the process."""
    found = []
    for channel in scene.profile.channels:
        if channel.role in _ROLES:
            seen = cycling_of(scene.subject(channel.name))
            if seen is not None:
                found.append(seen)
    return tuple(found)


def cycling_of(subject: Subject) -> Cycling | None:
    """Return one channel's cycling; None where it does not swing regularly.

    The later two thirds of the process are looked at, so that heating up is over. What changes
    slower than a third of that is taken off, and rising passings of the remainder's zero, each
    at least half a swing apart, are counted. Period is their mean distance; amplitude is half the
    mean difference between the highs and lows between them.
    """
    curve = subject.process
    if len(curve) < 60:
        return None
    late = curve.within(curve.from_s + (curve.to_s - curve.from_s) / 3.0, curve.to_s)
    if len(late) < 40:
        return None
    rough = max(subject.errors.roughness_k, 0.02)
    best: Cycling | None = None
    for share in (3.0, 8.0, 20.0):
        seen = _swings(late, subject.name, len(late) / share, rough)
        if seen is not None and (best is None or seen.amplitude_k > best.amplitude_k):
            best = seen
    return best


def _swings(curve: Curve, name: str, window: float, rough: float) -> Cycling | None:
    half = max(int(0.5 * window), 2)
    y = boxcar(curve.temp_c, 1)
    rest = y - boxcar(boxcar(y, half), half)
    rest = rest[half // 2 : rest.size - half // 2]
    t = curve.time_s[half // 2 : curve.time_s.size - half // 2]
    if rest.size < 20:
        return None
    height = float(np.percentile(rest, 90) - np.percentile(rest, 10)) / 2.0
    if height < 4.0 * rough:
        return None
    moments = _rising_zeros(t, rest, 0.5 * height)
    if moments.size < _LEAST_CYCLES + 1:
        return None
    periods = np.diff(moments)
    period = float(np.mean(periods))
    if float(np.std(periods)) > _REGULAR * period:
        return None
    swings = []
    for a, b in pairwise(moments):
        part = y[half // 2 : y.size - half // 2][(t >= a) & (t <= b)]
        if part.size > 2:
            swings.append(float(part.max() - part.min()))
    if not swings:
        return None
    return Cycling(name, period, 0.5 * float(np.mean(swings)), int(periods.size))


def _rising_zeros(
    t: np.typing.NDArray[np.float64], y: np.typing.NDArray[np.float64], guard: float
) -> np.typing.NDArray[np.float64]:
    """Return the times of rising through zero, once each swing from below -guard to above +guard."""
    state = np.zeros(y.size, dtype=np.int8)
    state[y > guard] = 1
    state[y < -guard] = -1
    marked = np.flatnonzero(state)
    moments = []
    for a, b in pairwise(marked):
        if state[a] == -1 and state[b] == 1:
            between = y[a : b + 1]
            k = a + int(np.flatnonzero((between[:-1] < 0) & (between[1:] >= 0))[0])
            rise = y[k + 1] - y[k]
            moments.append(float(t[k] - y[k] / rise * (t[k + 1] - t[k])) if rise > 0 else math.nan)
    return np.array(moments)
