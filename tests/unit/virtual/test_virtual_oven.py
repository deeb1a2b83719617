"""Ovens: control that cycles, a weak burner that shows, a load that cools, a door that chills."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.virtual.chamber import Chamber, ChamberSpec, DoorOpening
from ovenwright.virtual.network import Network, OnOff
from ovenwright.virtual.scenarios import ostrel_tunnel
from ovenwright.virtual.tunnel import Production, Spot, Tunnel, WeakBurner


def tunnel(**change: object) -> Tunnel:
    spec = replace(ostrel_tunnel(weak_share=1.0), **change)  # type: ignore[arg-type]
    return Tunnel(spec, rng=np.random.default_rng(1))


def air_over(
    oven: Tunnel, seconds: float, start_s: float = 0.0
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    rows = []
    for k in range(round(seconds / 2.0)):
        oven.step(start_s + 2.0 * k, 2.0)
        rows.append(oven.air_c.copy())
    return np.array(rows)


def test_network_holds_heat() -> None:
    """Three masses shut off from the room: their heat stays, and they end at its mean."""
    capacity = np.array([100.0, 200.0, 300.0])
    network = Network(capacity, [(0, 1, 5.0), (1, 2, 2.0)], np.zeros(3))
    temp = np.array([100.0, 40.0, 10.0])
    total = float(capacity @ temp)
    for _ in range(5000):
        temp = network.step(temp, np.zeros(3), 20.0, 2.0)
    assert float(capacity @ temp) == pytest.approx(total, rel=1e-9)
    assert temp == pytest.approx(total / capacity.sum(), rel=1e-6)


def test_network_cools_by_the_exponential() -> None:
    network = Network(np.array([1000.0]), [], np.array([10.0]))
    temp = np.array([100.0])
    for _ in range(10_000):
        temp = network.step(temp, np.zeros(1), 20.0, 0.01)
    assert float(temp[0]) == pytest.approx(20.0 + 80.0 * np.exp(-1.0), abs=0.01)
    with pytest.raises(OutOfRange):
        Network(np.array([0.0]), [], np.zeros(1))


def test_control_switches_at_the_edges_of_its_band() -> None:
    control = OnOff(np.array([200.0]), 4.0, 1e-3)
    for temp, expected in (
        (190.0, True),
        (201.0, True),
        (202.5, False),
        (199.0, False),
        (197.5, True),
    ):
        assert bool(control.step(np.array([temp]), 1.0)[0]) is expected


def test_zones_cycle_about_their_setpoints() -> None:
    oven = tunnel()
    oven.settle(0.0)
    air = air_over(oven, 1800.0)
    setpoints = np.array([z.setpoint_c for z in oven.spec.zones])
    assert air[:, :, 0].mean(axis=0) == pytest.approx(setpoints, abs=4.0)
    swing = np.ptp(air[:, 1, 0])
    assert 4.0 < swing < 20.0
    # on-off control: the mean is passed upwards again and again, every one to six minutes
    off = air[:, 1, 0] - air[:, 1, 0].mean()
    ups = np.flatnonzero((off[:-1] < 0) & (off[1:] >= 0))
    assert 60.0 < np.diff(ups).mean() * 2.0 < 360.0


def test_weak_burner_makes_its_own_side_cold() -> None:
    sound, weak = tunnel(), tunnel(weak=(WeakBurner("zone 3", "right", 0.2),))
    for oven in (sound, weak):
        oven.settle(0.0)
    even = air_over(sound, 1200.0).mean(axis=0)
    split = air_over(weak, 1200.0).mean(axis=0)
    assert np.abs(even[:, 0] - even[:, 1]).max() < 0.5
    difference = split[:, 0] - split[:, 1]
    assert difference[2] > 10.0
    assert np.all(difference[[0, 1, 3]] < 0.5 * difference[2])


def test_production_takes_heat_zone_after_zone() -> None:
    """The thermostat makes good what the load takes, so it is the burners that tell."""
    oven = tunnel(production=Production(from_s=0.0))
    oven.settle(-1800.0)

    def duty(from_s: float, to_s: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        calls = []
        for at in np.arange(from_s, to_s, 2.0):
            oven.step(float(at), 2.0)
            calls.append(oven.burners_on.astype(np.float64))
        return np.asarray(np.array(calls).mean(axis=0))

    quarter = oven.spec.bake_s / 4
    empty = duty(-1800.0, 0.0)
    duty(0.0, quarter)
    part = duty(quarter, 3 * quarter)  # the head of the train is on its way from zone 1 to zone 3
    full = duty(3 * quarter, 3 * quarter + 1800.0)
    assert part[0] > 1.3 * empty[0]
    assert part[3] == pytest.approx(empty[3], rel=0.25)
    assert full[3] > 1.3 * empty[3]


def test_outside_it_is_the_room_and_edges_are_soft() -> None:
    oven = tunnel(turbulence_k=0.0)
    spot = Spot.at([0.5])
    assert float(spot.air_c(oven.cut(-5.0))[0]) == pytest.approx(oven.spec.ambient_c, abs=0.01)
    assert float(spot.air_c(oven.cut(3.0))[0]) == pytest.approx(205.0, abs=0.1)
    edge = float(spot.air_c(oven.cut(6.0))[0])
    assert edge == pytest.approx(0.5 * (205.0 + 230.0), abs=0.2)


def test_tunnel_refuses_what_it_has_not() -> None:
    with pytest.raises(UnknownName, match="zone 9"):
        replace(ostrel_tunnel(), weak=(WeakBurner("zone 9", "left", 0.5),))
    with pytest.raises(OutOfRange):
        ostrel_tunnel(bake_min=-1.0)
    with pytest.raises(UnknownName):
        tunnel().zone_place_m("cellar")


def test_chamber_holds_its_setpoint_and_warm_air_rises() -> None:
    chamber = Chamber(ChamberSpec("box", 200.0, turbulence_k=0.0), rng=np.random.default_rng(1))
    chamber.settle()
    rows = []
    for k in range(1200):
        chamber.step(2.0 * k, 2.0)
        rows.append(chamber.felt()[0])
    mean = np.array(rows).mean(axis=0)
    assert mean.mean() == pytest.approx(200.0, abs=4.0)
    high = [i for i, p in enumerate(chamber.points) if p.z > 0.6]
    low = [i for i, p in enumerate(chamber.points) if p.z < 0.4]
    assert mean[high].mean() > mean[low].mean() + 0.5
    assert mean[chamber.index("centre")] == mean.max()


def test_open_door_chills_the_front_first_and_air_comes_back() -> None:
    spec = ChamberSpec("box", 200.0, doors=(DoorOpening(100.0, 60.0),), turbulence_k=0.0)
    chamber = Chamber(spec, rng=np.random.default_rng(1))
    chamber.settle()
    lowest = np.full(9, np.inf)
    for k in range(1, 900):
        chamber.step(2.0 * k, 2.0)
        lowest = np.minimum(lowest, chamber.felt()[0])
    front, back = chamber.index("front left low"), chamber.index("back left low")
    assert lowest[front] < 170.0
    assert lowest[front] < lowest[back] - 10.0
    assert chamber.felt()[0].mean() == pytest.approx(200.0, abs=5.0)
    with pytest.raises(UnknownName):
        chamber.index("attic")
