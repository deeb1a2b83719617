"""Levels of a curve: when it passes one, how long it stays above, its longest stretch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ovenwright.analysis.curve import Curve, Hole
from ovenwright.analysis.draws import ChannelErrors
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.profile import Distribution

_SPANS = (1, 2, 4, 8, 16, 32, 64)
_STEADY = 15.0  # roughnesses that it must rise by before a slope is quoted
_CLEAR = 3.0  # roughnesses that the curve must rise by before single readings are trusted
_FLAT_K = 1e-6  # steps below this are level: their slope is rounding and no temperature


@dataclass(frozen=True, slots=True)
class Passage:
    """When a curve first passes a level.

    ``at_s`` is NaN when there is no moment to give; ``reason`` then says why. ``draws_s`` (m,)
    holds infinity where the level is never reached in a draw, and the start of the curve where it
    is above from the start. ``rate_k_s`` is the slope there, positive when rising.
    """

    at_s: float
    draws_s: FloatArray
    rate_k_s: float
    already: bool = False
    never: bool = False
    inside: Hole | None = None
    rests_on: tuple[float, float] | None = None
    edge: bool = False
    earlier: tuple[Hole, ...] = ()
    reason: str = ""


def boxcar(values: FloatArray, half: int) -> FloatArray:
    """Return the moving mean over ``2 half + 1`` values, narrower but centred near the ends."""
    n = values.size
    if half < 1 or n < 3:
        return values
    half = min(half, (n - 1) // 2)
    base = values[0]
    summed = np.empty(n + 1)
    summed[0] = 0.0
    np.cumsum(values - base, out=summed[1:])
    out = np.empty(n)
    width = 2 * half + 1
    np.subtract(summed[width:], summed[:-width], out=out[half : n - half])
    out[half : n - half] /= width
    for i in range(half):  # the ends, narrower and narrower
        out[i] = summed[2 * i + 1] / (2 * i + 1)
        out[n - 1 - i] = (summed[n] - summed[n - 1 - 2 * i]) / (2 * i + 1)
    out += base
    return out


def boxcar_held(y: FloatArray, half: int) -> FloatArray:
    """Return the moving mean, held at both ends where a narrower window would let noise through."""
    half = min(half, (y.size - 1) // 2)
    mean = boxcar(y, half)
    mean[:half], mean[y.size - half :] = mean[half], mean[y.size - half - 1]
    return mean


def smoothed(curve: Curve, half: int, i: int, j: int) -> FloatArray:
    """Return the moving mean of the readings ``i`` to ``j``, never across a hole."""
    y = curve.temp_c[i:j]
    breaks = np.flatnonzero(~curve.joined[i : max(j - 1, i)]) + 1
    if breaks.size == 0:
        return boxcar(y, half)
    return np.concatenate([boxcar(part, half) for part in np.split(y, breaks)])


def straight_slope(curve: Curve, i: int, half: int) -> float:
    """Return the least-squares slope over the readings within ``half`` of ``i``, K/s."""
    a, b = max(i - half, 0), min(i + half + 1, len(curve))
    t, y = curve.time_s[a:b], curve.temp_c[a:b]
    if t.size < 2:
        return math.nan
    away = t - t.mean()
    return float(np.dot(away, y - y.mean()) / np.dot(away, away))


def _span(curve: Curve, i: int, roughness_k: float) -> int:
    """Return how many readings to either side a passing near ``i`` is taken over."""
    if roughness_k <= 0.0:
        return 0
    n = len(curve)
    best = 0
    for half in _SPANS:
        a, b = max(i - half, 0), min(i + half, n - 1)
        if not curve.whole and not curve.joined[a:b].all():
            break
        best = half
        run = 0.5 * float(curve.time_s[b] - curve.time_s[a])
        if straight_slope(curve, i, half) * run >= _CLEAR * roughness_k:
            break
    return 0 if best == 1 else best


def find_passage(
    curve: Curve, level_c: float, errors: ChannelErrors, *, falling: bool = False, tag: str = ""
) -> Passage:
    """Find when a curve first passes a level, rising unless told otherwise.

    Between readings the curve is straight. Where it rises by less than the readings scatter, the
    moving mean over enough readings to rise clearly is asked instead, because the first noisy
    reading beyond a level comes too early. The draws add the budget's errors, the scatter left in
    the moment, what a bend between two readings can hide, and the sensor's lag, which can only
    mean that the change itself came earlier.

    Returns
    -------
    Passage with (m,) draws
    """
    key = (errors, level_c, falling, tag)  # errors count by identity
    known = curve.passed.get(key)
    if not isinstance(known, Passage):
        known = curve.passed[key] = _passage(curve, level_c, errors, falling=falling, tag=tag)
    return known


def _passage(
    curve: Curve, level_c: float, errors: ChannelErrors, *, falling: bool, tag: str
) -> Passage:
    asked = curve.flipped() if falling else curve
    sign = -1.0 if falling else 1.0
    levels = sign * errors.reading_at(level_c)
    level = sign * level_c
    m = errors.count
    n = len(asked)
    if n == 0:
        return Passage(math.nan, np.full(m, math.nan), math.nan, reason="there are no readings")
    every = np.concatenate(([level], levels))
    high = asked.highest_so_far_c
    i = int(np.searchsorted(high, level, side="left"))
    first, last = np.searchsorted(high, [every.min(), every.max()], side="left")
    half = _span(asked, min(i, n - 1), errors.roughness_k)
    pad = 3 * half + 2
    a, b = max(int(first) - pad, 0), min(int(last) + pad + 1, n)
    times, step = _moments(asked, half, a, b, every)
    draws = times[1:]
    if times[0] == -math.inf:
        draws = np.where(draws == -math.inf, asked.time_s[0], draws)
        return Passage(
            math.nan, draws, math.nan, already=True, reason=_already(falling, level_c, tag)
        )
    found = float(times[0])
    draws = np.where(draws == -math.inf, asked.time_s[0], draws)
    if found == math.inf:
        top = sign * float(asked.temp_c[asked.top])
        word = "falls to" if falling else "reaches"
        edge = "lowest" if falling else "highest"
        reason = f"never {word} {level_c:g} °C; its {edge} reading is {top:.1f} °C"
        blind = tuple(h for h in asked.holes if h.high_c >= level)
        return Passage(math.nan, draws, math.nan, never=True, earlier=blind, reason=reason)
    k = a + step
    if not asked.joined[k - 1]:
        hole = _hole_at(asked, k)
        reason = (
            f"passes {level_c:g} °C inside a gap in the readings, "
            f"between {hole.from_s:.0f} s and {hole.to_s:.0f} s"
        )
        return Passage(
            math.nan,
            draws,
            math.nan,
            inside=hole,
            rests_on=(hole.from_s, hole.to_s),
            reason=reason,
        )
    rate = _rate(asked, k, half, errors.roughness_k)
    spread = _scatter(asked, k, half, errors, rate=rate, tag=f"{tag}{level_c:g}{falling}")
    draws = draws + spread - errors.late_s()
    interval = float(asked.time_s[k] - asked.time_s[k - 1])
    reach = interval * max(half, 2)
    rests = (found - reach, found + reach)
    edge_near = any(h.from_s < rests[1] and h.to_s > rests[0] for h in asked.holes)
    earlier = tuple(h for h in asked.holes if h.to_s <= found and h.high_c >= level)
    return Passage(found, draws, sign * rate, rests_on=rests, edge=edge_near, earlier=earlier)


def _already(falling: bool, level_c: float, tag: str) -> str:
    return f"already {'below' if falling else 'above'} {level_c:g} °C {tag or 'at the start'}"


def _hole_at(curve: Curve, k: int) -> Hole:
    at = float(curve.time_s[k])
    return next(h for h in curve.holes if h.to_s == at)


def _moments(curve: Curve, half: int, a: int, b: int, levels: FloatArray) -> tuple[FloatArray, int]:
    """Return the times at which the slice first passes each level, and the step of the first level."""
    y = smoothed(curve, half, a, b)
    t = curve.time_s[a:b]
    if half:  # the means of time and temperature lie on one line where the curve is straight
        t = smoothed(
            Curve(t, t, curve.joined[a : max(b - 1, a)], from_s=0.0, to_s=0.0), half, 0, b - a
        )
    high = np.maximum.accumulate(y)
    step = np.searchsorted(high, levels, side="left")
    within = np.clip(step, 1, max(y.size - 1, 1))
    if y.size < 2:
        times = np.where(step == 0, -math.inf, math.inf)
        return times, int(step[0])
    low, up = y[within - 1], y[within]
    rise = up - low
    part = np.divide(levels - low, rise, out=np.ones_like(rise), where=rise > 0)
    times = t[within - 1] + part * (t[within] - t[within - 1])
    before = -math.inf if a == 0 else float(t[0])
    beyond = math.inf if b == len(curve) else float(t[-1])
    times = np.where(step == 0, before, np.where(step == y.size, beyond, times))
    return times, int(step[0])


def _rate(curve: Curve, k: int, half: int, roughness_k: float) -> float:
    """Return the slope at a passing, over enough readings for scatter to leave a twentieth."""
    slope = math.nan
    for span in _SPANS:
        if span < half:
            continue
        a, b = max(k - span, 0), min(k + span, len(curve) - 1)
        if not curve.whole and not curve.joined[a:b].all():
            break
        slope = straight_slope(curve, k, span)
        run = 0.5 * float(curve.time_s[b] - curve.time_s[a])
        if slope * run >= _STEADY * roughness_k:
            break
    if slope > 0:
        return slope
    dt = float(curve.time_s[k] - curve.time_s[k - 1])
    return float(curve.temp_c[k] - curve.temp_c[k - 1]) / dt


def _scatter(
    curve: Curve, k: int, half: int, errors: ChannelErrors, *, rate: float, tag: str
) -> FloatArray:
    """Draws (m,) of what noise and the bend between two readings do to a moment."""
    spread = np.zeros(errors.count)
    if rate <= 0:
        return spread
    dt = float(curve.time_s[k] - curve.time_s[k - 1])
    if errors.noise_k > 0:
        left = errors.noise_k / math.sqrt(2 * half + 1)
        spread = spread + errors.noise("moment", tag) * (left / rate)
    if not half:
        width = dt * _hidden_share(curve, k)
        if width > 0:
            spread = spread + errors.draws.xi(
                "bend", errors.name, tag, distribution=Distribution.RECTANGULAR
            ) * (width / math.sqrt(3.0))
    return spread


def _hidden_share(curve: Curve, k: int) -> float:
    """Share of a sampling step by which a straight line can misplace a moment, half-width.

    The error of a straight line is at most an eighth of the second difference (the bound of
    linear interpolation); over the rise of the step that is a share of its length. A step that
    bends as much as it rises says nothing of where in it the level was passed: half of it.
    """
    y = curve.temp_c
    step = abs(float(y[k] - y[k - 1]))
    if step == 0.0:
        return 0.0
    bends = [abs(float(y[i + 1] - 2.0 * y[i] + y[i - 1])) for i in (k - 1, k) if 0 < i < y.size - 1]
    bend = max(bends, default=0.0) / step
    return bend / 8.0 if bend < 0.5 else min(0.5, 0.0625 + (bend - 0.5) * 0.875)


class TimeAbove:
    """Time spent at or above a level, exact for any number of levels at once.

    Every straight step of the curve spends ``dt (up - L) / (up - low)`` above a level between its
    ends, so the time is a sum of broken lines in the level; sorted once, each level then costs one
    search. Holes count nothing.
    """

    def __init__(self, curve: Curve) -> None:
        y, dt = curve.temp_c, curve.step_s
        low, up = np.minimum(y[1:], y[:-1]), np.maximum(y[1:], y[:-1])
        slope = up - low > _FLAT_K
        self._base = float(y[0]) if y.size else 0.0
        each = dt[slope] / (up[slope] - low[slope])
        knots = np.concatenate((up[slope], low[slope])) - self._base
        weight = np.concatenate((each, -each))
        order = np.argsort(knots, kind="stable")
        self._knots = knots[order]
        weight = weight[order]
        self._count = _from_the_end(weight)
        self._moment = _from_the_end(weight * self._knots)
        flat = np.argsort(low[~slope], kind="stable")
        self._flats = low[~slope][flat] - self._base
        self._flat_s = _from_the_end(dt[~slope][flat])

    def __call__(self, level_c: FloatArray) -> FloatArray:
        """Return (m,) seconds at or above the levels (m,)."""
        level = level_c - self._base
        i = np.searchsorted(self._knots, level, side="right")
        j = np.searchsorted(self._flats, level, side="left")
        ramps = self._moment[i] - level * self._count[i]
        return np.asarray(np.maximum(ramps, 0.0) + self._flat_s[j], dtype=np.float64)


def _from_the_end(values: FloatArray) -> FloatArray:
    return np.concatenate((np.cumsum(values[::-1])[::-1], [0.0]))


@dataclass(frozen=True, slots=True)
class Stretch:
    """One unbroken stretch of time."""

    length_s: float
    from_s: float
    to_s: float


def longest_stretch(curve: Curve, low_c: float, high_c: float = math.inf) -> Stretch:
    """Return the longest unbroken stretch with the temperature from ``low_c`` to ``high_c``.

    A hole breaks a stretch.
    """
    y, t = curve.temp_c, curve.time_s
    nothing = Stretch(0.0, math.nan, math.nan)
    if y.size < 2:
        return nothing
    a, b = y[:-1], y[1:]
    rise = b - a
    moves = rise != 0.0
    safe = np.where(moves, rise, 1.0)
    inside = (a >= low_c) & (a <= high_c)
    p, q = (low_c - a) / safe, (high_c - a) / safe
    start = np.where(moves, np.clip(np.minimum(p, q), 0.0, 1.0), 0.0)
    end = np.where(moves, np.clip(np.maximum(p, q), 0.0, 1.0), np.where(inside, 1.0, 0.0))
    some = np.flatnonzero((end > start) & curve.joined)
    if some.size == 0:
        return nothing
    start, end = start[some], end[some]
    run_on = np.zeros(some.size, dtype=np.bool_)
    run_on[1:] = (np.diff(some) == 1) & (end[:-1] == 1.0) & (start[1:] == 0.0)
    heads = np.flatnonzero(~run_on)
    tails = np.concatenate((heads[1:] - 1, [some.size - 1]))
    dt = t[some + 1] - t[some]
    begin = t[some[heads]] + start[heads] * dt[heads]
    finish = t[some[tails]] + end[tails] * dt[tails]
    best = int(np.argmax(finish - begin))
    return Stretch(float(finish[best] - begin[best]), float(begin[best]), float(finish[best]))
