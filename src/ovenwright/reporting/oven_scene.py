"""Where a plan's channels sit in a picture of its oven, and what a place in the picture means.

A scene is measured in picture units. Drawing is the business of
:mod:`ovenwright.reporting.svg_oven`, moving that of :mod:`ovenwright.reporting.oven_moves`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from ovenwright.domain.plan import ChamberOven, Channel, Place, Product, TunnelOven
from ovenwright.domain.run import Role
from ovenwright.reporting.words import Shown, plain

ROW = 28.0
"""Picture units between two channels shown one above the other."""
_BAY = (16.0, 220.0)
_LEFT = 276.0
_WIDE = 700.0
_TOP = 64.0
_LEAST_HEIGHT_M = 0.3  # a tunnel's plan tells no height: shown up to here, or to its highest sensor
_PRODUCT_WIDE = 80.0


class View(StrEnum):
    """From where the oven is looked at."""

    ABOVE = "above"
    SIDE = "side"


class Stand(StrEnum):
    """How a channel stands to the oven."""

    RIDES = "rides"
    FIXED = "fixed"
    LOOSE = "loose"


@dataclass(frozen=True, slots=True)
class Spot:
    """One channel in the picture: its true point and how far from it the mark is drawn."""

    index: int
    name: str
    role: str
    stand: Stand
    u: float
    v: float
    words: str
    aside_u: float = 0.0
    aside_v: float = 0.0
    label_u: float = 0.0
    label_v: float = 0.0
    label_end: bool = False


@dataclass(frozen=True, slots=True)
class Band:
    """One lane across the belt."""

    name: str
    top: float
    bottom: float


@dataclass(frozen=True, slots=True)
class Scene:
    """An oven seen from one side. ``length_m`` lies over ``wide``, ``across_m`` over ``deep``."""

    view: View
    kind: str
    oven: str
    width: float
    height: float
    left: float
    top: float
    wide: float
    deep: float
    length_m: float
    across_m: float
    zones: tuple[tuple[str, str, float, float], ...] = ()
    bands: tuple[Band, ...] = ()
    product: tuple[float, float, float, float] | None = None
    product_round: bool = False
    product_m: float | None = None
    spots: tuple[Spot, ...] = ()

    def x_m(self, u: float) -> float:
        """Return the metres along the picture's width, held inside the oven."""
        return min(max((u - self.left) / self.wide, 0.0), 1.0) * self.length_m

    def down_m(self, v: float) -> float:
        """Return the metres down the picture, held inside the oven."""
        return min(max((v - self.top) / self.deep, 0.0), 1.0) * self.across_m


Channels = Sequence[tuple[int, Channel]]


def scene_of(
    oven: TunnelOven | ChamberOven,
    product: Product | None,
    channels: Channels,
    view: View,
    shown: Shown,
) -> Scene:
    """Return an oven with channels in it.

    Parameters
    ----------
    channels : each with its index in the plan
    shown : the unit that setpoints are told in
    """
    if isinstance(oven, TunnelOven):
        if view is View.ABOVE:
            return _tunnel_above(oven, channels, shown)
        return _tunnel_side(oven, product, channels, shown)
    return _chamber(oven, channels, view)


def stand_of(place: Place, *, tunnel: bool) -> Stand:
    """Return how a channel of that place stands to the oven."""
    if tunnel:
        return Stand.FIXED if place.zone or place.x_m is not None else Stand.RIDES
    there = (place.x_m, place.y_m, place.z_m)
    return Stand.LOOSE if all(v is None for v in there) else Stand.FIXED


def words_of(channel: Channel, *, tunnel: bool) -> str:
    """Return a channel's place in words."""
    place = channel.place
    said = []
    stand = stand_of(place, tunnel=tunnel)
    if tunnel:
        said.append("rides with the product" if stand is Stand.RIDES else "stays in the oven")
    elif stand is Stand.LOOSE:
        said.append("has no place yet")
    if place.zone:
        said.append(place.zone if place.zone.lower().startswith("zone") else f"zone {place.zone}")
    if place.lane:
        said.append(f"lane {place.lane}")
    axes = ("along", "across", "high") if tunnel else ("x", "y", "z")
    for name, value in zip(axes, (place.x_m, place.y_m, place.z_m), strict=True):
        if value is not None:
            said.append(f"{plain(value, 2)} m {name}" if tunnel else f"{name} {plain(value, 2)} m")
    if place.depth_m is not None:
        said.append(f"{plain(place.depth_m * 1000, 0)} mm deep in the product")
    return f"{channel.role.value}: {', '.join(said) or 'no place given'}"


# tunnel -----------------------------------------------------------------------------------


def _zones(oven: TunnelOven, shown: Shown) -> tuple[tuple[str, str, float, float], ...]:
    out, at = [], 0.0
    for zone in oven.zones:
        words = (
            f"{plain(shown.temperature(zone.setpoint_c), 0)} {shown.temperature_unit}"
            if zone.setpoint_c is not None
            else ""
        )
        start = _LEFT + at / oven.length_m * _WIDE
        at += zone.length_m
        out.append((zone.name, words, start, _LEFT + at / oven.length_m * _WIDE))
    return tuple(out)


def _along_u(oven: TunnelOven, place: Place) -> float:
    x = place.x_m
    if x is None:
        at = 0.0
        x = oven.length_m / 2
        for zone in oven.zones:
            if zone.name == place.zone:
                x = at + zone.length_m / 2
            at += zone.length_m
    return _LEFT + min(max(x / oven.length_m, 0.0), 1.0) * _WIDE


def lanes_of(channels: Channels) -> tuple[str, ...]:
    """Return the lanes of a plan from left to right: the usual three, or those it names itself."""
    named = list(dict.fromkeys(c.place.lane for _, c in channels if c.place.lane))
    usual = ("left", "centre", "right")
    own = [n for n in named if n not in usual]
    if not own:
        return usual
    return (*(n for n in usual[:1] if n in named), *own, *(n for n in usual[1:] if n in named))


def _tunnel_above(oven: TunnelOven, channels: Channels, shown: Shown) -> Scene:
    lanes = list(lanes_of(channels))
    if any(not c.place.lane for _, c in channels):
        lanes.append("")
    riding = dict.fromkeys(lanes, 0)
    for _, c in channels:
        if stand_of(c.place, tunnel=True) is Stand.RIDES:
            riding[c.place.lane] += 1
    bands, at = [], _TOP
    for lane in lanes:
        deep = max(2 * ROW, ROW * riding[lane] + 14)
        bands.append(Band(lane, at, at + deep))
        at += deep
    deep = at - _TOP
    across = oven.belt_width_m or 0.0
    by_lane = {b.name: b for b in bands}
    rows = dict.fromkeys(lanes, 0)
    spots: list[Spot] = []
    for index, c in channels:
        band = by_lane[c.place.lane]
        words = words_of(c, tunnel=True)
        stand = stand_of(c.place, tunnel=True)
        if stand is Stand.RIDES:
            count = riding[c.place.lane]
            first = (band.top + band.bottom) / 2 - ROW * (count - 1) / 2
            v = first + ROW * rows[c.place.lane]
            rows[c.place.lane] += 1
            u = _BAY[0] + 18
        else:
            u, v = _along_u(oven, c.place), (band.top + band.bottom) / 2
            if c.place.y_m is not None and across > 0:
                v = _TOP + min(max(c.place.y_m / across, 0.0), 1.0) * deep
        spots.append(Spot(index, c.name, c.role.value, stand, u, v, words))
    return Scene(
        View.ABOVE,
        "tunnel",
        oven.name,
        _LEFT + _WIDE + 24,
        at + 50,
        _LEFT,
        _TOP,
        _WIDE,
        deep,
        oven.length_m,
        across,
        _zones(oven, shown),
        tuple(bands),
        spots=tuple(_apart(spots, _LEFT + _WIDE)),
    )


def _tunnel_side(
    oven: TunnelOven, product: Product | None, channels: Channels, shown: Shown
) -> Scene:
    highest = max((c.place.z_m or 0.0 for _, c in channels), default=0.0)
    across = max(_LEAST_HEIGHT_M, 1.15 * highest)
    riding = [c for _, c in channels if stand_of(c.place, tunnel=True) is Stand.RIDES]
    deep = max(200.0, ROW * len(riding) + 20)
    belt = _TOP + deep
    tall = 96.0
    box = (_BAY[0] + 12, belt - tall, _PRODUCT_WIDE, tall)
    thick = 2 * product.half_size_m if product is not None and product.half_size_m else None
    groups: dict[Role, list[int]] = {}
    for index, c in channels:
        if stand_of(c.place, tunnel=True) is Stand.RIDES:
            groups.setdefault(c.role, []).append(index)
    spots: list[Spot] = []
    for index, c in channels:
        stand = stand_of(c.place, tunnel=True)
        place = c.place
        height = belt - (place.z_m or 0.0) / across * deep
        if stand is Stand.RIDES:
            group = groups[c.role]
            share = (group.index(index) + 0.5) / len(group)
            u = box[0] + share * _PRODUCT_WIDE
            if c.role is Role.CORE:
                depth = place.depth_m if place.depth_m is not None else (thick or 0.0) / 2
                v = box[1] + (min(depth / thick, 1.0) if thick else 0.5) * tall
            elif place.z_m is not None:
                v = height
            else:
                lift = {Role.SURFACE: 0.0, Role.AIR: 26.0, Role.AMBIENT: 52.0, Role.BODY: 14.0}
                v = box[1] - lift.get(c.role, 0.0) if c.role is not Role.WALL else belt
        else:
            u, v = _along_u(oven, place), height
        spots.append(Spot(index, c.name, c.role.value, stand, u, v, words_of(c, tunnel=True)))
    return Scene(
        View.SIDE,
        "tunnel",
        oven.name,
        _LEFT + _WIDE + 24,
        belt + 50,
        _LEFT,
        _TOP,
        _WIDE,
        deep,
        oven.length_m,
        across,
        _zones(oven, shown),
        product=box,
        product_round=product is not None and product.shape in {"cylinder", "sphere"},
        product_m=thick,
        spots=tuple(_listed(_apart(spots, _LEFT + _WIDE), box[0] + _PRODUCT_WIDE + 16, deep)),
    )


# chamber ----------------------------------------------------------------------------------


def _chamber(oven: ChamberOven, channels: Channels, view: View) -> Scene:
    across = oven.depth_m if view is View.ABOVE else oven.height_m
    scale = min(420.0 / across, 560.0 / oven.width_m)
    wide, deep = oven.width_m * scale, across * scale
    wide, deep = max(wide, 60.0), max(deep, 60.0)
    loose = sum(stand_of(c.place, tunnel=False) is Stand.LOOSE for _, c in channels)
    height = max(deep, ROW * loose)
    spots: list[Spot] = []
    row = 0
    for index, c in channels:
        stand = stand_of(c.place, tunnel=False)
        place = c.place
        if stand is Stand.LOOSE:
            u, v = _BAY[0] + 18, _TOP + 14 + ROW * row
            row += 1
        else:
            x = place.x_m if place.x_m is not None else oven.width_m / 2
            u = _LEFT + min(max(x / oven.width_m, 0.0), 1.0) * wide
            if view is View.ABOVE:
                y = place.y_m if place.y_m is not None else oven.depth_m / 2
                v = _TOP + min(max(y / oven.depth_m, 0.0), 1.0) * deep
            else:
                z = place.z_m if place.z_m is not None else 0.0
                v = _TOP + (1 - min(max(z / oven.height_m, 0.0), 1.0)) * deep
        spots.append(Spot(index, c.name, c.role.value, stand, u, v, words_of(c, tunnel=False)))
    return Scene(
        view,
        "chamber",
        oven.name,
        max(_LEFT + wide + 40, 620.0),
        _TOP + height + 56,
        _LEFT,
        _TOP,
        wide,
        deep,
        oven.width_m,
        across,
        spots=tuple(_apart(spots, _LEFT + wide)),
    )


def _apart(spots: Sequence[Spot], right: float) -> list[Spot]:
    """Draw marks that would hide each other apart, and set each name beside its mark."""
    placed: list[tuple[float, float]] = []
    out = []
    for s in spots:
        dv = 0.0
        step = 1
        while any(
            abs(s.v + dv - v) < ROW - 1 and abs(s.u - u) < 30 + 6.2 * len(s.name) for u, v in placed
        ):
            dv = ROW * ((step + 1) // 2) * (1 if step % 2 else -1)
            step += 1
        placed.append((s.u, s.v + dv))
        end = s.stand is not Stand.RIDES and s.u + 16 + 6.4 * len(s.name) > right
        out.append(_moved(s, dv, s.u + (-14 if end else 14), s.v + dv, end=end))
    return out


def _moved(s: Spot, dv: float, label_u: float, label_v: float, *, end: bool) -> Spot:
    return Spot(s.index, s.name, s.role, s.stand, s.u, s.v, s.words, 0.0, dv, label_u, label_v, end)


def _listed(spots: Sequence[Spot], at: float, deep: float) -> list[Spot]:
    """Write the names of what rides along in a list beside the product: there is no room in it."""
    riding = sorted((s for s in spots if s.stand is Stand.RIDES), key=lambda s: (s.v, s.u, s.index))
    first = _TOP + max(deep - ROW * len(riding), 0.0) / 2 + ROW / 2
    row = {s.index: first + ROW * i for i, s in enumerate(riding)}
    return [_moved(s, 0.0, at, row[s.index], end=False) if s.index in row else s for s in spots]
