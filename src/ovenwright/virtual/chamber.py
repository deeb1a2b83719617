"""A batch chamber: heater, fan, door, walls, and the air at points of its working space."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.virtual.network import Network, OnOff

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Point:
    """A point of the working space in shares of width, depth (0 the door) and height."""

    name: str
    x: float
    y: float
    z: float


def nine_points() -> tuple[Point, ...]:
    """Eight corners of the working space and its centre."""
    corners = tuple(
        Point(f"{front} {side} {level}", x, y, z)
        for level, z in (("low", 0.1), ("high", 0.9))
        for front, y in (("front", 0.1), ("back", 0.9))
        for side, x in (("left", 0.1), ("right", 0.9))
    )
    return (*corners, Point("centre", 0.5, 0.5, 0.5))


@dataclass(frozen=True, slots=True)
class DoorOpening:
    """The door stands open from ``at_s`` (record time) for ``for_s``."""

    at_s: float
    for_s: float


@dataclass(frozen=True, slots=True)
class ChamberSpec:
    """A batch oven. ``fan`` 1 is full circulation, 0 none."""

    name: str
    setpoint_c: float
    width_m: float = 1.2
    depth_m: float = 1.4
    height_m: float = 1.6
    points: tuple[Point, ...] = ()
    fan: float = 0.8
    stratification_k: float = 6.0
    heater_w: float = 14_000.0
    low_stage: float = 0.5
    """Share of the power the heater has once within ``stage_k`` of the setpoint."""
    stage_k: float = 8.0
    dead_band_k: float = 1.5
    sensor_lag_s: float = 6.0
    ambient_c: float = 24.0
    doors: tuple[DoorOpening, ...] = ()
    preheated: bool = True
    convection_w_m2_k: float = 32.0
    turbulence_k: float = 0.35
    turbulence_s: float = 6.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.fan <= 1.0:
            raise OutOfRange("chamber.fan", got=self.fan, expected="0 to 1")
        for name in ("width_m", "depth_m", "height_m", "heater_w", "dead_band_k"):
            if not getattr(self, name) > 0:
                raise OutOfRange(f"chamber.{name}", got=getattr(self, name), expected="above 0")

    def all_points(self) -> tuple[Point, ...]:
        """Return the points given, or corners and centre."""
        return self.points or nine_points()


_ELEMENT_LAG_S = 10.0


class Chamber:
    """The chamber's state: heated supply air, then air and wall at each point."""

    def __init__(self, spec: ChamberSpec, *, rng: np.random.Generator) -> None:
        self.spec = spec
        self._rng = rng
        self.points = spec.all_points()
        n = len(self.points)
        self._n = n
        volume = spec.width_m * spec.depth_m * spec.height_m
        surface = 2.0 * (
            spec.width_m * spec.depth_m
            + spec.width_m * spec.height_m
            + spec.depth_m * spec.height_m
        )
        place = np.array([(p.x, p.y, p.z) for p in self.points])
        self._height = place[:, 2]
        # a corner sees three cold walls and little air
        outer = (np.abs(place - 0.5) > 0.3).sum(axis=1)
        loss = 0.7 + 0.22 * outer
        swept = 1.06 - 0.04 * outer
        nearness = np.clip(1.0 - place[:, 1], 0.05, 1.0)  # to the door
        area = surface / n
        air = 1 + np.arange(n)
        wall = 1 + n + np.arange(n)
        flow = (20.0 + 130.0 * spec.fan) * volume / n  # W/K that the circulation carries
        links = [(0, int(i), float(flow * f)) for i, f in zip(air, swept, strict=True)]
        links += [(int(i), int(j), 9.0 * area) for i, j in zip(air, wall, strict=True)]
        to_room = np.zeros(1 + 2 * n)
        to_room[wall] = 1.1 * area * loss
        to_room[air] = 0.25 * area * nearness  # leaks at the door's seal
        capacity = np.concatenate(
            [[4.0e3 * volume], np.full(n, 6.0e3 * volume / n), np.full(n, 0.9e4 * area)]
        )
        self._shut = Network(capacity, links, to_room)
        opened = to_room.copy()
        opened[air] += 55.0 * volume / n * nearness * 2.0
        self._open = Network(capacity, links, opened)
        self._control = OnOff(np.array([spec.setpoint_c]), spec.dead_band_k, spec.sensor_lag_s)
        start = spec.setpoint_c if spec.preheated else spec.ambient_c
        self.temp_c: Float = np.full(1 + 2 * n, float(start))
        self._flame = 0.3
        self._gust = np.zeros(n)
        self.door_open = False

    def settle(self, *, for_s: float = 5400.0, dt_s: float = 4.0) -> None:
        """Let a preheated chamber run in, empty and shut."""
        if self.spec.preheated:
            for _ in range(int(for_s / dt_s)):
                self.step(-1e9, dt_s)

    def step(
        self, time_s: float, dt_s: float, load_w: Float | None = None, *, enabled: bool = True
    ) -> None:
        """Advance; ``load_w`` (points,) is what the product takes at each point."""
        n = self._n
        self.door_open = any(d.at_s <= time_s < d.at_s + d.for_s for d in self.spec.doors)
        felt = 0.3 * self.temp_c[0] + 0.7 * float(self.temp_c[1 : 1 + n].mean())
        on = bool(self._control.step(np.array([felt]), dt_s)[0]) and enabled and not self.door_open
        short = self.spec.setpoint_c - float(self._control.sensed_c[0])
        stage = 1.0 if short > self.spec.stage_k else self.spec.low_stage
        self._flame += (1.0 - math.exp(-dt_s / _ELEMENT_LAG_S)) * (stage * on - self._flame)
        heat = np.zeros(1 + 2 * n)
        heat[0] = self.spec.heater_w * self._flame
        if load_w is not None:
            heat[1 : 1 + n] -= 0.6 * load_w
            heat[1 + n :] -= 0.4 * load_w
        network = self._open if self.door_open else self._shut
        self.temp_c = network.step(self.temp_c, heat, self.spec.ambient_c, dt_s)
        keep = math.exp(-dt_s / self.spec.turbulence_s)
        gust = self._rng.standard_normal(n)
        self._gust = keep * self._gust + self.spec.turbulence_k * math.sqrt(1.0 - keep**2) * gust

    def felt(self) -> tuple[Float, Float]:
        """Air and wall at the points, with warm air lying above cold."""
        n = self._n
        air = self.temp_c[1 : 1 + n]
        warmth = (air - self.spec.ambient_c) / 180.0
        lift = self.spec.stratification_k * (1.0 - 0.8 * self.spec.fan) * (self._height - 0.5)
        return air + lift * warmth + self._gust * np.clip(warmth, 0.0, 1.2), self.temp_c[1 + n :]

    def index(self, point: str) -> int:
        """Return the place of a point by name.

        Raises
        ------
        UnknownName : if there is no such point
        """
        names = [p.name for p in self.points]
        if point not in names:
            raise UnknownName("chamber point", point, known=names)
        return names.index(point)
