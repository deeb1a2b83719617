"""Draws a measure over many runs as SVG: each with its interval, held against the limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from ovenwright.reporting.ink import Ink, open_svg, tick_text, ticks
from ovenwright.reporting.words import limit_decimals, plain

_LEFT, _RIGHT, _TOP, _FOOT = 58.0, 14.0, 14.0, 34.0


@dataclass(frozen=True, slots=True)
class HistoryPoint:
    """One run: value and 95 % interval in the shown unit, its verdict and words.

    NaN stands for no number; such a run leaves its place empty.
    """

    value: float
    low: float
    high: float
    verdict: str
    words: str
    date: str
    reference: bool = False


def history_chart(
    points: Sequence[HistoryPoint],
    ink: Ink,
    *,
    ident: str,
    title: str,
    unit: str,
    at_least: float | None = None,
    at_most: float | None = None,
    width: float = 640,
    height: float = 220,
) -> str:
    """Return the chart of a measure over runs, in the order of the points.

    Parameters
    ----------
    points : at least one, oldest first, equally spaced whatever lies between them
    ident, title : of the element, for screen readers
    unit : sign of the unit, on the axis
    at_least, at_most : limits in the shown unit
    """
    numbers = [v for p in points for v in (p.value, p.low, p.high) if math.isfinite(v)]
    limits = [v for v in (at_least, at_most) if v is not None]
    known = len([p for p in points if math.isfinite(p.value)])
    alt = f"{known} of {len(points)} runs have a number" + (
        f", from {min(p.value for p in points if math.isfinite(p.value)):.4g} to "
        f"{max(p.value for p in points if math.isfinite(p.value)):.4g} {unit}; the table says each"
        if known
        else ""
    )
    out = [open_svg(ident, title, alt, ink, size=(width, height))]
    if not numbers:
        out.append(
            f'<text x="{width / 2:g}" y="{height / 2:g}" text-anchor="middle" '
            f'fill="{ink.faint}">no number yet</text></svg>'
        )
        return "".join(out)
    bottom, top = _span([*numbers, *limits])
    wide, high = width - _LEFT - _RIGHT, height - _TOP - _FOOT

    def x(i: int) -> float:
        return _LEFT + (i + 0.5) / len(points) * wide

    def y(value: float) -> float:
        return _TOP + high - (value - bottom) / (top - bottom) * high

    marks = ticks(bottom, top, 4)
    step = marks[1] - marks[0] if len(marks) > 1 else 1.0
    out += [
        f'<line x1="{_LEFT}" x2="{width - _RIGHT}" y1="{y(value):.1f}" y2="{y(value):.1f}" stroke="{ink.grid}"/>'
        f'<text x="{_LEFT - 7}" y="{y(value) + 4:.1f}" text-anchor="end" fill="{ink.faint}">{tick_text(value, step)}</text>'
        for value in marks
    ]
    out.append(
        f'<text x="4" y="{_TOP - 2:g}" fill="{ink.faint}" font-size="11">{escape(unit)}</text>'
    )
    for limit, words in ((at_least, "at least"), (at_most, "at most")):
        if limit is not None:
            said = f"{words} {plain(limit, limit_decimals(limit))}"
            out.append(
                f'<line x1="{_LEFT}" x2="{width - _RIGHT}" y1="{y(limit):.1f}" y2="{y(limit):.1f}" stroke="{ink.limit}" stroke-width="1.4" stroke-dasharray="6 4"/>'
                f'<text x="{width - _RIGHT}" y="{y(limit) - 4:.1f}" text-anchor="end" fill="{ink.text}" font-size="11">{said}</text>'
            )
    out += _reference_band(points, ink, y, width)
    for i, p in enumerate(points):
        if math.isfinite(p.value):
            out.append(_point(p, x(i), y, ink))
    every = max(1, math.ceil(len(points) / max(1.0, wide / 92)))
    for i in range(0, len(points), every):
        out.append(
            f'<text x="{x(i):.1f}" y="{height - 12:g}" text-anchor="middle" fill="{ink.faint}" font-size="11">{escape(points[i].date)}</text>'
        )
    return "".join(out) + "</svg>"


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    pad = 0.08 * (high - low) or max(abs(high) * 0.02, 0.5)
    return low - pad, high + pad


def _reference_band(
    points: Sequence[HistoryPoint], ink: Ink, y: Callable[[float], float], width: float
) -> list[str]:
    found = [p for p in points if p.reference and math.isfinite(p.low) and math.isfinite(p.high)]
    return [
        f'<rect x="{_LEFT}" width="{width - _LEFT - _RIGHT:g}" y="{y(p.high):.1f}" height="{max(1.0, y(p.low) - y(p.high)):.1f}" fill="{ink.zone}"/>'
        for p in found[-1:]
    ]


def _point(p: HistoryPoint, x: float, y: Callable[[float], float], ink: Ink) -> str:
    at = y(p.value)
    colour = {"pass": "var(--good)", "fail": ink.bad, "undecided": ink.doubt}.get(
        p.verdict, ink.faint
    )
    s = 5.0
    shape = {
        "pass": f'<circle cx="{x:.1f}" cy="{at:.1f}" r="{s}" fill="{colour}"/>',
        "fail": f'<rect x="{x - s:.1f}" y="{at - s:.1f}" width="{2 * s}" height="{2 * s}" fill="{colour}"/>',
        "undecided": f'<path d="M{x:.1f} {at - 7:.1f}l7 7l-7 7l-7 -7z" fill="{colour}"/>',
    }.get(
        p.verdict,
        f'<circle cx="{x:.1f}" cy="{at:.1f}" r="{s}" fill="none" stroke="{colour}" stroke-width="1.6"/>',
    )
    bar = ""
    if math.isfinite(p.low) and math.isfinite(p.high):
        bar = f'<path d="M{x:.1f} {y(p.low):.1f}V{y(p.high):.1f}M{x - 3:.1f} {y(p.low):.1f}h6M{x - 3:.1f} {y(p.high):.1f}h6" stroke="{colour}" stroke-width="1.3" fill="none"/>'
    ring = (
        f'<circle cx="{x:.1f}" cy="{at:.1f}" r="10" fill="none" stroke="{ink.text}" stroke-width="1.5"/>'
        if p.reference
        else ""
    )
    return f"<g><title>{escape(p.words)}</title>{bar}{shape}{ring}</g>"
