"""What the pictures show, worked out from the results; drawing them is another file's job."""

from __future__ import annotations

import numpy as np
from tsdownsample import MinMaxLTTBDownsampler

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.domain.profile import Severity
from ovenwright.domain.results import BuildUp, Results, Unit
from ovenwright.domain.run import NS, MarkKind
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.document import (
    Band,
    Bars,
    Limit,
    Line,
    OvenPlan,
    PlanPoint,
    Spot,
    TimeChart,
)
from ovenwright.reporting.words import MOST_LOG, Shown, clock, limit_decimals, plain

POINTS = 1_200
_DOWNSAMPLER = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call]  # the library has no types


def thin(x: FloatArray, y: FloatArray, points: int = POINTS) -> tuple[FloatArray, FloatArray]:
    """Return at most about ``points`` of a curve for drawing, its extremes and its gaps kept.

    Parameters
    ----------
    x, y : (n,) floats, x rising, y with NaN where there is no reading

    Returns
    -------
    two arrays of equal length; a NaN in y breaks the line
    """
    there = np.isfinite(y)
    if not there.any():
        return x[:0], y[:0]
    xs, ys = np.ascontiguousarray(x[there]), np.ascontiguousarray(y[there])
    if xs.size > points:
        keep = _DOWNSAMPLER.downsample(xs, ys, n_out=points).astype(np.intp)
        keep = np.union1d(keep, [int(np.argmin(ys)), int(np.argmax(ys))])
    else:
        keep = np.arange(xs.size)
    # a gap between kept points is drawn as a gap when readings are missing in between
    run_of = np.cumsum(~there)[there]
    kx, ky, kr = xs[keep], ys[keep], run_of[keep]
    breaks = np.flatnonzero(np.diff(kr) > 0) + 1
    return np.insert(kx, breaks, kx[breaks]), np.insert(ky, breaks, np.nan)


def looks(names: tuple[str, ...]) -> dict[str, int]:
    """Return the look (colour, marker and dash together) of each channel, the same everywhere."""
    return {name: i for i, name in enumerate(names)}


def history(verdict: Verdict, plan: Plan, shown: Shown) -> TimeChart:
    """Return all channels over time with limits, crossings and bad stretches."""
    results = verdict.results
    profile = results.profile
    zero = results.load_in.at_s
    look = looks(profile.names)
    x = (profile.time_s - zero) / 60.0
    lines = []
    for j, channel in enumerate(profile.channels):
        px, py = thin(x, profile.temp_c[:, j])
        lines.append(
            Line(channel.name, channel.role.value, look[channel.name], px, _scale(py, shown))
        )
    limits = []
    for item in verdict.requirements:
        need = item.requirement
        level = need.parameters.get("level_c")
        if item.deciding.unit is Unit.CELSIUS:
            limits += [
                Limit(shown.temperature(v), f"{need.name} {sign} {_stated(v, shown)}")
                for v, sign in ((need.at_least, "≥"), (need.at_most, "≤"))
                if v is not None
            ]
        elif isinstance(level, float):
            limits.append(Limit(shown.temperature(level), f"{need.name}: {_stated(level, shown)}"))
    spots = [
        Spot(
            c.since_load_s / 60.0,
            shown.temperature(c.level_c),
            f"{c.channel}: {c.name}",
            look[c.channel],
        )
        for c in results.crossings
        if np.isfinite(c.at_s)
    ]
    bands = [
        Band(
            (s.from_s - zero) / 60.0,
            (s.to_s - zero) / 60.0,
            f"{s.channel}: {s.check}",
            s.severity.value,
            look.get(s.channel, -1),
        )
        for s in profile.spans
        if s.severity is not Severity.REMARK
    ]
    events = [
        ((results.load_in.at_s - zero) / 60.0, "load-in"),
        ((results.load_out.at_s - zero) / 60.0, "load-out"),
    ]
    events += [
        ((m.time_ns - profile.start_ns) / NS / 60.0 - zero / 60.0, m.text or m.kind.value)
        for m in profile.marks
        if m.kind in {MarkKind.DOOR, MarkKind.NOTE}
    ]
    bands += _zone_bands(plan, results)
    # a channel without a single reading has no highest one
    highest = np.where(np.isfinite(profile.temp_c), profile.temp_c, -np.inf).max(
        axis=0, initial=-np.inf
    )
    hottest = int(np.argmax(highest)) if highest.size else 0
    alt = f"Temperatures of {len(lines)} channels over {clock(float(profile.time_s[-1]))}; " + (
        f"{profile.names[hottest]} reached the highest reading, "
        f"{_temp(float(highest[hottest]), shown)}. "
        if highest.size and np.isfinite(highest[hottest])
        else "none has a usable reading. "
    )
    alt += f"{len(bands)} stretches are shaded."
    return TimeChart(
        id="history",
        title="All channels over time",
        alt=alt,
        x_label="minutes since load-in",
        y_label=f"temperature, {shown.temperature_unit}",
        lines=tuple(lines),
        limits=tuple(limits),
        spots=tuple(spots),
        bands=tuple(bands),
        events=tuple(events),
        note=" ".join(
            (
                *_key(spots, bands),
                "Drawn from a thinned copy that keeps every channel's extremes; "
                "all numbers are computed from every reading.",
            )
        ),
    )


def _key(spots: list[Spot], bands: list[Band]) -> list[str]:
    """Return what the signs in the picture stand for, only those that are there."""
    kinds = {b.kind for b in bands}
    said = []
    if spots:
        said.append("Rings: crossings.")
    if kinds & {Severity.BAD.value, Severity.DOUBT.value}:
        said.append("Bars along the foot: flagged stretches, each with its channel's marker.")
    if Severity.BAD.value in kinds:
        said.append("Hatched: bad readings, taken out.")
    return said


def build_up(curves: tuple[BuildUp, ...], names: tuple[str, ...], zero_s: float) -> TimeChart:
    """Return lethality (or extent) growing over time, one line a channel."""
    look = looks(names)
    first = curves[0]
    as_minutes = first.unit is Unit.SECOND
    lines = []
    for curve in curves:
        total = np.minimum(curve.total, MOST_LOG) if curve.unit is Unit.LOG10 else curve.total
        px, py = thin((curve.time_s - zero_s) / 60.0, total)
        lines.append(
            Line(curve.channel, "", look[curve.channel], px, py / 60.0 if as_minutes else py)
        )
    unit = (
        "equivalent minutes"
        if as_minutes
        else {Unit.LOG10: "log reductions"}.get(first.unit, first.unit.value)
    )
    ends = ", ".join(f"{ln.name} {ln.y[-1]:.3g}" for ln in lines if ln.y.size)
    return TimeChart(
        id=f"build-up-{first.measure}",
        title=f"How {first.measure.replace('_', ' ')} builds up",
        alt=f"Growth over time in {unit}; at the end {ends}.",
        x_label="minutes since load-in",
        y_label=unit,
        lines=tuple(lines),
        note=f"Drawn up to {MOST_LOG} log only." if first.unit is Unit.LOG10 else "",
    )


def oven_plan(plan: Plan, results: Results, shown: Shown) -> OvenPlan:
    """Return the oven from above with the channels where the plan puts them."""
    profile = results.profile
    look = looks(profile.names)
    top = {
        name: float(np.nanmax(profile.temp_c[:, j]))
        if np.isfinite(profile.temp_c[:, j]).any()
        else np.nan
        for j, name in enumerate(profile.names)
    }
    oven = plan.oven
    if isinstance(oven, TunnelOven):
        length, width = oven.length_m, oven.belt_width_m or 2.0
        zones = tuple(
            (z.name, z.length_m, _stated(z.setpoint_c, shown) if z.setpoint_c is not None else "")
            for z in oven.zones
        )
    else:
        length, width = oven.width_m, oven.depth_m
        zones = ()
    lanes = [c.place.lane for c in plan.channels if c.place.lane]
    across = _lanes(lanes)
    points = []
    roles = list(dict.fromkeys(c.role for c in plan.channels))
    unplaced = riding = 0
    for i, channel in enumerate(plan.channels):
        place = channel.place
        x = place.x_m
        y = place.y_m
        if y is None and place.lane:
            y = across[place.lane] * width
        if x is None and isinstance(oven, TunnelOven):
            # it travels through every zone: roles are drawn apart only so that names can be read
            x = length * (0.02 + 0.98 * roles.index(channel.role) / len(roles))
            riding += 1
        if x is None or y is None:
            unplaced += 1
            continue
        points.append(
            PlanPoint(
                channel.name,
                channel.role.value,
                look.get(channel.name, i),
                x,
                y,
                place.z_m or 0.0,
                _temp(top.get(channel.name, np.nan), shown),
            )
        )
    said = []
    if riding:
        said.append(
            "Sensors ride through all zones; roles are drawn apart along the belt to be read."
        )
    if unplaced:
        said.append(f"{unplaced} channels have no place in the plan.")
    note = " ".join(said)
    where = "; ".join(f"{p.name} ({p.role}) highest {p.text}" for p in points)
    return OvenPlan(
        id="oven-plan",
        title="Where the sensors were",
        alt=f"{oven.name} from above, {length:g} by {width:g} m. {where}.",
        kind=oven.kind,
        length_m=length,
        width_m=width,
        zones=zones,
        points=tuple(points),
        note=note,
    )


def lanes(results: Results, shown: Shown) -> Bars | None:
    """Return each lane about the mean over lanes, zone by zone, or None without lanes."""
    if not results.balance:
        return None
    groups = tuple(
        (
            f"{b.zone}, {b.role}",
            tuple((lane, shown.difference(d)) for lane, d in b.difference_k.items()),
        )
        for b in results.balance
    )
    worst = max(results.balance, key=lambda b: b.spread_k)
    unit = shown.degree
    return Bars(
        id="lanes",
        title="Lanes about their mean, zone by zone",
        alt=f"Largest spread {plain(shown.difference(worst.spread_k), 1)} {unit} in {worst.zone} "
        f"({worst.role}), hottest {worst.hottest}, coldest {worst.coldest}.",
        unit=unit,
        groups=groups,
    )


def _scale(y: FloatArray, shown: Shown) -> FloatArray:
    return y * 1.8 + 32.0 if shown.fahrenheit else y


def _temp(value_c: float | None, shown: Shown) -> str:
    if value_c is None or not np.isfinite(value_c):
        return "–"
    return f"{plain(shown.temperature(value_c), 1)} {shown.temperature_unit}"


def _stated(value_c: float, shown: Shown) -> str:
    """Return a temperature that a person wrote, with no more digits than were written."""
    value = shown.temperature(value_c)
    return f"{plain(value, limit_decimals(value))} {shown.temperature_unit}"


def _lanes(names: list[str]) -> dict[str, float]:
    """Return lanes as a share of the belt's width, 0 on the left along travel."""
    known = {"left": 0.15, "centre": 0.5, "center": 0.5, "right": 0.85}
    others = [n for n in dict.fromkeys(names) if n.lower() not in known]
    places = {n: known[n.lower()] for n in names if n.lower() in known}
    places |= {n: (i + 1) / (len(others) + 1) for i, n in enumerate(others)}
    return places


def _zone_bands(plan: Plan, results: Results) -> list[Band]:
    if not isinstance(plan.oven, TunnelOven):
        return []
    process = results.load_out.at_s - results.load_in.at_s
    edges = np.concatenate(([0.0], np.cumsum([z.length_m for z in plan.oven.zones])))
    edges = edges / edges[-1] * process / 60.0
    return [
        Band(float(edges[i]), float(edges[i + 1]), zone.name, "zone")
        for i, zone in enumerate(plan.oven.zones)
    ]
