"""The history of an oven or a product as the page shows it: charts, tables, words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ovenwright.domain.plan import ChamberOven, Plan, TunnelOven
from ovenwright.domain.results import Unit
from ovenwright.reporting.ink import PAGE
from ovenwright.reporting.oven_scene import View, scene_of
from ovenwright.reporting.svg_history import HistoryPoint, history_chart
from ovenwright.reporting.svg_oven import oven_picture
from ovenwright.reporting.words import DASH, MOST_LOG, Shown, clock, plain
from ovenwright.web.moments import moment
from ovenwright.workflow.histories import History, Measured, Point

Facts = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class PointShown:
    """One run's line in the table of a measure."""

    run: str
    when: str
    title: str
    value: str
    interval: str
    channel: str
    verdict: str
    reference: bool


@dataclass(frozen=True, slots=True)
class MeasuredShown:
    """One measure over runs."""

    oven: str
    product: str
    requirement: str
    unit: str
    limit: str
    chart: str
    rows: list[PointShown]


def show_history(found: History, shown: Shown, *, zone: str) -> list[MeasuredShown]:
    """Return the measures of a history, each with its chart and its rows, the newest run first."""
    return [_measured(i, m, shown, zone) for i, m in enumerate(found.measured)]


def _measured(number: int, one: Measured, shown: Shown, zone: str) -> MeasuredShown:
    unit = _unit(one.unit)
    points = [_point(p, shown, unit, zone) for p in one.points]
    sign = shown.unit(unit) if unit is not None else one.unit
    low, high = (_limit(v, shown, unit) for v in (one.at_least, one.at_most))
    chart = history_chart(
        [p for p, _ in points],
        PAGE,
        ident=f"history-{number}",
        title=f"{one.requirement}, {len(points)} runs",
        unit=sign,
        at_least=low,
        at_most=high,
        width=540,
        height=210,
    )
    limits = [
        f"{words} {plain(v, 2).rstrip('0').rstrip('.')} {sign}".strip()
        for words, v in (("at least", low), ("at most", high))
        if v is not None
    ]
    rows = [row for _, row in reversed(points)]
    return MeasuredShown(
        one.oven, one.product, one.requirement, sign, ", ".join(limits), chart, rows
    )


def _unit(text: str) -> Unit | None:
    try:
        return Unit(text)
    except ValueError:
        return None


def _limit(value: float | None, shown: Shown, unit: Unit | None) -> float | None:
    if value is None or unit is None:
        return value
    return shown.number(value, unit)


def _point(
    point: Point, shown: Shown, unit: Unit | None, zone: str
) -> tuple[HistoryPoint, PointShown]:
    run, m = point.run, point.measure
    value, low, high = m.value, m.low_95, m.high_95
    if unit is not None:
        value, low, high = (shown.number(v, unit) for v in (value, low, high))
        decimals = shown.decimals(m.standard_uncertainty, unit)
    else:
        decimals = 2
    if unit is Unit.LOG10:  # beyond that a number says no more, and would flatten the others
        value, low, high = (v if math.isnan(v) else min(v, MOST_LOG) for v in (value, low, high))
    when = moment(run.start_ns if run.absolute else run.sealed_ns, zone or run.time_zone).words[:16]
    sign = shown.unit(unit) if unit is not None else m.unit
    said = plain(value, decimals)
    if unit is Unit.LOG10 and m.value > MOST_LOG:
        said = f"> {MOST_LOG}"
    known = math.isfinite(low) and math.isfinite(high)
    known = known and not (unit is Unit.LOG10 and m.low_95 > MOST_LOG)
    interval = f"{plain(low, decimals)} to {plain(high, decimals)}" if known else DASH
    words = f"{when}: {said} {sign}, {m.verdict or 'not decided'}" + (
        ", reference run" if point.reference else ""
    )
    return (
        HistoryPoint(value, low, high, m.verdict, words, when[:10], point.reference),
        PointShown(run.id, when, run.title, said, interval, m.channel, m.verdict, point.reference),
    )


def oven_facts(plan: Plan, shown: Shown) -> Facts:
    """Return what a plan says of its oven."""
    oven = plan.oven

    def degrees(value: float | None) -> str:
        if value is None:
            return DASH
        return f"{plain(shown.temperature(value), 0)} {shown.temperature_unit}"

    facts: Facts = [("Site", plan.site.name)] if plan.site.name else []
    if isinstance(oven, TunnelOven):
        facts += [
            ("Kind", f"tunnel, {len(oven.zones)} zones"),
            ("Length", f"{plain(oven.length_m, 1)} m"),
            ("Belt speed", f"{plain(oven.belt_speed_m_min, 3)} m/min"),
            ("Time from entry to exit", clock(oven.bake_time_s)),
        ]
        if oven.belt_width_m is not None:
            facts.append(("Belt width", f"{plain(oven.belt_width_m, 2)} m"))
        facts += [(f"Setpoint, {z.name}", degrees(z.setpoint_c)) for z in oven.zones]
        return facts
    assert isinstance(oven, ChamberOven)
    size = " × ".join(plain(v, 2) for v in (oven.width_m, oven.depth_m, oven.height_m))
    facts += [("Kind", "chamber"), ("Inside", f"{size} m"), ("Setpoint", degrees(oven.setpoint_c))]
    if oven.tolerance_k is not None:
        said = plain(shown.difference(oven.tolerance_k), 1)
        facts.append(("Allowed departure", f"± {said} {shown.degree}"))
    return facts


def product_facts(plan: Plan, shown: Shown) -> Facts:
    """Return what a plan says of its product."""
    p = plan.product
    facts: Facts = []
    if p.mass_kg is not None:
        facts.append(("Mass", f"{plain(p.mass_kg, 3)} kg"))
    if p.shape is not None:
        facts.append(("Shape, as heat sees it", p.shape.value))
    if p.half_size_m is not None:
        facts.append(("Half thickness or radius", f"{plain(p.half_size_m * 1000, 0)} mm"))
    if p.start_c is not None:
        said = plain(shown.temperature(p.start_c), 0)
        facts.append(("As loaded", f"{said} {shown.temperature_unit}"))
    shares: Sequence[tuple[str, float | None]] = (
        ("Water, as loaded", p.moisture),
        ("Water, as it leaves", p.end_moisture),
        ("Fat", p.fat),
        ("Protein", p.protein),
    )
    facts += [(name, f"{plain(v * 100, 0)} %") for name, v in shares if v is not None]
    if p.diffusivity_m2_s is not None:
        facts.append(("Diffusivity", f"{plain(p.diffusivity_m2_s * 1e6, 3)} mm²/s"))
    return facts


def oven_from_above(plan: Plan, shown: Shown) -> str:
    """Return the oven of a plan from above, with its channels, as an SVG element."""
    scene = scene_of(plan.oven, plan.product, tuple(enumerate(plan.channels)), View.ABOVE, shown)
    return oven_picture(scene, PAGE)
