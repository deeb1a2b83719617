"""One channel's readings as a curve: straight between neighbours, broken at gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ovenwright.domain.arrays import BoolArray, FloatArray

_THIN = 16
JOIN_INTERVALS = 2.5
"""Readings at most this many sampling intervals apart are joined by a straight line."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A stretch without readings that can be used, and what it could hide.

    ``low_c`` and ``high_c`` bound the temperature inside, taking the steepest change seen near it
    as the steepest inside; ``before_c`` or ``after_c`` is NaN where the hole has no such side.
    """

    from_s: float
    to_s: float
    before_c: float
    after_c: float
    low_c: float
    high_c: float

    @property
    def length_s(self) -> float:
        """How long it is."""
        return self.to_s - self.from_s


class Curve:
    """Usable readings in one stretch of time.

    Parameters
    ----------
    time_s : (n,) rising, seconds
    temp_c : (n,) finite, degrees Celsius
    joined : (n - 1,) False where a step spans a hole
    from_s, to_s : the stretch asked for
    holes : the holes in it, leading and trailing ones included
    """

    def __init__(
        self,
        time_s: FloatArray,
        temp_c: FloatArray,
        joined: BoolArray,
        *,
        from_s: float,
        to_s: float,
        holes: tuple[Hole, ...] = (),
    ) -> None:
        self.time_s = time_s
        self.temp_c = temp_c
        self.joined = joined
        self.from_s = from_s
        self.to_s = to_s
        self.holes = holes
        self.kept: dict[object, FloatArray] = {}  # running totals that were already worked out
        self.passed: dict[object, object] = {}  # and levels whose passing was already found

    def __len__(self) -> int:
        return int(self.time_s.size)

    @cached_property
    def whole(self) -> bool:
        """True when every step is joined."""
        return bool(self.joined.all())

    @cached_property
    def step_s(self) -> FloatArray:
        """(n - 1,) length of each step, 0 where it spans a hole."""
        step = np.diff(self.time_s)
        if not self.whole:
            step = np.where(self.joined, step, 0.0)
        return step

    @cached_property
    def seen_s(self) -> float:
        """Time that readings cover."""
        return float(self.step_s.sum())

    @cached_property
    def highest_so_far_c(self) -> FloatArray:
        """(n,) running maximum."""
        return np.maximum.accumulate(self.temp_c)

    @cached_property
    def top(self) -> int:
        """Index of the highest reading."""
        return int(np.argmax(self.temp_c))

    @cached_property
    def bottom(self) -> int:
        """Index of the lowest reading."""
        return int(np.argmin(self.temp_c))

    @cached_property
    def binned(self) -> tuple[FloatArray, FloatArray]:
        """Temperatures (b,) and the share of the seen time spent at each (b,)."""
        return gather(
            *self.thinned(np.concatenate(([0.0], np.cumsum(self.step_s)))), width_k=1.0, total=1.0
        )

    @cached_property
    def _stride(self) -> int:
        """How many readings can be taken together without a block spanning half a kelvin."""
        if len(self) > 64 * _THIN and self.whole:
            blocks = self.temp_c[: len(self) // _THIN * _THIN].reshape(-1, _THIN)
            if float(np.abs(np.diff(blocks[:, 0])).max()) < 0.5:
                return _THIN
        return 1

    def thinned(self, running: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return temperatures and what a running total (n,) gains at each, blocks taken together.

        Where the curve is fine enough a block of readings stands at its middle reading.
        """
        k = self._stride
        if k == 1:
            return 0.5 * (self.temp_c[1:] + self.temp_c[:-1]), np.diff(running)
        at = np.append(np.arange(0, len(self) - 1, k), len(self) - 1)
        return self.temp_c[(at[:-1] + at[1:]) // 2], np.diff(running[at])

    def with_temperatures(self, temp_c: FloatArray) -> Curve:
        """Return a curve without holes of its own on this one's time axis, sharing its arrays."""
        shared = Curve(self.time_s, temp_c, self.joined, from_s=self.from_s, to_s=self.to_s)
        shared.__dict__["step_s"] = self.step_s
        shared.__dict__["whole"] = self.whole
        return shared

    def after(self, at_s: float) -> Curve:
        """Return the part from the first reading at or after a time on."""
        i = int(np.searchsorted(self.time_s, at_s, side="left"))
        return self._part(i, len(self), at_s, self.to_s)

    def within(self, from_s: float, to_s: float) -> Curve:
        """Return the readings inside a stretch; nothing is made up at its ends."""
        i = int(np.searchsorted(self.time_s, from_s, side="left"))
        j = int(np.searchsorted(self.time_s, to_s, side="right"))
        return self._part(i, j, from_s, to_s)

    def _part(self, i: int, j: int, from_s: float, to_s: float) -> Curve:
        return Curve(
            self.time_s[i:j],
            self.temp_c[i:j],
            self.joined[i : max(j - 1, i)],
            from_s=from_s,
            to_s=to_s,
            holes=tuple(h for h in self.holes if h.to_s > from_s and h.from_s < to_s),
        )

    def flipped(self) -> Curve:
        """Return the curve of minus the temperature, so that falling can be asked as rising."""
        holes = tuple(
            Hole(h.from_s, h.to_s, -h.before_c, -h.after_c, -h.high_c, -h.low_c) for h in self.holes
        )
        return Curve(
            self.time_s, -self.temp_c, self.joined, from_s=self.from_s, to_s=self.to_s, holes=holes
        )

    def focused(self, low_c: float, high_c: float) -> Curve:
        """Return a smaller curve that passes every level between the two exactly alike.

        Readings whose neighbours lie on the same outer side with them carry nothing about those
        levels; both ends of each such run stay.
        """
        side = (self.temp_c > high_c).astype(np.int8) - (self.temp_c < low_c).astype(np.int8)
        n = side.size
        if n < 3:
            return self
        keep = np.ones(n, dtype=np.bool_)
        inner = (side[1:-1] != 0) & (side[1:-1] == side[:-2]) & (side[1:-1] == side[2:])
        if not self.whole:
            inner &= self.joined[:-1] & self.joined[1:]
        keep[1:-1] = ~inner
        kept = np.flatnonzero(keep)
        joined = np.ones(kept.size - 1, dtype=np.bool_)
        if not self.whole:
            joined = self.joined[kept[1:] - 1]
        return Curve(
            self.time_s[kept],
            self.temp_c[kept],
            joined,
            from_s=self.from_s,
            to_s=self.to_s,
            holes=self.holes,
        )

    def value_at(self, at_s: float) -> float:
        """Return the temperature at a time; NaN outside the readings and inside holes."""
        if len(self) == 0 or not self.time_s[0] <= at_s <= self.time_s[-1]:
            return math.nan
        i = int(np.searchsorted(self.time_s, at_s, side="left"))
        if self.time_s[i] == at_s:
            return float(self.temp_c[i])
        if not self.joined[i - 1]:
            return math.nan
        part = (at_s - self.time_s[i - 1]) / (self.time_s[i] - self.time_s[i - 1])
        return float(self.temp_c[i - 1] + part * (self.temp_c[i] - self.temp_c[i - 1]))


def gather(
    temp_c: FloatArray, weight: FloatArray, *, width_k: float, total: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """Gather weighted temperatures into bins, each at its own centre of weight.

    Parameters
    ----------
    temp_c, weight : (n,), weights not below 0
    width_k : width of a bin
    total : what the weights add up to afterwards; left alone when None

    Returns
    -------
    (b,) centres, (b,) weights; empty bins and weights below a millionth of the sum are left out,
    and the rest is scaled so that the sum stays.
    """
    if temp_c.size == 0:
        return np.zeros(0), np.zeros(0)
    low = float(temp_c.min())
    place = ((temp_c - low) * (1.0 / width_k)).astype(np.intp)
    summed = np.bincount(place, weights=weight)
    whole = float(summed.sum())
    if whole <= 0.0:
        return np.zeros(0), np.zeros(0)
    moment = np.bincount(place, weights=weight * (temp_c - low))
    keep = summed > 1e-6 * whole
    kept = summed[keep]
    centre = low + moment[keep] / kept
    scaled = kept * ((whole if total is None else total) / float(kept.sum()))
    return np.asarray(centre, dtype=np.float64), np.asarray(scaled, dtype=np.float64)


def cut(
    time_s: FloatArray,
    temp_c: FloatArray,
    *,
    from_s: float,
    to_s: float,
    interval_s: float,
    usable: BoolArray | None = None,
    like: Curve | None = None,
) -> Curve:
    """Return the curve of one channel between two times.

    Where a time asked for lies between two joined readings, the curve starts or ends there on the
    straight line between them.

    Parameters
    ----------
    time_s : (n,) rising, seconds
    temp_c : (n,) degrees Celsius, NaN where there is nothing to use
    usable : (n,) where it is finite, when already known
    like : a curve cut at the same times from a channel without gaps, to share its time axis
    """
    widest = JOIN_INTERVALS * interval_s
    if not to_s > from_s:
        return Curve(
            np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.bool_), from_s=from_s, to_s=to_s
        )
    finite = np.isfinite(temp_c) if usable is None else usable
    complete = bool(finite.all())
    if not complete:
        time_s, temp_c = time_s[finite], temp_c[finite]
    i = int(np.searchsorted(time_s, from_s, side="left"))
    j = int(np.searchsorted(time_s, to_s, side="right"))
    t, y = time_s[i:j], temp_c[i:j]
    head = _between(time_s, temp_c, i, from_s, widest) if i < time_s.size else math.nan
    tail = _between(time_s, temp_c, j, to_s, widest) if j < time_s.size else math.nan
    if i == j and not (math.isfinite(head) and math.isfinite(tail)):
        head = tail = math.nan
    if math.isfinite(head) and (i == j or t[0] > from_s):
        t, y = np.concatenate(([from_s], t)), np.concatenate(([head], y))
    if math.isfinite(tail) and (t.size == 0 or t[-1] < to_s):
        t, y = np.concatenate((t, [to_s])), np.concatenate((y, [tail]))
    if complete and like is not None and like.time_s.size == t.size:
        return like.with_temperatures(y)
    joined = np.diff(t) <= widest
    holes = _holes(t, y, joined, from_s=from_s, to_s=to_s, widest=widest, interval_s=interval_s)
    return Curve(t, y, joined, from_s=from_s, to_s=to_s, holes=holes)


def _between(t: FloatArray, y: FloatArray, i: int, at_s: float, widest: float) -> float:
    if i == 0 or t[i] - t[i - 1] > widest:
        return math.nan
    part = (at_s - t[i - 1]) / (t[i] - t[i - 1])
    return float(y[i - 1] + part * (y[i] - y[i - 1]))


def _holes(
    t: FloatArray,
    y: FloatArray,
    joined: BoolArray,
    *,
    from_s: float,
    to_s: float,
    widest: float,
    interval_s: float,
) -> tuple[Hole, ...]:
    if t.size == 0:
        return (Hole(from_s, to_s, math.nan, math.nan, -math.inf, math.inf),)
    sides: list[tuple[float, float, float, float]] = []
    if t[0] - from_s > widest:
        sides.append((from_s, float(t[0]), math.nan, float(y[0])))
    sides.extend(
        (float(t[i]), float(t[i + 1]), float(y[i]), float(y[i + 1]))
        for i in np.flatnonzero(~joined)
    )
    if to_s - t[-1] > widest:
        sides.append((float(t[-1]), to_s, float(y[-1]), math.nan))
    made = []
    for a, b, before, after in sides:
        rate = _steepest(t, y, a, b, interval_s)
        reach = rate * (b - a)
        if math.isfinite(before) and math.isfinite(after):
            middle, half = 0.5 * (before + after), 0.5 * reach
            low = min(before, after, middle - half)
            high = max(before, after, middle + half)
        else:
            known = after if math.isnan(before) else before
            low, high = known - reach, known + reach
        made.append(Hole(a, b, before, after, low, high))
    return tuple(made)


def _steepest(t: FloatArray, y: FloatArray, a: float, b: float, interval_s: float) -> float:
    """Steepest change near a hole, over stretches long enough for noise not to decide."""
    length = b - a
    near = max(5.0 * length, 120.0)
    i = int(np.searchsorted(t, a - near, side="left"))
    j = int(np.searchsorted(t, b + near, side="right"))
    k = max(1, min(round(length / (4.0 * interval_s)), (j - i) // 4, 60))
    rise = np.abs(y[i + k : j] - y[i : j - k])
    run = t[i + k : j] - t[i : j - k]
    return float((rise / run).max()) if rise.size else math.inf
