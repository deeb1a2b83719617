"""When the product went in and came out: given, marked, found in the readings, or assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.extremes import slopes
from ovenwright.analysis.levels import boxcar
from ovenwright.analysis.subject import Readings
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import ChamberOven, Plan, TunnelOven
from ovenwright.domain.profile import Profile
from ovenwright.domain.results import Event, Found
from ovenwright.domain.run import NS, MarkKind, Role

_TRAVELLING = ((Role.AIR,), (Role.SURFACE, Role.BODY), (Role.CORE,))
_LOADED = ((Role.SURFACE, Role.BODY), (Role.CORE,))
_LEAST_RISE_K = 10.0
_BELT_SHARE = 0.02  # common practice, no source: belt speeds are known to about 2 %
_APART_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Sight:
    """What one channel saw of an event."""

    channel: str
    at_s: float
    standard_s: float


def find_events(readings: Readings, plan: Plan) -> tuple[Event, Event, tuple[str, ...]]:
    """Find load-in and load-out.

    What the plan's recording section gives comes first, then marks, then what the readings show:
    in a tunnel everything travels together, and the air channels pass the mouths on the steepest
    change; in a chamber the air is hot already, so the product tells, leaving its steady start on
    a rise and falling off its last plateau. What can't be seen is assumed, and says so.

    Returns
    -------
    load-in, load-out, notes
    """
    profile = readings.profile
    if profile.time_s.size == 0:
        nowhere = Event(0.0, Found.ASSUMED, "there are no readings")
        return nowhere, nowhere, ()
    start, end = float(profile.time_s[0]), float(profile.time_s[-1])
    load_in = _stated(profile, plan.recording.load_in_s, MarkKind.LOAD_IN, "load_in_s", last=False)
    load_out = _stated(
        profile, plan.recording.load_out_s, MarkKind.LOAD_OUT, "load_out_s", last=True
    )
    groups = _TRAVELLING if isinstance(plan.oven, TunnelOven) else _LOADED
    if load_in is None:
        load_in = _seen(readings, groups, rising=True, after_s=start)
    if load_out is None:
        after = start if load_in is None else load_in.at_s
        load_out = _seen(readings, groups, rising=False, after_s=after)
        if load_out is not None and load_in is not None and load_out.at_s <= load_in.at_s:
            load_out = None
    load_in, load_out = _filled(load_in, load_out, plan, start, end)
    return load_in, load_out, _belt_notes(load_in, load_out, plan)


def _stated(
    profile: Profile, given_s: float | None, kind: MarkKind, key: str, *, last: bool
) -> Event | None:
    if given_s is not None:
        return Event(given_s, Found.GIVEN, f"the plan gives recording.{key}")
    marks = [m for m in profile.marks if m.kind is kind]
    if not marks:
        return None
    mark = marks[-1] if last else marks[0]
    at = (mark.time_ns - profile.start_ns) / NS
    return Event(at, Found.MARKED, f"marked by {mark.by}" + (f": {mark.text}" if mark.text else ""))


def _seen(
    readings: Readings, groups: tuple[tuple[Role, ...], ...], *, rising: bool, after_s: float
) -> Event | None:
    profile = readings.profile
    start, end = float(profile.time_s[0]), float(profile.time_s[-1])
    for roles in groups:
        sights = []
        for i, channel in enumerate(profile.channels):
            if channel.role not in roles or channel.place.zone:
                continue  # a channel fixed in a zone does not pass the mouths
            curve = readings.cut(i, start, end)
            if len(curve) < 12:
                continue
            rough = math.hypot(
                _or_zero(profile.noise_k[i]), _or_zero(profile.resolution_k[i]) / math.sqrt(12.0)
            )
            if roles == (Role.AIR,):
                lag = _or_zero(profile.lag_s[i])
                sight = see_mouth(curve, channel.name, rough, lag_s=lag, leaving=not rising)
                if sight is not None and sight.at_s < after_s:
                    sight = None
            elif rising:
                sight = see_entry(curve, channel.name, rough, inner=roles == (Role.CORE,))
            else:
                sight = see_exit(
                    curve, channel.name, rough, after_s=after_s, inner=roles == (Role.CORE,)
                )
            if sight is not None:
                sights.append(sight)
        if sights:
            return _agreed(sights, roles, profile.interval_s, rising=rising)
    return None


def _or_zero(number: float) -> float:
    return float(number) if math.isfinite(number) else 0.0


def _agreed(
    sights: list[Sight], roles: tuple[Role, ...], interval_s: float, *, rising: bool
) -> Event:
    times = np.array([s.at_s for s in sights])
    at = float(np.median(times))
    sampling = interval_s / math.sqrt(12.0)
    own = float(np.median([s.standard_s for s in sights]))
    between = float(np.std(times, ddof=1)) if times.size > 1 else 0.0
    standard = math.sqrt(sampling**2 + max(own, between) ** 2)
    names = ", ".join(s.channel for s in sights)
    what = "first steep rise" if rising else "last steep fall"
    kind = " and ".join(r.value for r in roles)
    apart = f"; they agree within {np.ptp(times):.0f} s" if times.size > 1 else ""
    return Event(at, Found.FOUND, f"{what} of the {kind} channels ({names}){apart}", standard)


def see_mouth(
    curve: Curve, channel: str, roughness_k: float, *, lag_s: float = 0.0, leaving: bool = False
) -> Sight | None:
    """See an air channel pass the mouth of a tunnel, going in or, in the record's end, out.

    Air spills through a mouth, so the change begins before it; half-way between the levels to
    either side of the steepest change is taken as the mouth. A sensor with a lag shows that
    later by 0.7 time constants after a sudden change and by one whole after a slow one.
    """
    half = max(2, int(np.searchsorted(curve.time_s - curve.time_s[0], 4.0)))
    y, t = boxcar(curve.temp_c, half // 2), curve.time_s
    slope = slopes(curve, half)
    if leaving:  # the same rise, seen backwards
        y, t, slope = y[::-1], t[::-1], -slope[::-1]
    first = float(np.median(y[:5]))
    whole = float(np.percentile(y, 95)) - first
    if whole < _LEAST_RISE_K:
        return None
    i = _first_above(y, first + max(0.05 * whole, 6.0 * roughness_k, 1.0))
    j = _first_above(y, first + 0.7 * whole)
    if i is None or j is None or i < 3 or j <= i:
        return None
    k = i + int(np.nanargmax(slope[i : j + 1]))
    steep = float(slope[k])
    calm_after = np.flatnonzero(slope[k:] < 0.1 * steep)
    calm_before = np.flatnonzero(slope[: k + 1] < 0.1 * steep)
    if not steep > 0 or calm_before.size == 0:
        return None
    low = float(y[calm_before[-1]])
    high = float(y[k + calm_after[0]]) if calm_after.size else float(y[k:].max())
    marks = [low + share * (high - low) for share in (0.25, 0.5, 0.75)]
    places = [_first_above(y[calm_before[-1] :], level) for level in marks]
    if any(place is None for place in places):
        return None
    quarter, middle, three = (
        _line_time(t, y, int(calm_before[-1]) + (place or 0), level)
        for place, level in zip(places, marks, strict=True)
    )
    width = abs(three - quarter)
    if lag_s > 0:
        return Sight(channel, middle - 0.85 * lag_s, 0.15 * width)
    # of a sensor whose lag nobody gave, the width may be all lag or all mouth
    return Sight(channel, middle - 0.3 * width, 0.3 * width)


def see_entry(
    curve: Curve, channel: str, roughness_k: float, *, inner: bool = False
) -> Sight | None:
    """See a channel leave a steady start on its first large rise; None if it never does.

    The line through a twentieth and a fifth of the rise is carried back to the steady level. An
    ``inner`` place answers late: in conduction the centre of a slab does so by 0.9 of the time
    between those two points, that of a sphere by 0.8, a small lump by nothing.
    """
    y, t = boxcar(curve.temp_c, 1), curve.time_s
    first = float(np.median(y[:5]))
    rise = float(np.percentile(y, 95)) - first
    if rise < _LEAST_RISE_K:
        return None
    low = first + max(0.05 * rise, 6.0 * roughness_k, 1.0)
    high = low + 0.15 * rise
    i, j = _first_above(y, low), _first_above(y, high)
    if i is None or j is None or i == 0:
        return None
    t_low, t_high = _line_time(t, y, i, low), _line_time(t, y, j, high)
    run = max(t_high - t_low, 1e-3)
    before = y[: max(int(np.searchsorted(t, t_low - 0.5 * run)), 0)]
    steady = before[-120:]
    if steady.size < 3:
        return None
    base = float(np.median(steady))
    at = t_low - (low - base) * run / (high - low)
    if at < t[0]:
        return None
    if inner:
        return Sight(channel, max(at - 0.4 * run, float(t[0])), 0.3 * run)
    return Sight(channel, at, 0.1 * run)


def see_exit(
    curve: Curve, channel: str, roughness_k: float, *, after_s: float, inner: bool = False
) -> Sight | None:
    """See a channel fall off its last plateau, for good; None if the record ends before it.

    The line through nine and six tenths of the fall is carried back to the plateau. Where the
    record ends before half of the heat is gone, the fall to its last reading serves, if it is
    steady and well beyond what a plateau does. An ``inner`` place answers late, by up to half the
    time between those two points.
    """
    y, t = boxcar(curve.temp_c, 1), curve.time_s
    cold = float(np.median(y[:5]))
    hot = float(np.percentile(y, 95))
    half = cold + 0.5 * (hot - cold)
    if hot - cold < _LEAST_RISE_K:
        return None
    if y[-1] >= half:
        return _begun_fall(
            y, t, channel, roughness_k=roughness_k, rise_k=hot - cold, after_s=after_s, inner=inner
        )
    k = int(np.flatnonzero(y >= half)[-1])
    if t[k] <= after_s:
        return None
    warm = _last_above(y[: k + 1], cold + 0.9 * (hot - cold))
    slow_s = 2.0 * float(t[k] - t[k if warm is None else warm])  # an inner place falls slowly
    near = (t >= max(t[k] - max(180.0, slow_s), after_s)) & (t <= t[k])
    plateau = float(y[near].max()) - 2.0 * roughness_k
    return _carried_back(y, t, channel, plateau=plateau, foot=cold, after_s=after_s, inner=inner)


def _begun_fall(
    y: FloatArray,
    t: FloatArray,
    channel: str,
    *,
    roughness_k: float,
    rise_k: float,
    after_s: float,
    inner: bool,
) -> Sight | None:
    """See a fall that the record's end cuts off."""
    here = np.flatnonzero(t > after_s)
    if here.size < 12:
        return None
    top = int(here[np.argmax(y[here])])
    plateau, end = float(y[top]) - 2.0 * roughness_k, float(y[-1])
    if plateau - end < max(_LEAST_RISE_K, 0.1 * rise_k, 10.0 * roughness_k):
        return None
    tenth = 0.1 * (plateau - end)
    last = _last_above(y, plateau - tenth)
    if last is None:
        return None
    falling = y[last:]
    back_up = float(np.max(falling - np.minimum.accumulate(falling)))
    if back_up > max(tenth, 6.0 * roughness_k):
        return None  # it swings, as an oven does that is switched on and off
    return _carried_back(y, t, channel, plateau=plateau, foot=end, after_s=after_s, inner=inner)


def _carried_back(
    y: FloatArray,
    t: FloatArray,
    channel: str,
    *,
    plateau: float,
    foot: float,
    after_s: float,
    inner: bool,
) -> Sight | None:
    high, low = foot + 0.9 * (plateau - foot), foot + 0.6 * (plateau - foot)
    i, j = _last_above(y, high), _last_above(y, low)
    if i is None or j is None or j + 1 >= y.size or j < i:
        return None
    t_high, t_low = _line_time(t, y, i + 1, high), _line_time(t, y, j + 1, low)
    run = max(t_low - t_high, 1e-3)
    at = t_high - (plateau - high) * run / (high - low)
    if inner:
        return Sight(channel, max(at - 0.25 * run, after_s), 0.2 * run)
    return Sight(channel, max(at, after_s), 0.1 * run)


def _first_above(y: FloatArray, level: float) -> int | None:
    above = np.flatnonzero(y >= level)
    return int(above[0]) if above.size else None


def _last_above(y: FloatArray, level: float) -> int | None:
    above = np.flatnonzero(y >= level)
    return int(above[-1]) if above.size else None


def _line_time(t: FloatArray, y: FloatArray, i: int, level: float) -> float:
    rise = float(y[i] - y[i - 1])
    part = 0.0 if rise == 0.0 else (level - float(y[i - 1])) / rise
    return float(t[i - 1] + min(max(part, 0.0), 1.0) * (t[i] - t[i - 1]))


def _filled(
    load_in: Event | None, load_out: Event | None, plan: Plan, start: float, end: float
) -> tuple[Event, Event]:
    """Fill in what nobody gave, marked or could find."""
    belt = plan.oven.bake_time_s if isinstance(plan.oven, TunnelOven) else None
    if load_in is None and load_out is not None and belt is not None:
        at = load_out.at_s - belt
        if at >= start:
            load_in = Event(
                at,
                Found.ASSUMED,
                "load-out less the plan's time on the belt",
                math.hypot(load_out.standard_s, _BELT_SHARE * belt),
            )
    if load_in is None:
        why = (
            "no product channel shows it"
            if isinstance(plan.oven, ChamberOven)
            else "no channel shows a rise from a steady start"
        )
        load_in = Event(start, Found.ASSUMED, f"{why}; the first reading is taken")
    if load_out is None and belt is not None and load_in.at_s + belt <= end:
        load_out = Event(
            load_in.at_s + belt,
            Found.ASSUMED,
            "load-in plus the plan's time on the belt",
            math.hypot(load_in.standard_s, _BELT_SHARE * belt),
        )
    if load_out is None:
        load_out = Event(
            end, Found.ASSUMED, "no channel shows a last fall; the last reading is taken"
        )
    return load_in, load_out


def _belt_notes(load_in: Event, load_out: Event, plan: Plan) -> tuple[str, ...]:
    if not isinstance(plan.oven, TunnelOven):
        return ()
    if Found.ASSUMED in {load_in.found, load_out.found}:
        return ()
    belt, seen = plan.oven.bake_time_s, load_out.at_s - load_in.at_s
    if abs(seen - belt) <= _APART_SHARE * belt:
        return ()
    return (
        f"load-in to load-out took {seen / 60:.1f} min, but {plan.oven.length_m:g} m at the "
        f"plan's {plan.oven.belt_speed_m_min:g} m/min take {belt / 60:.1f} min: check the belt "
        "speed, the zone lengths or the marks",
    )
