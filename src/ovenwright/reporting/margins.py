"""How far each requirement is from its limit, beside how sure that is: in words and as a picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ovenwright.domain.results import Unit
from ovenwright.domain.verdict import Outcome, RequirementVerdict
from ovenwright.reporting.ink import Ink, haloed, open_svg
from ovenwright.reporting.words import DASH, MOST_LOG, Shown, plain, probability

_SIGNS = {Outcome.PASS: "✓", Outcome.FAIL: "✗", Outcome.UNDECIDED: "?"}


@dataclass(frozen=True, slots=True)
class Margin:
    """One requirement's distance to the limit that is nearest, positive on the good side.

    ``half`` is the half-width of the 95 % interval; both in the shown unit, NaN where the measure
    can't be evaluated.
    """

    name: str
    channel: str
    outcome: Outcome
    margin: float
    half: float
    words: str
    sure: str


def margins(requirements: Sequence[RequirementVerdict], shown: Shown) -> tuple[Margin, ...]:
    """Return the margin of every requirement, as its deciding channel has it."""
    return tuple(_margin(r, shown) for r in requirements)


def _margin(item: RequirementVerdict, shown: Shown) -> Margin:
    found, need = item.deciding, item.requirement
    value = shown.number(found.value, found.unit)
    gaps = []
    if need.at_least is not None:
        gaps.append((value - shown.number(need.at_least, found.unit), "above", "below"))
    if need.at_most is not None:
        gaps.append((shown.number(need.at_most, found.unit) - value, "below", "above"))
    gap, good, poor = min(gaps, key=lambda g: g[0], default=(math.nan, "", ""))
    low, high = found.interval_95
    half = shown.spread((high - low) / 2.0, found.unit)
    name, channel = need.name, found.channel or "whole oven"
    sure = probability(found.probability)
    if not math.isfinite(gap):
        words = "can't be evaluated"
    elif found.unit is Unit.LOG10 and found.value > MOST_LOG:
        words = f"more than {MOST_LOG} log found"
    else:
        kind = Unit.KELVIN if found.unit is Unit.CELSIUS else found.unit
        decimals = shown.decimals(found.standard_uncertainty, found.unit)
        amount = f"{plain(abs(gap), decimals)} {shown.unit(kind) or _bare(need.measure)}"
        words = f"{amount} {good if gap >= 0 else poor} the limit"
    return Margin(name, channel, item.outcome, gap, half, words, sure)


def _bare(measure: str) -> str:
    """Return what a number without a unit is a number of."""
    return {
        "share_to": "of the process time",
        "extent": "of the reaction",
        "dwell_share": "times what the table asks",
    }.get(measure, "(share or ratio)")


def margin_strips(rows: Sequence[Margin], ink: Ink, *, width: float = 960) -> str:
    """Return the margins as an SVG element: one strip each, all limits under one another.

    Each strip has a scale of its own, told by its words: what can be compared down the page is on
    which side of its limit a requirement is, and whether its interval reaches over it.
    """
    tall, top, left, right = 46.0, 30.0, 16.0, 16.0
    middle = width * 0.5
    height = top + tall * len(rows) + 10
    told = "; ".join(f"{m.name}: {m.words}, probability {m.sure}" for m in rows)
    out = [open_svg("margins", "How far from each limit", told, ink, size=(width, height))]
    out.append(
        f'<rect x="{middle:.1f}" y="{top - 6}" width="{width - right - middle:.1f}" '
        f'height="{height - top:.1f}" fill="{ink.zone}"/>'
        f'<line x1="{middle:.1f}" x2="{middle:.1f}" y1="{top - 6}" y2="{height - 6:.1f}" '
        f'stroke="{ink.limit}" stroke-width="1.4" stroke-dasharray="10 4"/>'
        f'<text x="{middle - 8:.1f}" y="{top - 13}" text-anchor="end" fill="{ink.faint}">not met</text>'
        f'<text x="{middle + 8:.1f}" y="{top - 13}" fill="{ink.faint}">met</text>'
    )
    for i, m in enumerate(rows):
        y = top + tall * i + 16
        out += _strip(m, ink, y=y, edges=(left, middle, width - right))
    out.append("</svg>")
    return "".join(out)


def _strip(m: Margin, ink: Ink, *, y: float, edges: tuple[float, float, float]) -> list[str]:
    left, middle, right = edges
    colour = {Outcome.PASS: "var(--good)", Outcome.FAIL: ink.bad, Outcome.UNDECIDED: ink.doubt}
    tone = colour[m.outcome] if ink.css else ink.text
    name = f"{_SIGNS[m.outcome]} {m.name} · {m.channel}"
    found = f"{m.words} · probability {m.sure or DASH}"
    text = haloed(f'x="{left}" y="{y + 20:.1f}" font-size="12.5"', name, ink) + haloed(
        f'x="{middle + 8:.1f}" y="{y + 20:.1f}" font-size="12.5"', found, ink
    )
    if not math.isfinite(m.margin):
        return [text]
    half = m.half if math.isfinite(m.half) else 0.0
    reach = max(abs(m.margin) + half, 4.0 * half, 1e-12)
    room = min(middle - left, right - middle) - 12
    x = middle + m.margin / reach * room
    wide = half / reach * room
    return [
        f'<line x1="{left}" x2="{right:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="{ink.grid}"/>',
        f'<line x1="{x - wide:.1f}" x2="{x + wide:.1f}" y1="{y:.1f}" y2="{y:.1f}" '
        f'stroke="{tone}" stroke-width="5" stroke-opacity="0.5" stroke-linecap="round"/>',
        _mark(m.outcome, x, y, tone, ink),
        text,
    ]


def _mark(outcome: Outcome, x: float, y: float, tone: str, ink: Ink) -> str:
    """Return the outcome's own shape, so that colour is not needed to tell them apart."""
    style = f'fill="{tone}" stroke="{ink.ground}" stroke-width="1"'
    if outcome is Outcome.PASS:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" {style}/>'
    if outcome is Outcome.FAIL:
        return f'<path d="M{x - 7:.1f} {y - 7:.1f}h14v14h-14z" {style}/>'
    return f'<path d="M{x:.1f} {y - 9:.1f}l9 9l-9 9l-9 -9z" {style}/>'
