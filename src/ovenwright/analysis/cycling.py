"""On-off cycling: how often and how far a controlled temperature swings."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.levels import boxcar, boxcar_held
from ovenwright.analysis.subject import Scene, Subject
from ovenwright.domain.results import Cycling
from ovenwright.domain.run import NS, MarkKind, Role

_ROLES = (Role.AIR, Role.WALL)
_LEAST_CYCLES = 4
_WIDTHS = (3.0, 6.0, 12.0, 25.0)  # the moving means' widths, as shares of the stretch
_REGULAR = 0.3  # scatter of the periods over their mean above which it is no cycling


def find_cycling(scene: Scene) -> tuple[Cycling, ...]:
    """Find regular swings of air and wall channels over the later part of the process."""
    found = []
    for channel in scene.profile.channels:
        if channel.role in _ROLES:
            seen = cycling_of(scene.subject(channel.name))
            if seen is not None:
                found.append(seen)
    return tuple(found)


def cycling_of(subject: Subject) -> Cycling | None:
    """Return one channel's cycling; None where it does not swing regularly.

    The later two thirds of the process are looked at, so that heating up is over, up to the first
    door mark in them. Slow change is taken off by a moving mean, of several widths in turn, and
    rising passings of the remainder's zero are counted, once each full swing. The width that
    gives the most regular swings is kept. Period is their mean distance; amplitude is half the
    mean difference between the highs and lows of what remains.
    """
    curve = _late(subject)
    if len(curve) < 60:
        return None
    rough = max(subject.errors.roughness_k, 0.02)
    best: tuple[float, Cycling] | None = None
    for share in _WIDTHS:
        seen = _swings(curve, subject.name, half=int(0.5 * len(curve) / share), rough=rough)
        if seen is not None and (best is None or seen[0] < best[0]):
            best = seen
    return None if best is None else best[1]


def _late(subject: Subject) -> Curve:
    process = subject.process
    from_s = process.from_s + (process.to_s - process.from_s) / 3.0
    profile = subject.scene.profile
    doors = [(m.time_ns - profile.start_ns) / NS for m in profile.marks if m.kind is MarkKind.DOOR]
    to_s = min([d for d in doors if d > from_s] + [process.to_s])
    return process.within(from_s, to_s)


def _swings(curve: Curve, name: str, *, half: int, rough: float) -> tuple[float, Cycling] | None:
    """Return how irregular the swings are and what they are; None when they are none."""
    if half < 4:
        return None
    y = boxcar(curve.temp_c, 1)
    away = y - boxcar_held(boxcar_held(y, half), half)
    rest, t = away[half:-half], curve.time_s[half:-half]
    if rest.size < 40:
        return None
    height = float(np.percentile(rest, 90) - np.percentile(rest, 10)) / 2.0
    if height < 4.0 * rough:
        return None
    moments = _rising_zeros(t, rest, 0.5 * height)
    if moments.size < _LEAST_CYCLES + 1:
        return None
    periods = np.diff(moments)
    period = float(np.mean(periods))
    irregular = float(np.std(periods)) / period
    if irregular > _REGULAR:
        return None
    swings = [
        float(np.ptp(part))
        for a, b in pairwise(moments)
        if (part := rest[(t >= a) & (t <= b)]).size > 2
    ]
    if not swings:
        return None
    return irregular, Cycling(name, period, 0.5 * float(np.mean(swings)), int(periods.size))


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
