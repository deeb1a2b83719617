"""What a move in the picture of an oven means for the keys of a channel's place."""

from __future__ import annotations

from collections.abc import Mapping

from ovenwright.domain.plan import Channel, Place
from ovenwright.domain.run import Role
from ovenwright.reporting.oven_scene import Band, Scene, Stand, View, stand_of

PlaceKeys = Mapping[str, float | str | None]
"""Keys of a place to be set; None takes a key out."""

_RIDING_EDGE = 20.0  # dropped left of the oven's mouth by more than this: it rides along


def put(scene: Scene, channel: Channel, u: float, v: float) -> PlaceKeys:
    """Return the keys of a channel's place after it was put down at a point of the picture."""
    if scene.kind == "tunnel":
        return _put_tunnel(scene, channel, u, v)
    if u < scene.left - _RIDING_EDGE:
        return {"x_m": None, "y_m": None, "z_m": None}
    found: dict[str, float | str | None] = {"x_m": _rounded(scene.x_m(u), 0.01)}
    if scene.view is View.ABOVE:
        found["y_m"] = _rounded(scene.down_m(v), 0.01)
    else:
        found["z_m"] = _rounded(scene.across_m - scene.down_m(v), 0.01)
    return found


def _put_tunnel(scene: Scene, channel: Channel, u: float, v: float) -> PlaceKeys:
    rides = u < scene.left - _RIDING_EDGE
    found: dict[str, float | str | None]
    if rides:
        found = {"x_m": None, "zone": None}
    else:
        found = {"x_m": _rounded(scene.x_m(u), 0.05), "zone": _zone_at(scene, u)}
    if scene.view is View.ABOVE:
        found["lane"] = _band_at(scene, v).name or None
        if rides:
            found["y_m"] = None
        elif channel.place.y_m is not None and scene.across_m > 0:
            found["y_m"] = _rounded(scene.down_m(v), 0.01)
    elif rides and channel.role is Role.CORE:
        if scene.product is not None and scene.product_m is not None:
            _, top, _, tall = scene.product
            share = min(max((v - top) / tall, 0.0), 1.0)
            found["depth_m"] = _rounded(share * scene.product_m, 0.001)
    elif not rides or channel.role not in {Role.SURFACE, Role.BODY}:
        found["z_m"] = _rounded(scene.across_m - scene.down_m(v), 0.01)
    return found


def nudge(scene: Scene, channel: Channel, right: int, down: int, *, far: bool = False) -> PlaceKeys:
    """Return the keys of a channel's place after steps to the right and down the picture.

    A step is 5 cm along a belt and 1 cm elsewhere, ten times that with ``far``; across a belt it
    leads to the next lane, inside a product it is 1 mm.
    """
    place = channel.place
    if scene.kind == "chamber":
        return _nudge_chamber(scene, place, right, down, 0.1 if far else 0.01)
    found: dict[str, float | str | None] = {}
    if right:
        found |= _nudge_along(scene, place, right * (0.5 if far else 0.05))
    if down and scene.view is View.ABOVE:
        if place.y_m is not None and scene.across_m > 0:
            y = place.y_m + down * (0.1 if far else 0.01)
            found["y_m"] = _rounded(min(max(y, 0.0), scene.across_m), 0.01)
            v = scene.top + y / scene.across_m * scene.deep
            found["lane"] = _band_at(scene, v).name or place.lane or None
        else:
            names = [b.name for b in scene.bands]
            at = names.index(place.lane) if place.lane in names else 0
            found["lane"] = names[min(max(at + down, 0), len(names) - 1)] or None
    elif down:
        riding = stand_of(place, tunnel=True) is Stand.RIDES
        if riding and channel.role is Role.CORE:
            if scene.product_m is not None:
                start = place.depth_m if place.depth_m is not None else scene.product_m / 2
                depth = start + down * (0.01 if far else 0.001)
                found["depth_m"] = _rounded(min(max(depth, 0.0), scene.product_m), 0.001)
        else:
            z = (place.z_m or 0.0) - down * (0.1 if far else 0.01)
            found["z_m"] = _rounded(max(z, 0.0), 0.01)
    return found


def _nudge_along(scene: Scene, place: Place, step_m: float) -> PlaceKeys:
    if place.x_m is not None:
        x = place.x_m + step_m
    elif place.zone:
        middle = next(
            (s + e) / 2 for n, _, s, e in (*scene.zones, ("", "", 0, 0)) if n in {place.zone, ""}
        )
        x = scene.x_m(middle) + step_m
    else:
        if step_m < 0:
            return {}
        x = 0.0
    if x < -1e-9:
        return {"x_m": None, "zone": None, "y_m": None}
    x = min(x, scene.length_m)
    return {
        "x_m": _rounded(x, 0.05),
        "zone": _zone_at(scene, scene.left + x / scene.length_m * scene.wide),
    }


def _nudge_chamber(scene: Scene, place: Place, right: int, down: int, step: float) -> PlaceKeys:
    found: dict[str, float | str | None] = {}
    middle = scene.length_m / 2
    if right or place.x_m is None:
        x = (place.x_m if place.x_m is not None else middle) + right * step
        found["x_m"] = _rounded(min(max(x, 0.0), scene.length_m), 0.01)
    key = "y_m" if scene.view is View.ABOVE else "z_m"
    here = place.y_m if scene.view is View.ABOVE else place.z_m
    if down or here is None:
        sign = 1 if scene.view is View.ABOVE else -1
        at = (here if here is not None else scene.across_m / 2) + sign * down * step
        found[key] = _rounded(min(max(at, 0.0), scene.across_m), 0.01)
    return found


def _zone_at(scene: Scene, u: float) -> str | None:
    for name, _, start, end in scene.zones:
        if start <= u < end:
            return name
    return scene.zones[-1][0] if scene.zones else None


def _band_at(scene: Scene, v: float) -> Band:
    for band in scene.bands:
        if v < band.bottom:
            return band
    return scene.bands[-1]


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 4)
