"""Moves in the picture of an oven, and that a channel put down is drawn where it was put."""

from itertools import pairwise

import pytest

from ovenwright.domain.plan import ChamberOven, Channel, Place, Product, TunnelOven, Zone
from ovenwright.reporting.oven_moves import nudge, put
from ovenwright.reporting.oven_scene import Scene, Stand, View, scene_of
from ovenwright.reporting.words import Shown

TUNNEL = TunnelOven(
    kind="tunnel",
    name="oven 3",
    zones=tuple(Zone(name=f"zone {i}", length_m=6.0) for i in (1, 2, 3, 4)),
    belt_speed_m_min=0.7,
    belt_width_m=2.0,
)
CHAMBER = ChamberOven(kind="chamber", name="box", width_m=1.2, depth_m=1.4, height_m=1.6)
LOAF = Product(name="loaf", half_size_m=0.05)


def scene(oven: TunnelOven | ChamberOven, channel: Channel, view: View) -> Scene:
    return scene_of(oven, LOAF, [(0, channel)], view, Shown())


def channel(role: str = "air", **place: float | str) -> Channel:
    return Channel.model_validate({"name": "c", "sensor": "T", "role": role, "place": place})


def moved(one: Channel, keys: object) -> Channel:
    place = {**one.place.model_dump(exclude_defaults=True), **dict(keys)}  # type: ignore[call-overload]
    return one.model_copy(
        update={"place": Place(**{k: v for k, v in place.items() if v is not None})}
    )


@pytest.mark.parametrize("u", [280.0, 400.0, 640.0, 970.0])
@pytest.mark.parametrize("v", [80.0, 130.0, 200.0])
def test_what_is_put_down_in_a_tunnel_is_drawn_there(u: float, v: float) -> None:
    start = channel(lane="left")
    after = moved(start, put(scene(TUNNEL, start, View.ABOVE), start, u, v))
    (spot,) = scene(TUNNEL, after, View.ABOVE).spots
    assert spot.stand is Stand.FIXED
    assert spot.u == pytest.approx(u, abs=700 / 24 * 0.026)  # places are told to 5 cm
    x = after.place.x_m
    assert x is not None
    assert after.place.zone == f"zone {min(int(x // 6) + 1, 4)}"


@pytest.mark.parametrize(("u", "v"), [(300.0, 100.0), (500.0, 400.0), (10_000.0, -50.0)])
@pytest.mark.parametrize("view", list(View))
def test_what_is_put_down_in_a_chamber_stays_inside(u: float, v: float, view: View) -> None:
    start = channel()
    there = scene(CHAMBER, start, view)
    after = moved(start, put(there, start, u, v))
    assert 0 <= (after.place.x_m or 0) <= 1.2
    (spot,) = scene(CHAMBER, after, view).spots
    inside = min(max(u, there.left), there.left + there.wide)
    assert spot.u == pytest.approx(inside, abs=2.0)


def test_left_of_the_mouth_it_rides_along_again() -> None:
    start = channel(lane="left", x_m=7.0, zone="zone 2")
    keys = put(scene(TUNNEL, start, View.ABOVE), start, 100.0, 90.0)
    assert moved(start, keys).place == Place(lane="left")
    first = channel(lane="left", x_m=0.0, zone="zone 1")
    keys = nudge(scene(TUNNEL, first, View.ABOVE), first, -1, 0)
    assert moved(first, keys).place == Place(lane="left")


def test_core_moves_inside_its_product() -> None:
    core = channel("core", lane="centre", depth_m=0.05)
    side = scene(TUNNEL, core, View.SIDE)
    assert side.product is not None
    _, top, _, tall = side.product
    assert put(side, core, 60.0, top + tall / 4)["depth_m"] == pytest.approx(0.025)
    assert put(side, core, 60.0, top + 10 * tall)["depth_m"] == pytest.approx(0.1)
    assert nudge(side, core, 0, 1)["depth_m"] == pytest.approx(0.051)
    assert nudge(side, core, 0, -1, far=True)["depth_m"] == pytest.approx(0.04)


def test_own_lanes_are_kept_apart_and_stepped_through() -> None:
    names = ["row 1", "row 2", "row 3"]
    channels = [(i, channel(lane=n)) for i, n in enumerate(names)]
    there = scene_of(TUNNEL, LOAF, channels, View.ABOVE, Shown())
    assert [b.name for b in there.bands] == names
    assert nudge(there, channels[0][1], 0, 1)["lane"] == "row 2"
    assert nudge(there, channels[2][1], 0, 1)["lane"] == "row 3"


def test_marks_never_hide_each_other() -> None:
    same = [(i, channel(lane="left", x_m=7.0, zone="zone 2")) for i in range(6)]
    there = scene_of(TUNNEL, LOAF, same, View.ABOVE, Shown())
    heights = sorted(s.v + s.aside_v for s in there.spots)
    assert all(b - a > 20 for a, b in pairwise(heights))
