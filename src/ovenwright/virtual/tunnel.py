"""A tunnel oven: zones with burners left and right, a belt that carries the product through."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.virtual.network import Network, OnOff

Float = NDArray[np.float64]

LANES: dict[str, float] = {"left": 0.12, "centre": 0.5, "right": 0.88}
SIDES: tuple[str, str] = ("left", "right")


@dataclass(frozen=True, slots=True)
class ZoneSpec:
    """One zone: its length, setpoint, burners (each side), air movement and humidity."""

    name: str
    length_m: float
    setpoint_c: float
    burner_w: float = 22_000.0
    convection_w_m2_k: float = 12.0
    vapour_kpa: float = 12.0


@dataclass(frozen=True, slots=True)
class WeakBurner:
    """A burner that gives only a share of its power."""

    zone: str
    side: str
    share: float


@dataclass(frozen=True, slots=True)
class Production:
    """The other product on the belt, which cools the oven.

    ``from_s`` and ``to_s`` count from the test product's own entry; the train is endless either
    way when they are left alone.
    """

    per_m: float = 8.0
    w_k_each: float = 1.3
    from_s: float = -1e9
    to_s: float = 1e9
    start_c: float = 30.0
    end_c: float = 135.0


@dataclass(frozen=True, slots=True)
class TunnelSpec:
    """A tunnel oven. The thermostat of each zone sits on the left."""

    name: str
    zones: tuple[ZoneSpec, ...]
    belt_speed_m_min: float
    width_m: float = 2.0
    ambient_c: float = 26.0
    room_vapour_kpa: float = 1.4
    dead_band_k: float = 4.0
    sensor_lag_s: float = 12.0
    thermostat_left_share: float = 0.7
    weak: tuple[WeakBurner, ...] = ()
    production: Production | None = Production()
    edge_m: float = 0.4
    """Over how many metres one zone's air gives way to the next."""
    turbulence_k: float = 0.7
    turbulence_s: float = 5.0

    def __post_init__(self) -> None:
        if not self.zones:
            raise OutOfRange("tunnel.zones", got=0, expected="at least one zone")
        if not self.belt_speed_m_min > 0:
            raise OutOfRange(
                "tunnel.belt_speed_m_min", got=self.belt_speed_m_min, expected="above 0"
            )
        names = [z.name for z in self.zones]
        for weak in self.weak:
            if weak.zone not in names:
                raise UnknownName("zone", weak.zone, known=names)
            if weak.side not in SIDES:
                raise UnknownName("burner side", weak.side, known=SIDES)
            if not 0.0 <= weak.share <= 1.0:
                raise OutOfRange("weak.share", got=weak.share, expected="0 to 1")

    @property
    def length_m(self) -> float:
        """Length over all zones."""
        return sum(z.length_m for z in self.zones)

    @property
    def bake_s(self) -> float:
        """Time from mouth to exit."""
        return self.length_m / self.belt_speed_m_min * 60.0

    def zone_edges_m(self) -> Float:
        """Edges of the zones along the belt."""
        return np.concatenate(([0.0], np.cumsum([z.length_m for z in self.zones])))


# invented, of the size of a light industrial oven; per square metre of hearth
_AIR_J_M2_K = 3.0e3  # air with belt and light metal
_WALL_J_M2_K = 1.3e4  # what radiates: tubes, crown, plates
_AIR_WALL_W_M2_K = 34.0
_WALL_ROOM_W_M2_K = 1.3
_SPILL_W_M_K = 55.0  # per metre of width, between neighbouring zones
_ACROSS_W_M2_K = 10.0  # per square metre of hearth, left with right
_MOUTH_W_M_K = 35.0
_ROOM_W_M2_K = 8.0  # still air outside
_FLAME_TO_WALL = 0.55
_FLAME_LAG_S = 10.0


@dataclass(frozen=True, slots=True)
class Cut:
    """What is to be felt across one place on the belt: (2,) left and right, gusts by lane."""

    air_c: Float
    wall_c: Float
    gust_k: Float
    convection_w_m2_k: float
    vapour_pa: float


@dataclass(frozen=True, slots=True)
class Spot:
    """A place across the belt, 0 the left edge and 1 the right, as weights."""

    sides: Float  # (2, m)
    lanes: Float  # (lanes, m)

    @classmethod
    def at(cls, across: Sequence[float]) -> Spot:
        """Return the weights of places across the belt."""
        right = np.clip(0.05 + 0.9 * np.asarray(across, dtype=np.float64), 0.0, 1.0)
        lanes = np.array([np.interp(across, list(LANES.values()), row) for row in np.eye(3)])
        return cls(np.array([1.0 - right, right]), lanes)

    def air_c(self, cut: Cut) -> Float:
        """Air at the places, (m,)."""
        return np.asarray(cut.air_c @ self.sides + cut.gust_k @ self.lanes)

    def wall_c(self, cut: Cut) -> Float:
        """Walls as seen from the places, (m,)."""
        return np.asarray(cut.wall_c @ self.sides)


class Tunnel:
    """The oven's state: air and wall, a mass for each zone and side."""

    def __init__(self, spec: TunnelSpec, *, rng: np.random.Generator) -> None:
        self.spec = spec
        self._rng = rng
        n = len(spec.zones)
        self._n = n
        area = np.repeat([z.length_m * spec.width_m / 2.0 for z in spec.zones], 2)
        self._area = area
        links: list[tuple[int, int, float]] = []
        to_room = np.zeros(4 * n)
        for i in range(2 * n):
            links.append((i, 2 * n + i, _AIR_WALL_W_M2_K * area[i]))
            to_room[2 * n + i] = _WALL_ROOM_W_M2_K * area[i]
        for z in range(n):
            across = _ACROSS_W_M2_K * area[2 * z]
            links.append((2 * z, 2 * z + 1, across))
            links.append((2 * n + 2 * z, 2 * n + 2 * z + 1, 0.5 * across))
            for s in range(2):
                if z + 1 < n:
                    i, j = 2 * z + s, 2 * (z + 1) + s
                    spill = _SPILL_W_M_K * spec.width_m / 2.0
                    links.extend([(i, j, spill), (2 * n + i, 2 * n + j, 0.4 * spill)])
        for i in (0, 1, 2 * n - 2, 2 * n - 1):
            to_room[i] += _MOUTH_W_M_K * spec.width_m / 2.0
        self._network = Network(
            np.concatenate([_AIR_J_M2_K * area, _WALL_J_M2_K * area]), links, to_room
        )
        self._power = np.array([z.burner_w for z in spec.zones for _ in SIDES])
        names = [z.name for z in spec.zones]
        for weak in spec.weak:
            self._power[2 * names.index(weak.zone) + SIDES.index(weak.side)] *= weak.share
        setpoint = np.array([z.setpoint_c for z in spec.zones])
        self._control = OnOff(setpoint, spec.dead_band_k, spec.sensor_lag_s)
        self._flame = np.full(2 * n, 0.45)
        self.temp_c: Float = np.tile(np.repeat(setpoint, 2), 2)
        self._gust = np.zeros(len(LANES))
        self._edges = spec.zone_edges_m()
        p = spec.production or Production()
        middle = 0.5 * (self._edges[:-1] + self._edges[1:]) / self._edges[-1]
        self._product_c = np.repeat(p.start_c + (p.end_c - p.start_c) * np.sqrt(middle), 2)
        self._convection = np.array([z.convection_w_m2_k for z in spec.zones])
        self._vapour = np.array([z.vapour_kpa * 1e3 for z in spec.zones])

    @property
    def air_c(self) -> Float:
        """Air, (zones, 2) left and right."""
        return self.temp_c[: 2 * self._n].reshape(self._n, 2)

    @property
    def wall_c(self) -> Float:
        """Radiating walls, (zones, 2)."""
        return self.temp_c[2 * self._n :].reshape(self._n, 2)

    @property
    def burners_on(self) -> NDArray[np.bool_]:
        """Which zones' burners are called for."""
        return self._control.on

    def settle(self, since_entry_s: float, *, for_s: float = 2700.0, dt_s: float = 5.0) -> None:
        """Let the oven run in, up to the moment ``since_entry_s``."""
        steps = int(for_s / dt_s)
        for k in range(steps):
            self.step(since_entry_s - (steps - k) * dt_s, dt_s)

    def step(self, since_entry_s: float, dt_s: float) -> None:
        """Advance; ``since_entry_s`` counts from the test product's entry."""
        left = self.spec.thermostat_left_share
        felt = left * self.air_c[:, 0] + (1.0 - left) * self.air_c[:, 1]
        on = np.repeat(self._control.step(felt, dt_s), 2)
        self._flame = self._flame + (1.0 - math.exp(-dt_s / _FLAME_LAG_S)) * (on - self._flame)
        heat = self._power * self._flame
        load = self._load_w(since_entry_s)
        self.temp_c = self._network.step(
            self.temp_c,
            np.concatenate(
                [
                    (1.0 - _FLAME_TO_WALL) * heat - 0.35 * load,
                    _FLAME_TO_WALL * heat - 0.65 * load,
                ]
            ),
            self.spec.ambient_c,
            dt_s,
        )
        keep = math.exp(-dt_s / self.spec.turbulence_s)
        gust = self._rng.standard_normal(self._gust.size)
        self._gust = keep * self._gust + self.spec.turbulence_k * math.sqrt(1.0 - keep**2) * gust

    def _load_w(self, since_entry_s: float) -> Float:
        """Heat the production train takes from each zone and side, W."""
        p = self.spec.production
        if p is None:
            return np.zeros(2 * self._n)
        speed = self.spec.belt_speed_m_min / 60.0
        first = speed * (since_entry_s - p.from_s)  # where the head of the train is
        last = speed * (since_entry_s - p.to_s)
        head = np.minimum(first, self._edges[1:])
        tail = np.maximum(last, self._edges[:-1])
        filled = np.maximum(head - tail, 0.0)
        each = np.repeat(filled * p.per_m * p.w_k_each / 2.0, 2)
        surround = 0.35 * self.air_c.ravel() + 0.65 * self.wall_c.ravel()
        return np.asarray(each * (surround - self._product_c))

    # -- what is felt on the belt -------------------------------------------------------------

    def cut(self, x_m: float) -> Cut:
        """Cut across the oven at a place on the belt; outside it is the room that is felt."""
        half = 0.5 * self.spec.edge_m
        rising = 1.0 / (1.0 + np.exp(np.clip((self._edges - x_m) / half, -60.0, 60.0)))
        share = rising[:-1] - rising[1:]
        room = 1.0 - float(share.sum())
        outside = room * self.spec.ambient_c
        return Cut(
            air_c=share @ self.air_c + outside,
            wall_c=share @ self.wall_c + outside,
            gust_k=self._gust * (1.0 - room),
            convection_w_m2_k=float(share @ self._convection) + room * _ROOM_W_M2_K,
            vapour_pa=float(share @ self._vapour) + room * self.spec.room_vapour_kpa * 1e3,
        )

    def zone_place_m(self, zone: str) -> float:
        """Middle of a zone.

        Raises
        ------
        UnknownName : if the oven has no such zone
        """
        names = [z.name for z in self.spec.zones]
        if zone not in names:
            raise UnknownName("zone", zone, known=names)
        i = names.index(zone)
        return float(0.5 * (self._edges[i] + self._edges[i + 1]))
