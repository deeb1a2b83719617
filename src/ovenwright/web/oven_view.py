"""The oven from above, as SVG whose patches a script can colour anew: zones, belt, channels.

Colours run along cividis, a map that is even to the eye and reads the same with colour-blindness:
J. R. Nuñez, C. R. Anderton, R. S. Renslow, PLoS ONE 13(7):e0199239 (2018).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

from ovenwright.domain.plan import Channel, Plan, TunnelOven, Zone
from ovenwright.domain.run import Role
from ovenwright.reporting.words import Shown, plain

SCALE = (
    "#00204d", "#00336f", "#39486b", "#575c6d", "#707173", "#8a8779", "#a69d75", "#c4b56c",
    "#e4cf5b", "#ffea46",
)  # fmt: skip
TRAIL = 96
"""Pieces of the strip that shows what was met along the way."""
_LEFT, _RIGHT, _TOP, _WIDE = 84.0, 20.0, 44.0, 1000.0
_CELL_H, _CELL_W = 26.0, 166.0


@dataclass(frozen=True, slots=True)
class View:
    """How the oven is drawn: the words of the picture, and what a script needs to move it."""

    svg: str
    facts: Mapping[str, object]


def colour_of(value_c: float, low_c: float, high_c: float) -> str:
    """Return the colour of a temperature between two ends of the scale."""
    if not math.isfinite(value_c):
        return "none"
    share = min(max((value_c - low_c) / max(high_c - low_c, 1e-9), 0.0), 1.0)
    at = share * (len(SCALE) - 1)
    i = min(int(at), len(SCALE) - 2)
    one, other = SCALE[i], SCALE[i + 1]
    parts = [
        round(int(one[k : k + 2], 16) * (1 - at + i) + int(other[k : k + 2], 16) * (at - i))
        for k in (1, 3, 5)
    ]
    return "#" + "".join(f"{p:02x}" for p in parts)


def ink_on(value_c: float, low_c: float, high_c: float) -> str:
    """Return the ink that can be read on the colour of a temperature."""
    if not math.isfinite(value_c):
        return "var(--ink)"
    return "#ffffff" if value_c < low_c + 0.52 * (high_c - low_c) else "#000000"


def scale_ends(values_c: Sequence[float], *, fahrenheit: bool = False) -> tuple[float, float]:
    """Return round ends of a scale that hold the values, in °C, at least 20 K apart."""
    known = [v for v in values_c if math.isfinite(v)]
    if not known:
        return 0.0, 100.0
    factor, offset, step = (1.8, 32.0, 20.0) if fahrenheit else (1.0, 0.0, 10.0)
    low = math.floor((min(known) * factor + offset) / step) * step
    high = math.ceil((max(known) * factor + offset) / step) * step
    high = max(high, low + 2 * step)
    return (low - offset) / factor, (high - offset) / factor


def draw(
    plan: Plan,
    values_c: Mapping[str, float],
    *,
    shown: Shown,
    at_m: float | None,
    large: bool = False,
) -> View:
    """Return the oven with what the channels show.

    Parameters
    ----------
    values_c : the present value of each channel, °C
    at_m : how far the product has come along the belt, None while that is not known
    large : to be read from across the room: where the product is and what was met, no numbers
    """
    if isinstance(plan.oven, TunnelOven):
        return _Tunnel(plan, values_c, shown, large=large).view(at_m)
    return _Chamber(plan, values_c, shown, large=large).view()


class _Picture:
    def __init__(
        self, plan: Plan, values_c: Mapping[str, float], shown: Shown, *, large: bool
    ) -> None:
        self.plan = plan
        self.values_c = values_c
        self.shown = shown
        self.large = large
        self.low, self.high = scale_ends(list(values_c.values()), fahrenheit=shown.fahrenheit)
        self.wide = _WIDE - _LEFT - _RIGHT

    def text_of(self, name: str) -> str:
        value = self.values_c.get(name, math.nan)
        return plain(self.shown.temperature(value), 1) if math.isfinite(value) else "–"

    def cell(self, channel: Channel, x: float, y: float, *, wide: float = _CELL_W) -> str:
        value = self.values_c.get(channel.name, math.nan)
        ink = ink_on(value, self.low, self.high)
        if self.large:
            return (
                f'<g data-cell="{escape(channel.name)}"><title>{escape(channel.name)}</title>'
                f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:g}" height="{_CELL_H:g}" rx="4" '
                f'fill="{colour_of(value, self.low, self.high)}" stroke="var(--edge)"/><text></text>'
                f'<text x="{x + wide / 2:.1f}" y="{y + 20:.1f}" text-anchor="middle" font-weight="700" '
                f'fill="{ink}" data-value="">{self.text_of(channel.name)}</text></g>'
            )
        room = int((wide - 62) / 7.2)
        name = channel.name if len(channel.name) <= room else channel.name[: room - 1] + "…"
        return (
            f'<g data-cell="{escape(channel.name)}"><title>{escape(channel.name)}</title>'
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:g}" height="{_CELL_H:g}" rx="4" '
            f'fill="{colour_of(value, self.low, self.high)}" stroke="var(--edge)"/>'
            f'<text x="{x + 8:.1f}" y="{y + 18:.1f}" fill="{ink}">{escape(name)}</text>'
            f'<text x="{x + wide - 8:.1f}" y="{y + 18:.1f}" text-anchor="end" font-weight="700" '
            f'fill="{ink}" data-value="">{self.text_of(channel.name)}</text></g>'
        )

    def legend(self, y: float) -> str:
        wide, pieces = 300.0, 40
        x0 = _LEFT
        out = [
            f'<rect x="{x0 + i * wide / pieces:.2f}" y="{y:.1f}" width="{wide / pieces + 0.5:.2f}" height="12" '
            f'fill="{colour_of(i / (pieces - 1), 0.0, 1.0)}"/>'
            for i in range(pieces)
        ]
        for share in (0.0, 0.5, 1.0):
            value = self.shown.temperature(self.low + share * (self.high - self.low))
            out.append(
                f'<text x="{x0 + share * wide:.1f}" y="{y + 28:.1f}" text-anchor="middle" fill="var(--faint)" '
                f'data-scale="{share:g}">{plain(value, 0)}</text>'
            )
        out.append(
            f'<text x="{x0 + wide + 26:.1f}" y="{y + 11:.1f}" fill="var(--faint)">{self.shown.temperature_unit}</text>'
        )
        return f'<g aria-hidden="true">{"".join(out)}</g>'

    def wrap(self, parts: list[str], height: float, alt: str) -> str:
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE:g} {height:.0f}" role="img" '
            f'aria-labelledby="oven-title oven-alt" font-size="{20 if self.large else 13}" class="oven">'
            f'<title id="oven-title">{escape(self.plan.oven.name)} from above</title>'
            f'<desc id="oven-alt">{escape(alt)}</desc>{"".join(parts)}</svg>'
        )

    def facts(self, **more: object) -> dict[str, object]:
        return {"low_c": self.low, "high_c": self.high, "scale": SCALE} | more


class _Tunnel(_Picture):
    def view(self, at_m: float | None) -> View:
        assert isinstance(self.plan.oven, TunnelOven)
        oven = self.plan.oven
        riding = [c for c in self.plan.channels if self._rides(c)]
        fixed = [c for c in self.plan.channels if not self._rides(c)]
        lanes = _lanes(self.plan)
        rows = {lane: [c for c in riding if (c.place.lane or lanes[0]) == lane] for lane in lanes}
        tops, y = {}, _TOP
        for lane in lanes:
            tops[lane] = y
            y += 44 if self.large else 46 + (_CELL_H + 4) * max(1, len(rows[lane]))
        bottom = y
        parts = self._zones(oven, bottom)
        trails: dict[str, str] = {}
        for lane in lanes:
            felt = next(
                (c for r in (Role.AIR, Role.SURFACE) for c in rows[lane] if c.role is r), None
            )
            if felt is not None:
                trails[felt.name] = lane
                parts.append(self._trail(felt, tops[lane]))
            parts.append(
                f'<text x="{_LEFT - 10:g}" y="{tops[lane] + 22:.1f}" text-anchor="end" '
                f'fill="var(--faint)">{escape(lane)}</text>'
            )
        parts.append(self._product(rows, tops, bottom, oven.length_m, at_m))
        parts += [] if self.large else self._fixed(fixed, tops, bottom)
        if self.large:
            where = "" if at_m is None else f"Product at {plain(at_m, 1)} m. "
            alt = where + "Colours along the belt are the temperatures that were met."
            return View(self.wrap(parts, bottom + 8, alt), self._facts_of(oven, trails))
        parts.append(
            f'<path d="M{_LEFT:g} {bottom + 12:.1f}h{self.wide - 4:.1f}m-8 -5l8 5l-8 5" fill="none" stroke="var(--faint)"/>'
            f'<text x="{_LEFT + self.wide / 2:.1f}" y="{bottom + 30:.1f}" text-anchor="middle" fill="var(--faint)">'
            f"travel, {plain(oven.length_m, 1)} m in {plain(oven.bake_time_s / 60, 1)} min</text>"
        )
        parts.append(self.legend(bottom + 44))
        where = "not known yet" if at_m is None else f"at {plain(at_m, 1)} m"
        alt = f"Product {where}. " + ", ".join(
            f"{c.name} {self.text_of(c.name)}" for c in self.plan.channels
        )
        return View(self.wrap(parts, bottom + 82, alt), self._facts_of(oven, trails))

    def _facts_of(self, oven: TunnelOven, trails: Mapping[str, str]) -> dict[str, object]:
        return self.facts(
            kind="tunnel",
            left=_LEFT,
            wide=self.wide,
            length_m=oven.length_m,
            speed_m_s=oven.belt_speed_m_min / 60.0,
            trail=TRAIL,
            trails=sorted(trails),
            cell=_CELL_W,
        )

    @staticmethod
    def _rides(channel: Channel) -> bool:
        place = channel.place
        return not place.zone and place.x_m is None and channel.role is not Role.AMBIENT

    def _x(self, at_m: float, length_m: float) -> float:
        return _LEFT + min(max(at_m / length_m, 0.0), 1.0) * self.wide

    def _zones(self, oven: TunnelOven, bottom: float) -> list[str]:
        out, at = [], 0.0
        for i, zone in enumerate(oven.zones):
            x, w = self._x(at, oven.length_m), zone.length_m / oven.length_m * self.wide
            fill = "var(--zone)" if i % 2 == 0 else "none"
            out.append(
                f'<rect x="{x:.1f}" y="{_TOP:g}" width="{w:.1f}" height="{bottom - _TOP:.1f}" fill="{fill}" stroke="var(--rule)"/>'
                f'<text x="{x + w / 2:.1f}" y="18" text-anchor="middle" fill="var(--ink)" font-weight="600">{escape(zone.name)}{self._setting(zone)}</text>'
            )
            if zone.setpoint_c is not None and not self.large:
                words = f"set to {plain(self.shown.temperature(zone.setpoint_c), 0)} {self.shown.temperature_unit}"
                out.append(
                    f'<text x="{x + w / 2:.1f}" y="35" text-anchor="middle" fill="var(--faint)">{words}</text>'
                )
            at += zone.length_m
        return out

    def _setting(self, zone: Zone) -> str:
        if not self.large or zone.setpoint_c is None:
            return ""
        return f": {plain(self.shown.temperature(zone.setpoint_c), 0)}°"

    def _trail(self, channel: Channel, top: float) -> str:
        piece, high = self.wide / TRAIL, 28 if self.large else 18
        rects = "".join(
            f'<rect x="{_LEFT + i * piece:.2f}" y="{top + 8:.1f}" width="{piece + 0.4:.2f}" height="{high}" fill="none"/>'
            for i in range(TRAIL)
        )
        return (
            f'<g data-trail="{escape(channel.name)}"><title>what {escape(channel.name)} met along the way</title>'
            f"{rects}</g>"
        )

    def _product(
        self,
        rows: Mapping[str, list[Channel]],
        tops: Mapping[str, float],
        bottom: float,
        length_m: float,
        at_m: float | None,
    ) -> str:
        x = self._x(at_m or 0.0, length_m)
        cells = []
        left = min(max(x - _CELL_W / 2, _LEFT), _LEFT + self.wide - _CELL_W)
        for lane, channels in rows.items():
            for i, channel in enumerate([] if self.large else channels):
                y = tops[lane] + 32 + i * (_CELL_H + 4)
                cells.append(self.cell(channel, _LEFT, y))
        hidden = ' visibility="hidden"' if at_m is None else ""
        return (
            f'<g data-front=""{hidden} transform="translate({x - _LEFT:.1f} 0)">'
            f'<path d="M{_LEFT:g} {_TOP:g}V{bottom:.1f}" stroke="var(--accent)" stroke-width="2.5"/>'
            f'<path d="M{_LEFT - 6:g} {_TOP - 8:g}h12l-6 9z" fill="var(--accent)"/></g>'
            f'<g data-product="" transform="translate({left - _LEFT:.1f} 0)">{"".join(cells)}</g>'
        )

    def _fixed(self, fixed: list[Channel], tops: Mapping[str, float], bottom: float) -> list[str]:
        assert isinstance(self.plan.oven, TunnelOven)
        oven, out = self.plan.oven, []
        taken: dict[tuple[str, str], int] = {}
        starts, at = {}, 0.0
        for zone in oven.zones:
            starts[zone.name] = (at, zone.length_m)
            at += zone.length_m
        for channel in fixed:
            place = channel.place
            begin, long = starts.get(place.zone, (0.0, oven.length_m))
            x = place.x_m if place.x_m is not None else begin + long / 2
            lane = place.lane if place.lane in tops else next(iter(tops))
            key = (place.zone or f"{x:g}", lane)
            row = taken.get(key, 0)
            taken[key] = row + 1
            px = min(
                max(self._x(x, oven.length_m) - _CELL_W / 2, _LEFT), _LEFT + self.wide - _CELL_W
            )
            y = min(tops[lane] + 32 + row * (_CELL_H + 4), bottom - _CELL_H - 4)
            out.append(self.cell(channel, px, y))
        return out


class _Chamber(_Picture):
    def view(self) -> View:
        oven = self.plan.oven
        assert oven.kind == "chamber"
        deep = 360.0
        wide = min(self.wide, max(360.0, deep * oven.width_m / oven.depth_m))
        left = _LEFT + (self.wide - wide) / 2
        parts = [
            f'<rect x="{left:.1f}" y="{_TOP:g}" width="{wide:.1f}" height="{deep:g}" fill="var(--zone)" '
            f'stroke="var(--ink)" stroke-width="1.4"/>'
        ]
        taken: list[tuple[float, float]] = []
        unplaced: list[Channel] = []
        for channel in self.plan.channels:
            place = channel.place
            if place.x_m is None or place.y_m is None:
                unplaced.append(channel)
                continue
            x = left + min(max(place.x_m / oven.width_m, 0.0), 1.0) * wide
            y = _TOP + min(max(place.y_m / oven.depth_m, 0.0), 1.0) * deep
            x = min(max(x - _CELL_W / 2, left + 4), left + wide - _CELL_W - 4)
            y = min(max(y - _CELL_H / 2, _TOP + 4), _TOP + deep - _CELL_H - 4)
            step = _CELL_H + 3 if y < _TOP + deep / 2 else -_CELL_H - 3
            while any(abs(x - a) < _CELL_W and abs(y - b) < _CELL_H for a, b in taken):
                y += step
            taken.append((x, y))
            parts.append(self.cell(channel, x, y))
        bottom = _TOP + deep
        for i, channel in enumerate(unplaced):
            column, row = i % 5, i // 5
            parts.append(
                self.cell(
                    channel, _LEFT + column * (_CELL_W + 14), bottom + 30 + row * (_CELL_H + 5)
                )
            )
        rows = math.ceil(len(unplaced) / 5)
        if unplaced:
            parts.append(
                f'<text x="{_LEFT:g}" y="{bottom + 20:.1f}" fill="var(--faint)">without a place in the plan</text>'
            )
        foot = bottom + (34 + rows * (_CELL_H + 5) if unplaced else 0)
        size = f"{plain(oven.width_m, 2)} m × {plain(oven.depth_m, 2)} m, from above"
        parts.append(
            f'<text x="{left + wide / 2:.1f}" y="{_TOP - 12:g}" text-anchor="middle" fill="var(--faint)">{size}</text>'
        )
        parts.append(self.legend(foot + 16))
        alt = ", ".join(f"{c.name} {self.text_of(c.name)}" for c in self.plan.channels)
        return View(self.wrap(parts, foot + 54, alt), self.facts(kind="chamber"))


def _lanes(plan: Plan) -> list[str]:
    found = list(dict.fromkeys(c.place.lane for c in plan.channels if c.place.lane))
    order = {"left": 0, "centre": 1, "center": 1, "middle": 1, "right": 2}
    found.sort(key=lambda lane: order.get(lane, 1))
    return found or [""]
