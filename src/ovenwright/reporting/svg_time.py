"""Draws channels over time as SVG.

Everything that must move when a reader zooms carries its place in ``data-`` attributes: curves and
stretches lie in a group that is scaled, markers and words are pins that are moved. The script of
the HTML report needs nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.reporting.document import Area, Band, Line, TimeChart
from ovenwright.reporting.ink import (
    Ink,
    dash_of,
    haloed,
    marker,
    open_svg,
    tick_text,
    ticks,
)

FOOT_PX = 10.0


@dataclass(frozen=True, slots=True)
class _Frame:
    x0: float
    x1: float
    y0: float
    y1: float
    left: float
    top: float
    width: float
    height: float
    rows: tuple[int, ...] = ()  # looks of the channels with flagged stretches, a row each

    def x(self, value: float) -> float:
        return self.left + (value - self.x0) / (self.x1 - self.x0) * self.width

    def y(self, value: float) -> float:
        return self.top + self.height - (value - self.y0) / (self.y1 - self.y0) * self.height

    @property
    def foot(self) -> float:
        """Height of the rows of flagged stretches, pixels: no scale runs beside them."""
        return FOOT_PX * len(self.rows) + 6 if self.rows else 0.0


def time_chart(chart: TimeChart, ink: Ink, *, width: float = 960, height: float = 460) -> str:
    """Return a chart of channels over time as an SVG element."""
    f = _frame_for(chart, width, height)
    numbers = " ".join(
        f"{v:.9g}" for v in (f.x0, f.x1, f.y0, f.y1, f.left, f.top, f.width, f.height, f.foot)
    )
    out = [
        open_svg(
            chart.id,
            chart.title,
            chart.alt,
            ink,
            size=(width, height),
            frame=f' data-frame="{numbers}"',
        ),
        f'<defs><clipPath id="clip-{chart.id}"><rect x="{f.left}" y="{f.top - 20}" '
        f'width="{f.width:.1f}" height="{f.height + 20:.1f}"/></clipPath>{_hatch(chart.id, ink)}</defs>',
    ]
    out.append(f'<g clip-path="url(#clip-{chart.id})"><g class="along">')
    out += _zone_strips(chart, f, ink)
    out += _stretches(chart, f, ink)
    out.append("</g>")
    out += _zone_names(chart, f, ink)
    out.append("</g>")
    out += _axes(chart, f, ink, height)
    out.append(f'<g clip-path="url(#clip-{chart.id})"><g class="curves">')
    out += [_area(area, f, ink) for area in chart.areas]
    out += [_about(line, f, ink) for line in chart.lines if line.half is not None]
    out += [_curve(line, f, ink) for line in chart.lines]
    out.append("</g>")
    for i, line in enumerate(chart.lines):
        out += _line_markers(line, i, len(chart.lines), f, ink)
    out += _events(chart, f, ink)
    out += _limits(chart, f, ink)
    out += _spots(chart, f, ink)
    out += _stretch_markers(chart, f, ink)
    out.append("</g>")
    out += _end_labels(chart.lines, f, ink)
    out.append("</svg>")
    return "".join(out)


def _pin(px: float | None, py: float | None, inner: str) -> str:
    """Return a group that the zoom moves with a point of the plot."""
    x = f' data-px="{px:.1f}"' if px is not None else ""
    y = f' data-py="{py:.1f}"' if py is not None else ""
    return f'<g class="pin"{x}{y}>{inner}</g>'


def _frame_for(chart: TimeChart, width: float, height: float) -> _Frame:
    xs = [ln.x for ln in chart.lines if ln.x.size]
    ys = [ln.y[np.isfinite(ln.y)] for ln in chart.lines if np.isfinite(ln.y).any()]
    xs += [a.x for a in chart.areas if a.x.size]
    ys += [y[np.isfinite(y)] for a in chart.areas for y in (a.low, a.high) if np.isfinite(y).any()]
    x0 = min((float(x[0]) for x in xs), default=0.0)
    x1 = max((float(x[-1]) for x in xs), default=1.0)
    lows = [float(y.min()) for y in ys] + [lim.y for lim in chart.limits]
    highs = [float(y.max()) for y in ys] + [lim.y for lim in chart.limits]
    y0, y1 = min(lows, default=0.0), max(highs, default=1.0)
    room = max((y1 - y0) * 0.05, 1e-9)
    # stretches get rows of their own below the curves, so that no bar is taken for a reading
    rows = tuple(sorted({b.look for b in _flagged(chart)}))
    plot = height - 34 - 46
    foot = (
        (y1 - y0) * (FOOT_PX * len(rows) + 6) / max(plot - FOOT_PX * len(rows), 1) if rows else 0.0
    )
    longest = max((len(ln.name) for ln in chart.lines), default=4)
    right = min(26 + 6.4 * longest, 190)
    return _Frame(
        x0,
        x1 if x1 > x0 else x0 + 1,
        y0 - room - foot,
        y1 + room * 1.8,
        58,
        34,
        width - 58 - right,
        plot,
        rows,
    )


def _hatch(ident: str, ink: Ink) -> str:
    return (
        f'<pattern id="hatch-{ident}" width="6" height="6" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="6" stroke="{ink.bad}" '
        'stroke-width="2" stroke-opacity="0.45"/></pattern>'
    )


def _zone_strips(chart: TimeChart, f: _Frame, ink: Ink) -> list[str]:
    zones = [b for b in chart.bands if b.kind == "zone"]
    return [
        f'<rect x="{f.x(z.x0):.1f}" y="{f.top}" width="{f.x(z.x1) - f.x(z.x0):.1f}" '
        f'height="{f.height:.1f}" fill="{ink.zone}"/>'
        for z in zones[::2]
    ]


def _zone_names(chart: TimeChart, f: _Frame, ink: Ink) -> list[str]:
    out = []
    for zone in (b for b in chart.bands if b.kind == "zone"):
        middle = (f.x(zone.x0) + f.x(zone.x1)) / 2
        words = (
            f'<text x="{middle:.1f}" y="{f.top - 6}" text-anchor="middle" fill="{ink.faint}" '
            f'font-size="11">{escape(zone.text)}</text>'
        )
        out.append(_pin(middle, None, words))
    return out


def _axes(chart: TimeChart, f: _Frame, ink: Ink, height: float) -> list[str]:
    base = f.top + f.height
    right = f.left + f.width
    out = ['<g class="y-ticks">']
    y_ticks = ticks(f.y0, f.y1, 7)
    step = y_ticks[1] - y_ticks[0] if len(y_ticks) > 1 else 1.0
    for v in y_ticks:
        y = f.y(v)
        if y > base - f.foot:
            continue
        out.append(
            f'<line x1="{f.left}" x2="{right:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="{ink.grid}" '
            'stroke-width="0.8"/>'
            f'<text x="{f.left - 7}" y="{y + 4:.1f}" text-anchor="end" fill="{ink.faint}">'
            f"{tick_text(v, step)}</text>"
        )
    out.append('</g><g class="x-ticks">')
    x_ticks = ticks(f.x0, f.x1, 9)
    step = x_ticks[1] - x_ticks[0] if len(x_ticks) > 1 else 1.0
    for v in x_ticks:
        x = f.x(v)
        out.append(
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{base:.1f}" y2="{base + 5:.1f}" '
            f'stroke="{ink.faint}"/>'
            f'<text x="{x:.1f}" y="{base + 18:.1f}" text-anchor="middle" fill="{ink.faint}">'
            f"{tick_text(v, step)}</text>"
        )
    out.append("</g>")
    out.append(
        f'<line x1="{f.left}" x2="{right:.1f}" y1="{base:.1f}" y2="{base:.1f}" stroke="{ink.faint}"/>'
        f'<text x="{f.left + f.width / 2:.1f}" y="{height - 8:g}" text-anchor="middle" '
        f'fill="{ink.text}">{escape(chart.x_label)}</text>'
        f'<text transform="translate(15 {f.top + f.height / 2:.1f}) rotate(-90)" '
        f'text-anchor="middle" fill="{ink.text}">{escape(chart.y_label)}</text>'
    )
    return out


def _events(chart: TimeChart, f: _Frame, ink: Ink) -> list[str]:
    base = f.top + f.height
    taken: list[float] = []
    out = []
    for x_value, words in sorted(chart.events):
        if not f.x0 <= x_value <= f.x1:
            continue
        x = f.x(x_value)
        level = sum(1 for t in taken if abs(t - x) < 60) % 3
        taken.append(x)
        inner = (
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{f.top}" y2="{base:.1f}" stroke="{ink.text}" '
            'stroke-width="1" stroke-dasharray="1 3"/>'
            f'<text x="{x + 4:.1f}" y="{f.top + 12 + 12 * level:.1f}" fill="{ink.text}" '
            f'font-size="11">{escape(words)}</text>'
        )
        out.append(_pin(x, None, inner))
    return out


def _flagged(chart: TimeChart) -> list[Band]:
    return [b for b in chart.bands if b.kind in {"bad", "doubt"}]


def _foot(band: Band, f: _Frame) -> float:
    """Return the height of a stretch's bar: each channel has its own, so two stay apart."""
    return f.top + f.height - 8 - FOOT_PX * f.rows.index(band.look)


def _stretches(chart: TimeChart, f: _Frame, ink: Ink) -> list[str]:
    out = []
    for band in _flagged(chart):
        a, b = f.x(max(band.x0, f.x0)), f.x(min(max(band.x1, band.x0), f.x1))
        if band.kind == "bad" and b - a < 0.98 * f.width:
            out.append(
                f'<rect x="{a:.1f}" y="{f.top}" width="{max(b - a, 1.5):.1f}" '
                f'height="{f.height:.1f}" fill="url(#hatch-{chart.id})"/>'
            )
        stroke = ink.bad if band.kind == "bad" else ink.doubt
        foot = _foot(band, f)
        out.append(
            f'<rect x="{a:.1f}" y="{foot - 2:.1f}" width="{max(b - a, 2):.1f}" height="4" '
            f'fill="{stroke}" fill-opacity="0.85"><title>{escape(band.text)}</title></rect>'
        )
    return out


def _stretch_markers(chart: TimeChart, f: _Frame, ink: Ink) -> list[str]:
    out = []
    for band in _flagged(chart):
        x = f.x(max(band.x0, f.x0)) + 5
        out.append(_pin(x, None, marker(band.look, x, _foot(band, f), ink, 3.2)))
    return out


def path_of(x: FloatArray, y: FloatArray) -> str:
    """Return SVG path data of a curve in pixels; NaN breaks it."""
    parts = []
    pen_up = True
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if not math.isfinite(b):
            pen_up = True
            continue
        parts.append(f"{'M' if pen_up else 'L'}{a:.1f} {b:.1f}")
        pen_up = False
    return "".join(parts)


def _about(line: Line, f: _Frame, ink: Ink) -> str:
    """Return the band about a line, as one area a stretch without gaps."""
    assert line.half is not None  # noqa: S101  # the caller chose the lines that have one
    there = np.flatnonzero(np.isfinite(line.y) & np.isfinite(line.half))
    areas = []
    for part in np.split(there, np.flatnonzero(np.diff(there) > 1) + 1):
        if part.size < 2:
            continue
        upper = [(f.x(float(line.x[i])), f.y(float(line.y[i] + line.half[i]))) for i in part]
        lower = [(f.x(float(line.x[i])), f.y(float(line.y[i] - line.half[i]))) for i in part[::-1]]
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in upper + lower)
        areas.append(
            f'<polygon points="{points}" fill="{ink.colour(line.look)}" fill-opacity="0.18"/>'
        )
    return "".join(areas)


def _area(area: Area, f: _Frame, ink: Ink) -> str:
    there = np.isfinite(area.low) & np.isfinite(area.high)
    x, low, high = area.x[there].tolist(), area.low[there].tolist(), area.high[there].tolist()
    if len(x) < 2:
        return ""
    edge = [(f.x(a), f.y(b)) for a, b in zip(x, high, strict=True)]
    edge += [(f.x(a), f.y(b)) for a, b in zip(x[::-1], low[::-1], strict=True)]
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in edge)
    strong = 0.32 if area.sure <= 0.5 else 0.14
    return f'<polygon points="{points}" fill="{ink.colour(area.look)}" fill-opacity="{strong}"/>'


def _curve(line: Line, f: _Frame, ink: Ink) -> str:
    px = f.left + (line.x - f.x0) / (f.x1 - f.x0) * f.width
    py = f.top + f.height - (line.y - f.y0) / (f.y1 - f.y0) * f.height
    dash = dash_of(line.look)
    extra = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="{path_of(px, py)}" fill="none" stroke="{ink.colour(line.look)}" '
        f'stroke-width="1.7" stroke-linejoin="round" vector-effect="non-scaling-stroke" data-name="{escape(line.name)}"{extra}><title>{escape(line.name)}</title></path>'
    )


def _line_markers(line: Line, index: int, count: int, f: _Frame, ink: Ink) -> Iterable[str]:
    """Return a few markers along a line, staggered so that neighbours' do not coincide."""
    if not line.x.size:
        return
    start = f.x0 + (f.x1 - f.x0) * (0.06 + 0.12 * index / max(count, 1))
    for k in range(7):
        at = start + k * (f.x1 - f.x0) / 7.0
        j = int(np.searchsorted(line.x, at))
        if j < line.x.size and math.isfinite(float(line.y[j])):
            x, y = f.x(float(line.x[j])), f.y(float(line.y[j]))
            yield _pin(x, y, marker(line.look, x, y, ink, 3.0))


def _limits(chart: TimeChart, f: _Frame, ink: Ink) -> list[str]:
    out = []
    placed: list[float] = []
    for limit in sorted(chart.limits, key=lambda li: -li.y):
        y = f.y(limit.y)
        text_y = y - 4
        while any(abs(text_y - p) < 12 for p in placed):
            text_y += 12
        placed.append(text_y)
        text_x = _clearest(chart, f, text_y, 6.2 * len(limit.text))
        inner = (
            f'<line x1="{f.left}" x2="{f.left + f.width:.1f}" y1="{y:.1f}" y2="{y:.1f}" '
            f'stroke="{ink.limit}" stroke-width="1.2" stroke-dasharray="10 4"/>'
            + haloed(
                f'x="{text_x:.1f}" y="{text_y:.1f}" font-size="11" font-weight="600"',
                limit.text,
                ink,
            )
        )
        out.append(_pin(None, y, inner))
    return out


def _clearest(chart: TimeChart, f: _Frame, text_y: float, wide: float) -> float:
    """Return where along its line a limit's words cover the least of the curves, pixels."""
    places = f.left + 6 + np.linspace(0.0, max(f.width - wide - 12, 0.0), 25)
    covered = np.zeros(places.size)
    for line in chart.lines:
        px = f.left + (line.x - f.x0) / (f.x1 - f.x0) * f.width
        py = f.top + f.height - (line.y - f.y0) / (f.y1 - f.y0) * f.height
        near = px[np.abs(py - (text_y - 4)) < 9]  # a NaN is near to nothing
        covered += [np.count_nonzero((near > p - 4) & (near < p + wide + 4)) for p in places]
    for x, words in [(e[0], e[1]) for e in chart.events] + [(s.x, "") for s in chart.spots]:
        at, reach = f.x(x), 4 + 6.0 * len(words) * (text_y < f.top + 40)
        covered += (places < at + reach) & (places + wide > at - 8)
    return float(places[int(np.argmin(covered))])


def _spots(chart: TimeChart, f: _Frame, ink: Ink) -> list[str]:
    out = []
    for spot in chart.spots:
        if not (f.x0 <= spot.x <= f.x1 and f.y0 <= spot.y <= f.y1):
            continue
        x, y = f.x(spot.x), f.y(spot.y)
        inner = (
            f"<title>{escape(spot.text)}</title>"
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5.5" fill="none" '
            f'stroke="{ink.colour(spot.look)}" stroke-width="1.4"/>'
        )
        out.append(_pin(x, y, inner))
    return out


def _end_labels(lines: Sequence[Line], f: _Frame, ink: Ink) -> list[str]:
    """Return each line's name beside its end, moved apart where they would meet."""
    ends = []
    for line in lines:
        ok = np.flatnonzero(np.isfinite(line.y))
        if ok.size:
            ends.append((f.y(float(line.y[ok[-1]])), line))
    ends.sort(key=lambda e: e[0])
    gap = min(14.0, f.height / max(len(ends), 1))
    ys = [e[0] for e in ends]
    for i in range(1, len(ys)):
        ys[i] = max(ys[i], ys[i - 1] + gap)
    lowest = f.top + f.height
    for i in range(len(ys) - 1, -1, -1):  # pushed past the foot: only as many move up as must
        ys[i] = min(ys[i], lowest)
        lowest = ys[i] - gap
    x = f.left + f.width
    out = []
    for y, (end_y, line) in zip(ys, ends, strict=True):
        colour = ink.colour(line.look)
        out.append(
            f'<path d="M{x:.1f} {end_y:.1f}L{x + 8:.1f} {y:.1f}" stroke="{colour}" fill="none" stroke-width="0.8"/>'
        )
        out.append(marker(line.look, x + 13, y, ink, 3.4))
        out.append(
            f'<text x="{x + 21:.1f}" y="{y + 4:.1f}" fill="{ink.text}" font-size="11.5">{escape(line.name)}</text>'
        )
    return out
