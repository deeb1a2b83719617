"""Draws the oven from above, and signed bars, as SVG."""

from __future__ import annotations

import math
from xml.sax.saxutils import escape

from ovenwright.reporting.document import Bars, OvenPlan
from ovenwright.reporting.ink import Ink, haloed, marker, open_svg
from ovenwright.reporting.words import plain


def oven_plan(plan: OvenPlan, ink: Ink, *, width: float = 960) -> str:
    """Return the oven from above as an SVG element: travel runs from left to right."""
    left, right, top = 150.0, 40.0, 46.0
    wide = width - left - right
    deep = 112.0 if plan.kind == "tunnel" else min(340.0, wide * plan.width_m / plan.length_m)
    if plan.kind != "tunnel":
        wide = min(wide, deep * plan.length_m / plan.width_m)
    height = top + deep + 52
    out = [open_svg(plan.id, plan.title, plan.alt, ink, size=(width, height))]
    out.append(
        f'<rect x="{left}" y="{top}" width="{wide:.1f}" height="{deep:.1f}" fill="none" stroke="{ink.text}" stroke-width="1.4"/>'
    )
    at = 0.0
    for i, (name, length, words) in enumerate(plan.zones):
        x = left + at / plan.length_m * wide
        w = length / plan.length_m * wide
        if i % 2 == 0:
            out.append(
                f'<rect x="{x:.1f}" y="{top}" width="{w:.1f}" height="{deep:.1f}" fill="{ink.zone}"/>'
            )
        out.append(
            f'<text x="{x + w / 2:.1f}" y="{top - 22}" text-anchor="middle" fill="{ink.text}">{escape(name)}</text>'
        )
        out.append(
            f'<text x="{x + w / 2:.1f}" y="{top - 7}" text-anchor="middle" fill="{ink.faint}" font-size="11">{escape(words)}</text>'
        )
        out.append(
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{top}" y2="{top + deep:.1f}" stroke="{ink.grid}"/>'
        )
        at += length
    if plan.kind == "tunnel":
        y = top + deep + 20
        out.append(
            f'<path d="M{left:.1f} {y}h{wide - 10:.1f}m-7 -5l8 5l-8 5" fill="none" stroke="{ink.faint}" stroke-width="1.2"/>'
        )
        out.append(
            f'<text x="{left + wide / 2:.1f}" y="{y + 18}" text-anchor="middle" fill="{ink.faint}" font-size="11">travel, {plain(plan.length_m, 1)} m</text>'
        )
        for share, words in ((0.0, "left"), (1.0, "right")):
            out.append(
                f'<text x="{left + wide + 6:.1f}" y="{top + 10 + share * (deep - 14):.1f}" fill="{ink.faint}" font-size="11">{words}</text>'
            )
    else:
        out.append(
            f'<text x="{left + wide / 2:.1f}" y="{top + deep + 20:.1f}" text-anchor="middle" fill="{ink.faint}" font-size="11">{plain(plan.length_m, 2)} m × {plain(plan.width_m, 2)} m, from above</text>'
        )
    out += _plan_points(plan, ink, (left, top), (wide, deep))
    out.append("</svg>")
    return "".join(out)


def _plan_points(
    plan: OvenPlan, ink: Ink, corner: tuple[float, float], size: tuple[float, float]
) -> list[str]:
    (left, top), (wide, deep) = corner, size
    out = []
    taken: list[tuple[float, float]] = []
    # a chamber is narrow: name and reading stand one above the other there
    rows = 1 if plan.kind == "tunnel" else 2
    for p in plan.points:
        x = left + max(p.x_m, -0.14 * plan.length_m) / plan.length_m * wide
        y = top + p.y_m / plan.width_m * deep
        away = 15.0 * rows if rows == 1 or y < top + deep / 2 else -15.0 * rows  # from the walls
        while any(abs(x - a) < 90 and abs(y - b) < 15 * rows for a, b in taken):
            y += away
        taken.append((x, y))
        out.append(marker(p.look, x, y, ink, 5.0))
        beyond = x < left
        words = [p.name] if beyond else [f"{p.name}, {p.text}"] if rows == 1 else [p.name, p.text]
        over = rows == 2 and x + 10 + 5.8 * len(p.name) > left + wide
        anchor, dx = ("end", -10) if beyond or over else ("start", 10)
        for i, said in enumerate(words):
            place = (
                f'x="{x + dx:.1f}" y="{y + 4 + 13 * i:.1f}" text-anchor="{anchor}" font-size="11"'
            )
            out.append(haloed(place, said, ink))
    return out


def bars(chart: Bars, ink: Ink, *, width: float = 960) -> str:
    """Return signed horizontal bars as an SVG element."""
    rows = sum(len(parts) for _, parts in chart.groups)
    height = 30 + 18 * rows + 10 * len(chart.groups) + 26
    values = [v for _, parts in chart.groups for _, v in parts if math.isfinite(v)]
    reach = max((abs(v) for v in values), default=1.0) or 1.0
    signed = any(v < 0 for v in values)
    left, right = 330.0, 70.0
    wide = width - left - right
    zero = left + (wide / 2 if signed else 0.0)
    scale = ((wide / 2 if signed else wide) - 44.0) / reach  # the words beside a bar need room
    out = [open_svg(chart.id, chart.title, chart.alt, ink, size=(width, height))]
    out.append(
        f'<line x1="{zero:.1f}" x2="{zero:.1f}" y1="18" y2="{height - 26:.1f}" stroke="{ink.faint}"/>'
    )
    y = 26.0
    for name, parts in chart.groups:
        out.append(
            f'<text x="8" y="{y + 10:.1f}" fill="{ink.text}" font-weight="600">{escape(name)}</text>'
        )
        for i, (label, value) in enumerate(parts):
            w = abs(value) * scale if math.isfinite(value) else 0.0
            x = zero - w if value < 0 else zero
            out.append(
                f'<text x="{left - 8}" y="{y + 10:.1f}" text-anchor="end" fill="{ink.faint}">{escape(label)}</text>'
            )
            out.append(
                f'<rect x="{x:.1f}" y="{y}" width="{max(w, 0.8):.1f}" height="12" fill="{ink.colour(i)}"/>'
            )
            tx, anchor = (x - 5, "end") if value < 0 else (x + w + 5, "start")
            out.append(
                f'<text x="{tx:.1f}" y="{y + 10:.1f}" text-anchor="{anchor}" fill="{ink.text}" font-size="11">{"+" if signed and value > 0 else ""}{plain(value, 1)}</text>'
            )
            y += 18
        y += 10
    out.append(
        f'<text x="{zero:.1f}" y="{height - 6:.1f}" text-anchor="middle" fill="{ink.faint}">{escape(chart.unit)}</text></svg>'
    )
    return "".join(out)
