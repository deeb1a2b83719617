"""How alike channels are: spread at the same time, lanes at the same place, nearness to setpoint."""

from __future__ import annotations

import math

import numpy as np

from ovenwright.analysis.averages import mean_draws, mean_of
from ovenwright.analysis.declaration import Finding, Measure, Parameter, Values, nothing
from ovenwright.analysis.holes import stretch_words
from ovenwright.analysis.subject import Group, Subject
from ovenwright.analysis.uniformity import survey
from ovenwright.analysis.zones import LEAST_SEEN, in_zone, zone_edges, zone_words
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import TunnelOven
from ovenwright.domain.results import Unit
from ovenwright.domain.run import Role

_DRAWN = 1000  # draws of a spread
_MOMENTS = 200  # moments looked at in each of them


def spread(group: Group, values: Values) -> Finding:
    """Largest difference between channels at the same time."""
    able = group.with_readings
    if len(able) < 2:
        return nothing("fewer than two of its channels have usable readings")
    scene = group.scene
    start, length = scene.load_in.at_s, scene.process_s
    from_s = start + values.number("from_share") * length
    to_s = start + values.number("to_share") * length
    time_s = scene.profile.time_s
    i = int(np.searchsorted(time_s, from_s, side="left"))
    j = int(np.searchsorted(time_s, to_s, side="right"))
    high = np.full(j - i, -math.inf)
    low = np.full(j - i, math.inf)
    count = np.zeros(j - i, dtype=np.int64)
    for subject in able:
        row, usable = scene.readings.rows[subject.index, i:j], scene.readings.usable
        seen = usable[subject.index, i:j]
        np.fmax(high, row, out=high)
        np.fmin(low, row, out=low)
        count += seen
    width = np.where(count >= 2, high - low, -math.inf)
    if width.size == 0 or not np.isfinite(width).any():
        return nothing("no two of its channels have usable readings at the same time")
    best = int(np.argmax(width))
    value = float(width[best])
    at = float(time_s[i + best])
    chosen = _widest_moments(width, best)
    samples = _spread_draws(able, scene.readings.rows[:, i:j][:, chosen])
    near = 3.0 * scene.profile.interval_s
    return Finding(
        value,
        samples,
        at_s=at,
        rests_on=((at - near, at + near),),
        higher=_hidden_spread(able, high, low, time_s[i:j], value),
        notes=(f"the spread comes from {samples.size} draws",),
    )


def _widest_moments(width: FloatArray, best: int) -> FloatArray:
    if width.size <= _MOMENTS:
        return np.flatnonzero(np.isfinite(width)).astype(np.float64).astype(np.intp)
    top = np.argpartition(width, -_MOMENTS)[-_MOMENTS:]
    top = top[np.isfinite(width[top])]
    return np.unique(np.concatenate((top, [best])))


def _spread_draws(able: tuple[Subject, ...], rows: FloatArray) -> FloatArray:
    count = min(_DRAWN, able[0].errors.count)
    high = np.full((count, rows.shape[1]), -math.inf)
    low = np.full((count, rows.shape[1]), math.inf)
    for subject in able:
        row = rows[subject.index]
        known = np.where(np.isfinite(row), row, 0.0)
        drawn = known + subject.errors.shift_k(known, first=count)
        seen = np.isfinite(row)
        np.maximum(high, np.where(seen, drawn, -math.inf), out=high)
        np.minimum(low, np.where(seen, drawn, math.inf), out=low)
    return np.asarray((high - low).max(axis=1), dtype=np.float64)


def _hidden_spread(
    able: tuple[Subject, ...], high: FloatArray, low: FloatArray, time_s: FloatArray, value: float
) -> str:
    """Say which gap could hide a larger spread; empty if none can."""
    for subject in able:
        for hole in subject.process.holes:
            during = (time_s >= hole.from_s) & (time_s <= hole.to_s)
            if not during.any():
                continue
            rest_high, rest_low = float(high[during].max()), float(low[during].min())
            if max(hole.high_c - rest_low, rest_high - hole.low_c) > value:
                return (
                    f"{subject.name} has no usable readings from {stretch_words(hole)}, "
                    "where the spread could have been larger"
                )
    return ""


def _stretches(group: Group) -> tuple[tuple[str, float, float, float | None], ...]:
    """Return the zones as the product met them, or the whole process as one stretch."""
    scene = group.scene
    return zone_edges(scene) or (("", scene.load_in.at_s, scene.load_out.at_s, None),)


def lane_difference(group: Group, _values: Values) -> Finding:
    """Largest difference between lanes at the same belt position."""
    lanes: dict[str, list[Subject]] = {}
    for subject in group.subjects:
        if subject.channel.place.lane:
            lanes.setdefault(subject.channel.place.lane, []).append(subject)
    if len(lanes) < 2:
        return nothing("its channels lie in fewer than two lanes: give place.lane in the plan")
    best: tuple[float, str, float, float] | None = None
    draws = np.zeros(group.draws.count)
    blind = ""
    for zone, enter, leave, _ in _stretches(group):
        means: dict[str, float] = {}
        drawn: list[FloatArray] = []
        for lane, subjects in lanes.items():
            here = [s for s in subjects if not zone or in_zone(s, zone)]
            parts = [(s, s.process.within(enter, leave)) for s in here]
            seen = [
                (s, p) for s, p in parts if len(p) > 1 and p.seen_s >= LEAST_SEEN * (leave - enter)
            ]
            if len(seen) < len(parts):
                blind = blind or f"lane {lane} has too few readings" + (
                    f" in {zone_words(zone)}" if zone else ""
                )
            if seen:
                means[lane] = float(np.mean([mean_of(p) for _, p in seen]))
                drawn.append(np.mean([mean_draws(s, p) for s, p in seen], axis=0))
        if len(means) < 2:
            continue
        width = max(means.values()) - min(means.values())
        draws = np.maximum(draws, np.ptp(np.stack(drawn), axis=0))
        if best is None or width > best[0]:
            hot = max(means, key=lambda lane: means[lane])
            cold = min(means, key=lambda lane: means[lane])
            where = f" in {zone_words(zone)}" if zone else ""
            best = (width, f"{hot} is hottest and {cold} coldest{where}", enter, leave)
    if best is None:
        return nothing("no two lanes have usable readings in the same zone")
    return Finding(
        best[0],
        draws,
        at_s=best[2],
        rests_on=((best[2], best[3]),),
        higher=blind,
        notes=(best[1],),
    )


def setpoint_deviation(group: Group, _values: Values) -> Finding:
    """Largest departure of a mean from its setpoint, without sign."""
    if isinstance(group.plan.oven, TunnelOven):
        return _zone_deviation(group)
    found = survey(group)
    if found is None:
        return nothing("fewer than two of its channels have usable readings")
    if found.setpoint_c is None:
        return nothing("the plan gives the chamber no setpoint_c")
    away = np.abs(found.means_c - found.setpoint_c)
    worst = int(np.nanargmax(away))
    a, b = found.steady or (0, found.before_door)
    notes = [f"largest at {found.subjects[worst].name}"]
    if found.steady is None:
        notes.append("the chamber never settles: means over the whole stretch")
    lost = [s.name for s in group.subjects if s not in found.subjects]
    return Finding(
        float(away[worst]),
        np.nanmax(np.abs(found.means_draws_c() - found.setpoint_c), axis=1),
        rests_on=((float(found.time_s[a]), float(found.time_s[b - 1])),),
        higher=f"{lost[0]} has no usable readings" if lost else "",
        notes=tuple(notes),
    )


def _zone_deviation(group: Group) -> Finding:
    best: tuple[float, str, float, float] | None = None
    draws = np.zeros(group.draws.count)
    blind = ""
    for zone, enter, leave, setpoint in zone_edges(group.scene):
        if setpoint is None:
            continue
        for subject in group.subjects:
            if not in_zone(subject, zone):
                continue
            part = subject.process.within(enter, leave)
            if len(part) < 2 or part.seen_s < LEAST_SEEN * (leave - enter):
                blind = blind or f"{subject.name} has too few readings in {zone_words(zone)}"
                continue
            away = mean_of(part) - setpoint
            draws = np.maximum(draws, np.abs(mean_draws(subject, part) - setpoint))
            if best is None or abs(away) > best[0]:
                side = "above" if away > 0 else "below"
                best = (abs(away), f"{subject.name} is {side} in {zone_words(zone)}", enter, leave)
    if best is None:
        return nothing(blind or "the plan gives no zone a setpoint_c")
    return Finding(
        best[0], draws, at_s=best[2], rests_on=((best[2], best[3]),), higher=blind, notes=(best[1],)
    )


def _shares(values: Values) -> str:
    low, high = values.number("from_share"), values.number("to_share")
    return "" if low < high else f"from_share {low:g} is not below to_share {high:g}"


MEASURES = (
    Measure(
        name="spread",
        title="Spread between channels",
        unit=Unit.KELVIN,
        help=(
            "The largest difference between any two of the channels at the same time, between "
            "load-in and load-out or the part of that time asked for."
        ),
        inputs="readings of two or more channels on one time axis",
        missing=(
            "A channel without readings at a moment takes no part there; a gap that could hide a "
            "larger spread forbids a verdict that it could overturn."
        ),
        parameters=(
            Parameter(
                name="from_share",
                required=False,
                default=0.0,
                low=0.0,
                high=1.0,
                help="where to start looking, as a share of the process time",
            ),
            Parameter(
                name="to_share",
                required=False,
                default=1.0,
                low=0.0,
                high=1.0,
                help="where to stop looking, as a share of the process time",
            ),
        ),
        of_group=spread,
        check=_shares,
        lowest=0.0,
    ),
    Measure(
        name="lane_difference",
        title="Difference between lanes",
        unit=Unit.KELVIN,
        help=(
            "The largest difference between the means of two lanes in the same zone, that is at "
            "the same belt position; over the whole process where the oven has no zones."
        ),
        inputs="readings of channels in two or more lanes, load-in, load-out, zones",
        missing="A lane with readings in less than half of a zone is left out of it and named.",
        of_group=lane_difference,
        roles=(Role.AIR,),
        lowest=0.0,
    ),
    Measure(
        name="setpoint_deviation",
        title="Deviation from the setpoint",
        unit=Unit.KELVIN,
        help=(
            "The largest departure, up or down, of a channel's mean from the setpoint: in each "
            "zone of a tunnel, over the steady stretch of a chamber. The sensor sees its own place "
            "and not the controller's."
        ),
        inputs="readings of air channels, setpoints",
        missing="A channel with readings in less than half of a zone is left out of it and named.",
        of_group=setpoint_deviation,
        roles=(Role.AIR,),
        lowest=0.0,
    ),
)
