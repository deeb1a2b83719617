"""How evenly and steadily a chamber holds: a survey after the ideas of IEC 60068-3-5.

Terms as used here, because standards and laboratories differ: *spread* is the greatest difference
between the points' means over the steady stretch; *gradient* the greatest difference between two
points at one instant; *fluctuation* the largest departure of a point from its own mean (the
instability of DKD-R 5-7); *deviation* a point's mean less the setpoint.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ovenwright.analysis.levels import boxcar_held
from ovenwright.analysis.subject import Group, Scene, Subject
from ovenwright.domain.arrays import BoolArray, FloatArray
from ovenwright.domain.plan import ChamberOven
from ovenwright.domain.results import Uniformity
from ovenwright.domain.run import NS, MarkKind, Role

_USUAL_TOLERANCE_K = 5.0  # common practice, no source; said in a note when it is used
_SMOOTH_SHARE = 1.0 / 12.0
_LONGEST_SMOOTH_S = 600.0
_LEAST_BAND_K = 0.5
_BAND_SHARE = 0.1  # of the tolerance: how near the points' mean must stay to count as settled
_STAYS_S = 60.0  # back in tolerance counts once it has lasted this long
_THIN = 2000  # instants looked at for each draw of a time
SHIFTED = 200  # draws of a time


@dataclass(frozen=True)
class Survey:
    """Readings of several points on one time axis, with what they are held against.

    ``time_s`` (n,); ``temp_c`` (c, n), NaN where a point has no usable reading.
    """

    subjects: tuple[Subject, ...]
    time_s: FloatArray
    temp_c: FloatArray
    start_s: float
    setpoint_c: float | None
    tolerance_k: float | None
    doors_s: tuple[float, ...]

    @cached_property
    def target_c(self) -> float:
        """The setpoint, or what the chamber settled at when none is given."""
        return self.settled_c if self.setpoint_c is None else self.setpoint_c

    @cached_property
    def band_k(self) -> float:
        """The tolerance, or a usual one when none is given."""
        return _USUAL_TOLERANCE_K if self.tolerance_k is None else self.tolerance_k

    @property
    def settling_k(self) -> float:
        """How near its settled value the points' mean must stay to count as settled."""
        return max(_LEAST_BAND_K, _BAND_SHARE * self.band_k)

    @cached_property
    def middle_c(self) -> FloatArray:
        """(n,) mean of the points at each instant."""
        seen = np.isfinite(self.temp_c)
        count = seen.sum(axis=0)
        total = np.where(seen, self.temp_c, 0.0).sum(axis=0)
        return np.where(count > 0, total / np.maximum(count, 1), math.nan)

    @cached_property
    def before_door(self) -> int:
        """Number of instants before the first door mark that has at least half of the record."""
        for door in self.doors_s:
            if door - self.start_s > 0.25 * (self.time_s[-1] - self.start_s):
                return int(np.searchsorted(self.time_s, door, side="left"))
        return int(self.time_s.size)

    @cached_property
    def settled_c(self) -> float:
        """Mean of the points over the last quarter before the door."""
        part = self.middle_c[: self.before_door]
        known = part[np.isfinite(part)]
        if known.size == 0:
            known = self.middle_c[np.isfinite(self.middle_c)]
        return float(known[-max(known.size // 4, 1) :].mean())

    @cached_property
    def steady_from(self) -> int | None:
        """First instant from which the points' mean, cycling smoothed, stays where it settled."""
        n = self.before_door
        middle = self.middle_c[:n]
        known = np.flatnonzero(np.isfinite(middle))
        if known.size < 8:
            return None
        interval = float(np.median(np.diff(self.time_s)))
        window = min(_SMOOTH_SHARE * (self.time_s[n - 1] - self.time_s[0]), _LONGEST_SMOOTH_S)
        smooth = boxcar_held(middle[known], int(0.5 * window / interval))
        off = np.abs(smooth - self.settled_c) > self.settling_k
        last_off = np.flatnonzero(off)
        if last_off.size == 0:
            return int(known[0])
        if last_off[-1] + 8 >= known.size:
            return None
        return int(known[last_off[-1] + 1])

    @cached_property
    def steady(self) -> tuple[int, int] | None:
        """First and end instant of the steady stretch; None when it never settles."""
        first = self.steady_from
        return None if first is None else (first, self.before_door)

    @cached_property
    def means_c(self) -> FloatArray:
        """(c,) means over the steady stretch."""
        a, b = self.steady or (0, self.before_door)
        return np.array([_nan_mean(row[a:b]) for row in self.temp_c])

    @cached_property
    def fluctuations_k(self) -> FloatArray:
        """(c,) largest departure of each point from its own mean over the steady stretch."""
        a, b = self.steady or (0, self.before_door)
        away = np.abs(self.temp_c[:, a:b] - self.means_c[:, None])
        return np.array(
            [float(np.nanmax(row)) if np.isfinite(row).any() else math.nan for row in away]
        )

    def means_draws_c(self) -> FloatArray:
        """(m, c) draws of the means."""
        columns = []
        for subject, mean in zip(self.subjects, self.means_c, strict=True):
            shift = subject.errors.shift_k(np.array([mean]))[:, 0]
            columns.append(mean + shift)
        return np.stack(columns, axis=1)

    @cached_property
    def widest(self) -> tuple[float, int]:
        """Greatest difference between two points at one instant of the steady stretch, and when."""
        a, b = self.steady or (0, self.before_door)
        part = self.temp_c[:, a:b]
        seen = np.isfinite(part).sum(axis=0) >= 2
        if not seen.any():
            return math.nan, a
        high = np.where(np.isfinite(part), part, -math.inf).max(axis=0)
        low = np.where(np.isfinite(part), part, math.inf).min(axis=0)
        width = np.where(seen, high - low, -math.inf)
        k = int(np.argmax(width))
        return float(width[k]), a + k

    def in_tolerance(self, shift_k: FloatArray, thin: int = 1) -> BoolArray:
        """(n,) True where every point, shifted by (c,), is within tolerance of the target."""
        away = np.abs(self.temp_c[:, ::thin] + shift_k[:, None] - self.target_c)
        return np.asarray((away <= self.band_k).all(axis=0))

    def soak(self, shift_k: FloatArray | None = None) -> float:
        """Longest unbroken time with every point within tolerance."""
        thin = self._thin(shift_k)
        inside = self.in_tolerance(self._shift(shift_k), thin)
        t = self.time_s[::thin]
        runs = _runs(inside)
        return max((float(t[b] - t[a]) for a, b in runs), default=0.0)

    def recovery(self, shift_k: FloatArray | None = None) -> float:
        """Longest time from a door mark until every point is back in tolerance and stays.

        NaN without a door mark, infinite when the points do not come back before the next mark.
        """
        thin = self._thin(shift_k)
        inside = self.in_tolerance(self._shift(shift_k), thin)
        t = self.time_s[::thin]
        doors = [d for d in self.doors_s if self.start_s < d < t[-1]]
        longest = math.nan
        if not doors:
            return longest
        for door, until in zip(doors, [*doors[1:], math.inf], strict=True):
            back = _back(t, inside, door, min(until, float(t[-1])))
            longest = back if math.isnan(longest) else max(longest, back)
        return longest

    def _thin(self, shift_k: FloatArray | None) -> int:
        return 1 if shift_k is None else max(1, self.time_s.size // _THIN)

    def _shift(self, shift_k: FloatArray | None) -> FloatArray:
        return np.zeros(len(self.subjects)) if shift_k is None else shift_k

    def shifts_k(self, count: int) -> FloatArray:
        """(count, c) drawn errors of the points at the target temperature."""
        at = np.array([self.target_c])
        return np.stack([s.errors.shift_k(at, first=count)[:, 0] for s in self.subjects], axis=1)


def _nan_mean(row: FloatArray) -> float:
    seen = row[np.isfinite(row)]
    return float(seen.mean()) if seen.size else math.nan


def _runs(inside: BoolArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _back(t: FloatArray, inside: BoolArray, door_s: float, until_s: float) -> float:
    """Time from a door mark to the start of the first lasting run that follows a departure.

    A run that the next door or the record's end cuts short has not been seen to last.
    """
    window = (t >= door_s) & (t <= until_s)
    if inside[window].all():
        return 0.0
    left = float(t[window & ~inside][0])
    for a, b in _runs(inside & (t > left) & window):
        if t[b] - t[a] >= _STAYS_S:
            return float(t[a] - door_s)
    return math.inf


def survey(group: Group) -> Survey | None:
    """Return the points of a group as a survey; None without two points that have readings."""
    scene = group.scene
    able = tuple(s for s in group.subjects if len(s.process) > 8)
    if len(able) < 2:
        return None
    profile = scene.profile
    i = int(np.searchsorted(profile.time_s, scene.load_in.at_s, side="left"))
    j = int(np.searchsorted(profile.time_s, scene.load_out.at_s, side="right"))
    oven = scene.plan.oven
    chamber = oven if isinstance(oven, ChamberOven) else None
    doors = tuple(
        (m.time_ns - profile.start_ns) / NS for m in profile.marks if m.kind is MarkKind.DOOR
    )
    found = Survey(
        subjects=able,
        time_s=profile.time_s[i:j],
        temp_c=np.stack([scene.readings.rows[s.index, i:j] for s in able]),
        start_s=scene.load_in.at_s,
        setpoint_c=None if chamber is None else chamber.setpoint_c,
        tolerance_k=None if chamber is None else chamber.tolerance_k,
        doors_s=tuple(sorted(doors)),
    )
    # a point that has no reading in the stretch looked at takes no part
    seen = np.isfinite(found.means_c)
    if int(seen.sum()) < 2:
        return None
    if seen.all():
        return found
    return replace(
        found,
        subjects=tuple(s for s, here in zip(able, seen, strict=True) if here),
        temp_c=found.temp_c[seen],
    )


def assess_uniformity(scene: Scene) -> Uniformity | None:
    """Assess a chamber by its air channels; None for a tunnel or with fewer than two of them."""
    if not isinstance(scene.plan.oven, ChamberOven):
        return None
    names = tuple(n for n in scene.plan.names(Role.AIR) if n in scene.profile.names)
    found = survey(scene.group(names))
    if found is None or found.time_s.size < 8:
        return None
    notes = [
        "spread: greatest difference between the points' means; gradient: greatest difference at "
        "one instant; fluctuation: largest departure of a point from its own mean"
    ]
    if found.setpoint_c is None:
        notes.append(
            f"no setpoint in the plan: held against {found.settled_c:.1f} °C, its own mean"
        )
    if found.tolerance_k is None:
        notes.append(f"no tolerance in the plan: {found.band_k:g} K is taken")
    if found.steady is None:
        notes.append("it never settles: the whole stretch is taken")
    a, b = found.steady or (0, found.before_door)
    deviation = found.means_c - found.target_c
    worst = int(np.nanargmax(np.abs(deviation)))
    return Uniformity(
        from_s=float(found.time_s[a]),
        to_s=float(found.time_s[b - 1]),
        setpoint_c=found.setpoint_c,
        mean_c=float(np.nanmean(found.means_c)),
        spread_k=float(np.nanmax(found.means_c) - np.nanmin(found.means_c)),
        gradient_k=found.widest[0],
        fluctuation_k=float(np.nanmax(found.fluctuations_k)),
        worst_deviation_k=float(deviation[worst]),
        worst_channel=found.subjects[worst].name,
        stabilised_s=math.nan if found.steady is None else float(found.time_s[a]) - found.start_s,
        soak_s=found.soak(),
        overshoot_k=max(float(np.nanmax(found.temp_c[:, : found.before_door])) - found.target_c, 0),
        recovery_s=found.recovery(),
        per_channel=tuple(
            (s.name, float(mean), float(fluctuation), float(mean - found.target_c))
            for s, mean, fluctuation in zip(
                found.subjects, found.means_c, found.fluctuations_k, strict=True
            )
        ),
        notes=tuple(notes),
    )
