"""The oven from above at one moment, each place coloured by its temperature.

The colours are cividis: lightness rises evenly and it reads the same with the common kinds of
colour-blindness (Nuñez, Anderton & Renslow 2018, PLOS ONE 13(7) e0199239). Its ten colours are
from memory; that their lightness rises evenly is tested.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from ovenwright.domain.plan import Channel, Plan, TunnelOven
from ovenwright.domain.run import Role
from ovenwright.reporting.ink import Ink, open_svg
from ovenwright.reporting.words import DASH, Shown, plain

CIVIDIS = (
    "#00204d", "#00336f", "#39486b", "#575c6d", "#707173",
    "#8a8779", "#a69d75", "#c4b56c", "#e4cf5b", "#ffea46",
)  # fmt: skip
_LANES = ("left", "centre", "center", "right")


def heat_colour(share: float) -> str:
    """Return the colour of a share of the scale, 0 coldest to 1 hottest; grey for no number."""
    if not math.isfinite(share):
        return "#9a9a9a"
    at = min(max(share, 0.0), 1.0) * (len(CIVIDIS) - 1)
    i = min(int(at), len(CIVIDIS) - 2)
    low, high = (_rgb(CIVIDIS[j]) for j in (i, i + 1))
    mixed = (round(a + (b - a) * (at - i)) for a, b in zip(low, high, strict=True))
    return "#" + "".join(f"{v:02x}" for v in mixed)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def ink_on(colour: str) -> str:
    """Return black or white, whichever reads better on a colour (WCAG 2.2 relative luminance)."""
    parts = [v / 255.0 for v in _rgb(colour)]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return "#000000" if luminance > 0.179 else "#ffffff"


@dataclass(frozen=True, slots=True)
class MapSpot:
    """One channel's place on a panel, in shares of its width and depth."""

    channel: str
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class MapPanel:
    """One level of the oven seen from above."""

    title: str
    width: float
    depth: float
    spots: tuple[MapSpot, ...]
    across: tuple[str, ...] = ()  # what stands left to right
    down: tuple[str, ...] = ()  # what stands top to bottom


@dataclass(frozen=True, slots=True)
class EvennessMap:
    """Where channels sit, level by level; drawn again for any moment."""

    panels: tuple[MapPanel, ...]
    note: str

    @property
    def channels(self) -> tuple[str, ...]:
        """Every channel that has a place."""
        return tuple(s.channel for p in self.panels for s in p.spots)


def evenness_map(plan: Plan) -> EvennessMap | None:
    """Return where to draw the channels of a plan, or None where fewer than two have a place."""
    oven = plan.oven
    if isinstance(oven, TunnelOven):
        return _across_the_belt(plan.channels)
    placed = [c for c in plan.channels if c.place.x_m is not None and c.place.y_m is not None]
    if len(placed) < 2:
        return None
    heights = sorted({round(c.place.z_m or 0.0, 3) for c in placed})
    levels = _levels(heights)
    panels = []
    for name, members in levels:
        here = [c for c in placed if round(c.place.z_m or 0.0, 3) in members]
        panels.append(
            MapPanel(
                name,
                oven.width_m,
                oven.depth_m,
                tuple(
                    MapSpot(
                        c.name,
                        (c.place.x_m or 0.0) / oven.width_m,
                        (c.place.y_m or 0.0) / oven.depth_m,
                    )
                    for c in here
                ),
                across=("left", "right"),
                down=("front", "back"),
            )
        )
    return EvennessMap(tuple(panels), "Each level of the oven from above.")


def _levels(heights: Sequence[float]) -> list[tuple[str, set[float]]]:
    """Return at most four levels, neighbours taken together where there are more heights."""
    if len(heights) <= 4:
        return [(f"{plain(h, 2)} m high", {h}) for h in heights]
    low, high = heights[0], heights[-1]
    step = (high - low) / 4.0
    cut: list[tuple[str, set[float]]] = []
    for i in range(4):
        a, b = low + i * step, low + (i + 1) * step
        members = {h for h in heights if a <= h < b or (i == 3 and h >= a)}
        if members:
            cut.append((f"{plain(a, 2)} to {plain(b, 2)} m high", members))
    return cut


def _across_the_belt(channels: Sequence[Channel]) -> EvennessMap | None:
    """Return lanes from left to right, one panel a role."""
    placed = [c for c in channels if c.place.lane and c.role is not Role.AMBIENT]
    lanes = list(dict.fromkeys(c.place.lane for c in placed))
    lanes.sort(key=lambda n: _LANES.index(n.lower()) if n.lower() in _LANES else len(_LANES))
    if len(lanes) < 2:
        return None
    panels = []
    for role in dict.fromkeys(c.role for c in placed):
        here = [c for c in placed if c.role is role]
        if len(here) < 2:
            continue
        depth = max(sum(c.place.lane == lane for c in here) for lane in lanes)
        seen: dict[str, int] = {}
        spots = []
        for c in here:
            row = seen.setdefault(c.place.lane, 0)
            seen[c.place.lane] += 1
            spots.append(
                MapSpot(c.name, (lanes.index(c.place.lane) + 0.5) / len(lanes), (row + 0.5) / depth)
            )
        panels.append(
            MapPanel(role.value, float(len(lanes)), 0.55 * depth, tuple(spots), tuple(lanes))
        )
    if not panels:
        return None
    return EvennessMap(tuple(panels), "Across the belt, looking along travel; all at one moment.")


def draw_evenness(
    found: EvennessMap,
    values_c: Mapping[str, float],
    span_c: tuple[float, float],
    shown: Shown,
    ink: Ink,
    *,
    width: float = 960,
) -> str:
    """Return the map at one moment as an SVG element.

    Parameters
    ----------
    values_c : each channel's temperature at that moment, NaN for none
    span_c : temperatures at the ends of the scale

    Every place is a group with ``data-channel``, a disc and its number, so that a script can
    recolour the drawing for another moment.
    """
    gap, top = 34.0, 34.0
    count = len(found.panels)
    columns = min(count, 3)
    wide = (width - gap * (columns - 1) - 44) / columns
    tall = max(min(wide * p.depth / p.width, 330.0) for p in found.panels)
    tall = max(tall, 96.0)
    rows = math.ceil(count / columns)
    height = rows * (tall + top + 26) + 66
    told = ", ".join(f"{n} {_temp(values_c.get(n, math.nan), shown)}" for n in found.channels)
    out = [
        open_svg(
            "evenness-map", "Temperatures by place", told, ink, size=(width, height),
            frame=' data-scale="' + " ".join(CIVIDIS) + '"',
        )
    ]  # fmt: skip
    for k, panel in enumerate(found.panels):
        x0 = 22 + (k % columns) * (wide + gap)
        y0 = top + (k // columns) * (tall + top + 26)
        out += _panel(panel, (x0, y0, wide, tall), values_c, span_c, shown=shown, ink=ink)
    out += _legend(span_c, shown, ink, at=(22.0, height - 48), width=min(width - 44, 420.0))
    out.append("</svg>")
    return "".join(out)


def _panel(
    panel: MapPanel,
    box: tuple[float, float, float, float],
    values_c: Mapping[str, float],
    span_c: tuple[float, float],
    *,
    shown: Shown,
    ink: Ink,
) -> list[str]:
    x0, y0, wide, tall = box
    out = [
        f"<g data-panel={quoteattr(panel.title)}>",
        f'<text x="{x0:.1f}" y="{y0 - 12:.1f}" fill="{ink.text}" font-weight="600" font-size="14">'
        f"{escape(panel.title)}</text>",
        f'<rect x="{x0:.1f}" y="{y0:.1f}" width="{wide:.1f}" height="{tall:.1f}" rx="4" '
        f'fill="none" stroke="{ink.text}" stroke-width="1.4"/>',
    ]
    for i, words in enumerate(panel.across):
        share = (i + 0.5) / len(panel.across) if not panel.down else float(i)
        anchor = "middle" if not panel.down else ("start" if i == 0 else "end")
        out.append(
            f'<text x="{x0 + share * wide:.1f}" y="{y0 + tall + 16:.1f}" text-anchor="{anchor}" '
            f'fill="{ink.faint}">{escape(words)}</text>'
        )
    for i, words in enumerate(panel.down):
        y = y0 + (14 if i == 0 else tall - 6)
        out.append(
            f'<text x="{x0 + wide / 2:.1f}" y="{y:.1f}" text-anchor="middle" fill="{ink.faint}">'
            f"{escape(words)}</text>"
        )
    r = max(min(30.0, wide / (2.4 * max(len(panel.across), 3)), tall / 3.2), 17.0)
    for spot in panel.spots:
        x = x0 + min(max(spot.x * wide, r + 2), wide - r - 2)
        y = y0 + min(max(spot.y * tall, r + 2), tall - r - 16)
        value = values_c.get(spot.channel, math.nan)
        colour = heat_colour(share_of(value, span_c))
        out.append(
            f"<g data-channel={quoteattr(spot.channel)}>"
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="{colour}" stroke="{ink.text}" '
            f'stroke-width="1"/><text x="{x:.1f}" y="{y + 4.5:.1f}" text-anchor="middle" '
            f'font-size="13" font-weight="600" fill="{ink_on(colour)}" class="figure">'
            f"{plain(shown.temperature(value), 1)}</text>"
            f'<text x="{_beside(x, spot.channel, x0, wide):.1f}" y="{y + r + 13:.1f}" '
            f'text-anchor="middle" fill="{ink.text}" font-size="11">'
            f"{escape(spot.channel)}</text></g>"
        )
    out.append("</g>")
    return out


def _beside(x: float, words: str, x0: float, wide: float) -> float:
    """Return where words stand in the middle so that they stay inside their panel."""
    half = 2.9 * len(words)
    return min(max(x, x0 + half + 3), max(x0 + wide - half - 3, x0 + wide / 2))


def moment_span(values_c: Iterable[float]) -> tuple[float, float]:
    """Return the ends of a scale for one moment: 4 K wide at the least, so that noise stays pale."""
    known = [v for v in values_c if math.isfinite(v)]
    if not known:
        return 0.0, 1.0
    middle = (min(known) + max(known)) / 2.0
    half = max((max(known) - min(known)) / 2.0, 2.0)
    return middle - half, middle + half


def share_of(value: float, span: tuple[float, float]) -> float:
    """Return where a value lies on a scale, as a share of it."""
    low, high = span
    if high > low:
        return (value - low) / (high - low)
    return 0.5 if math.isfinite(value) else math.nan


def _legend(
    span_c: tuple[float, float], shown: Shown, ink: Ink, *, at: tuple[float, float], width: float
) -> list[str]:
    x, y = at
    count = 40
    step = width / count
    out = [
        f'<rect x="{x + i * step:.1f}" y="{y:.1f}" width="{step + 0.5:.1f}" height="16" '
        f'fill="{heat_colour((i + 0.5) / count)}"/>'
        for i in range(count)
    ]
    for share, anchor in ((0.0, "start"), (0.5, "middle"), (1.0, "end")):
        value = span_c[0] + share * (span_c[1] - span_c[0])
        out.append(
            f'<text x="{x + share * width:.1f}" y="{y + 32:.1f}" text-anchor="{anchor}" '
            f'fill="{ink.text}" data-legend="{share:g}">{_temp(value, shown)}</text>'
        )
    return out


def _temp(value_c: float, shown: Shown) -> str:
    if not math.isfinite(value_c):
        return DASH
    return f"{plain(shown.temperature(value_c), 1)} {shown.temperature_unit}"
