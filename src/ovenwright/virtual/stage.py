"""Oven, product and sensor tips together, one physics step at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange
from ovenwright.virtual.bench_stage import BenchStage
from ovenwright.virtual.body import Bodies, BodySpec
from ovenwright.virtual.chamber import Chamber, ChamberSpec
from ovenwright.virtual.face import Around
from ovenwright.virtual.instrument import stream
from ovenwright.virtual.lumps import Block, Plates, PlateSpec
from ovenwright.virtual.recording import ProductTruth
from ovenwright.virtual.scenario import Scenario, SensorSpec
from ovenwright.virtual.touching import BenchSpec
from ovenwright.virtual.tunnel import LANES, Cut, Spot, Tunnel, TunnelSpec
from ovenwright.virtual.water import boiling_point_c

Float = NDArray[np.float64]
Feel = Callable[[], float]

_BELT_COOLER_K = 12.0  # the belt comes back from outside and stays a little colder


class Stage(Protocol):
    """What the running of a scenario needs of an oven with its product."""

    boiling_c: float
    air_names: tuple[str, ...]

    def step(self, time_s: float) -> None:
        """Advance to ``time_s``, one step after the last."""

    def tips(self) -> tuple[Float, Float, Float]:
        """Return what there is to feel where sensors sit, where they should, and what acts."""

    def oven_air(self) -> Float:
        """Return the oven's own air."""

    def inside(self) -> tuple[Float, Float]:
        """Return the middle and the coldest temperature of each product."""

    def products(self, inside: tuple[Float, Float]) -> tuple[ProductTruth, ...]:
        """Return each product's truth, given the histories of :meth:`inside`."""


def set_stage(scenario: Scenario, *, seed: int) -> Stage:
    """Return the stage a scenario needs, run in and ready at time 0."""
    if isinstance(scenario.oven, TunnelSpec):
        return TunnelStage(scenario, scenario.oven, seed=seed)
    if isinstance(scenario.oven, BenchSpec):
        return BenchStage(scenario, scenario.oven, seed=seed)
    return ChamberStage(scenario, scenario.oven, seed=seed)


class TunnelStage:
    """A belt carries bodies, a reference body and travelling sensors through a tunnel."""

    def __init__(self, scenario: Scenario, oven: TunnelSpec, *, seed: int) -> None:
        self._scenario = scenario
        self._dt = scenario.step_s
        self.boiling_c = boiling_point_c(scenario.pressure_kpa)
        self._oven = Tunnel(oven, rng=stream(seed, "gusts"))
        self._oven.settle(-scenario.lead_s)
        self.air_names = tuple(f"{z.name} {side}" for z in oven.zones for side in ("left", "right"))
        product = scenario.product if isinstance(scenario.product, BodySpec) else None
        used = {s.lane for s in scenario.sensors if s.role in ("core", "surface")}
        self._lanes = [lane for lane in LANES if lane in used]
        self._spots = Spot.at([LANES[lane] for lane in self._lanes])
        self._bodies = (
            Bodies(product, len(self._lanes), pressure_kpa=scenario.pressure_kpa)
            if product is not None and self._lanes
            else None
        )
        self._mass = self._bodies.mass_kg if self._bodies is not None else np.zeros(0)
        self._blocks = {
            s.lane: Block(scenario.block, oven.ambient_c)
            for s in scenario.sensors
            if s.role == "body"
        }
        self._block_spots = {lane: Spot.at([LANES[lane]]) for lane in self._blocks}
        self._x = -oven.belt_speed_m_min / 60.0 * scenario.lead_s
        self._cut = self._oven.cut(self._x)
        self._middle = self._middle_weights()
        self._ahead_s = 0.0
        self._body_readers: list[Feel] = []
        sensors = scenario.sensors
        self._feel = [self._feeler(s, real=True) for s in sensors]
        self._meant = {
            i: self._feeler(s, real=False)
            for i, s in enumerate(sensors)
            if (s.off_r_m, s.off_z_m, s.off_lane) != (0.0, 0.0, 0.0)
        }
        self._acts = {
            i: self._mixed(s, self._feel[i])
            for i, s in enumerate(sensors)
            if s.role == "air" and s.wall_share > 0.0
        }
        self._before = self._after = self._read_bodies()
        self._now = self._after

    def step(self, time_s: float) -> None:
        """Advance oven, bodies and blocks.

        Bodies take longer steps than the oven: they go ahead in the surroundings of the moment,
        and are read by straight lines between.
        """
        since = time_s - self._scenario.lead_s
        self._oven.step(since, self._dt)
        self._x = self._oven.spec.belt_speed_m_min / 60.0 * since
        self._cut = self._oven.cut(self._x)
        if self._bodies is not None:
            long_s = self._scenario.product_step_s
            if time_s > self._ahead_s + 1e-9:
                self._bodies.step(long_s, self._around_lanes())
                self._before, self._after = self._after, self._read_bodies()
                self._ahead_s += long_s
            share = 1.0 - (self._ahead_s - time_s) / long_s
            self._now = self._before + share * (self._after - self._before)
        for lane, block in self._blocks.items():
            spot = self._block_spots[lane]
            air, wall = float(spot.air_c(self._cut)[0]), float(spot.wall_c(self._cut)[0])
            block.step(air, wall, self._cut.convection_w_m2_k, self._dt)

    def _around_lanes(self) -> Around:
        cut = self._cut
        air, wall = self._spots.air_c(cut), self._spots.wall_c(cut)
        return Around(
            air,
            wall,
            np.full(air.size, cut.convection_w_m2_k),
            np.full(air.size, cut.vapour_pa),
            np.maximum(air - _BELT_COOLER_K, self._oven.spec.ambient_c),
        )

    def tips(self) -> tuple[Float, Float, Float]:
        """See :class:`Stage`."""
        felt = _feel_all(self._feel)
        meant, acts = felt.copy(), felt.copy()
        for i, feel in self._meant.items():
            meant[i] = feel()
        for i, feel in self._acts.items():
            acts[i] = feel()
        return felt, meant, acts

    def oven_air(self) -> Float:
        """See :class:`Stage`."""
        return np.asarray(self._oven.air_c.ravel())

    def inside(self) -> tuple[Float, Float]:
        """See :class:`Stage`."""
        n = len(self._lanes) if self._bodies is not None else 0
        at = len(self._body_readers)
        return self._now[at : at + n], self._now[at + n : at + 2 * n]

    def products(self, inside: tuple[Float, Float]) -> tuple[ProductTruth, ...]:
        """See :class:`Stage`."""
        bodies = self._bodies
        if bodies is None:
            return ()
        error = bodies.energy_residual_j()
        return tuple(
            ProductTruth(
                place=lane,
                mass_start_kg=float(self._mass[i]),
                mass_end_kg=float(bodies.mass_kg[i]),
                water_lost_kg=float(bodies.vapour_kg[i]),
                heat_taken_j=float(bodies.heat_in_j[i]),
                energy_error=float(error[i] / bodies.heat_in_j[i]),
                centre_c=inside[0][:, i],
                coldest_c=inside[1][:, i],
            )
            for i, lane in enumerate(self._lanes)
        )

    def _feeler(self, s: SensorSpec, *, real: bool) -> Feel:
        oven = self._oven
        if s.role == "ambient":
            return lambda: oven.spec.ambient_c
        if s.role == "body":
            block = self._blocks[s.lane]
            return lambda: block.temp_c
        if s.role in ("air", "wall"):
            spot = Spot.at([LANES[s.lane] + (s.off_lane if real else 0.0)])
            at = self._cutter(s)
            if s.role == "air":
                return lambda: float(spot.air_c(at())[0])
            return lambda: float(spot.wall_c(at())[0])
        bodies = self._bodies
        if bodies is None:
            raise OutOfRange(f"{s.name}: role", got=s.role, expected="a product in the scenario")
        lane = self._lanes.index(s.lane)
        cells = bodies.cells
        r = s.r_m + (s.off_r_m if real else 0.0)
        z = s.height_share * float(cells.z_edge[-1]) + (s.off_z_m if real else 0.0)
        if s.role == "surface":
            along, grid = (z, cells.z) if s.face == "side" else (r, cells.r)
            return self._later(
                lambda: float(np.interp(along, grid, bodies.surface_c(s.face)[lane]))
            )
        flat, share = cells.weights(abs(r), z)
        return self._later(lambda: float(bodies.temp_c[lane].ravel()[flat] @ share))

    def _middle_weights(self) -> tuple[NDArray[np.int64], Float]:
        if self._bodies is None:
            return np.zeros(0, dtype=np.int64), np.zeros(0)
        cells = self._bodies.cells
        return cells.weights(0.0, 0.5 * float(cells.z_edge[-1]))

    def _read_bodies(self) -> Float:
        """Return what body sensors feel, then each body's middle and coldest temperature."""
        if self._bodies is None:
            return np.zeros(0)
        field = self._bodies.temp_c.reshape(self._bodies.count, -1)
        flat, share = self._middle
        felt = _feel_all(self._body_readers)
        return np.concatenate([felt, field[:, flat] @ share, field.min(axis=1)])

    def _later(self, reader: Feel) -> Feel:
        """Register a reader of the bodies; return how it is read between their steps."""
        self._body_readers.append(reader)
        at = len(self._body_readers) - 1
        return lambda: float(self._now[at])

    def _cutter(self, s: SensorSpec) -> Callable[[], Cut]:
        """Cut where the sensor is: with the product, or fixed in its zone."""
        if not s.zone:
            return lambda: self._cut
        fixed = self._oven.zone_place_m(s.zone)
        return lambda: self._oven.cut(fixed)

    def _mixed(self, s: SensorSpec, feel: Feel) -> Feel:
        spot = Spot.at([LANES[s.lane] + s.off_lane])
        at = self._cutter(s)
        share = s.wall_share
        return lambda: (1.0 - share) * feel() + share * float(spot.wall_c(at())[0])


class ChamberStage:
    """Brackets go into a chamber and come out, or sensors in it survey its air."""

    def __init__(self, scenario: Scenario, oven: ChamberSpec, *, seed: int) -> None:
        self._scenario = scenario
        self._dt = scenario.step_s
        self.boiling_c = boiling_point_c(scenario.pressure_kpa)
        self._oven = Chamber(oven, rng=stream(seed, "gusts"))
        self._oven.settle()
        self.air_names = tuple(p.name for p in self._oven.points)
        self._count = len(self.air_names)
        product = scenario.product if isinstance(scenario.product, PlateSpec) else None
        self._plates = Plates(product, self._count) if product is not None else None
        self._blocks = {
            s.point: Block(scenario.block, oven.ambient_c)
            for s in scenario.sensors
            if s.role == "body"
        }
        for s in scenario.sensors:
            if (s.off_r_m, s.off_z_m, s.off_lane) != (0.0, 0.0, 0.0):
                raise OutOfRange(
                    f"{s.name}: off_…",
                    got="not 0",
                    expected="0 in a chamber",
                    remedy="give it another point",
                )
        self._in = product is None
        self._air, self._wall = self._around()
        self._feel = [self._feeler(s) for s in scenario.sensors]

    def step(self, time_s: float) -> None:
        """Advance chamber, brackets and blocks."""
        s = self._scenario
        within = s.lead_s < time_s <= s.load_out_s
        h = np.full(self._count, self._oven.spec.convection_w_m2_k if within else 8.0)
        load = None
        if self._plates is not None:
            self._in = within
            taken = self._plates.step(self._air, self._wall, h, self._dt)
            load = taken if within else None
        # without product the heater is switched on at lead_s and off when the survey ends
        heats = within or self._plates is not None or self._oven.spec.preheated
        self._oven.step(time_s, self._dt, load, enabled=heats)
        self._air, self._wall = self._around()
        for point, block in self._blocks.items():
            i = self._oven.index(point)
            block.step(float(self._air[i]), float(self._wall[i]), float(h[i]), self._dt)

    def _around(self) -> tuple[Float, Float]:
        if self._in:
            return self._oven.felt()
        room = np.full(self._count, self._oven.spec.ambient_c)
        return room, room

    def tips(self) -> tuple[Float, Float, Float]:
        """See :class:`Stage`."""
        felt = _feel_all(self._feel)
        acts = felt.copy()
        for i, s in enumerate(self._scenario.sensors):
            if s.role == "air" and s.wall_share > 0.0:
                wall = float(self._wall[self._oven.index(s.point)])
                acts[i] += s.wall_share * (wall - felt[i])
        return felt, felt, acts

    def oven_air(self) -> Float:
        """See :class:`Stage`."""
        return self._oven.felt()[0]

    def inside(self) -> tuple[Float, Float]:
        """See :class:`Stage`."""
        if self._plates is None:
            return np.zeros(0), np.zeros(0)
        field = self._plates.temp_c
        return field[:, field.shape[1] // 2], field.min(axis=1)

    def products(self, inside: tuple[Float, Float]) -> tuple[ProductTruth, ...]:
        """See :class:`Stage`."""
        plates = self._plates
        if plates is None:
            return ()
        gained = plates.stored_j() - Plates(plates.spec, self._count).stored_j()
        return tuple(
            ProductTruth(
                place=name,
                mass_start_kg=plates.spec.mass_kg,
                mass_end_kg=plates.spec.mass_kg,
                water_lost_kg=0.0,
                heat_taken_j=float(plates.heat_in_j[i]),
                energy_error=float(
                    (plates.heat_in_j[i] - gained[i]) / max(abs(float(plates.heat_in_j[i])), 1.0)
                ),
                centre_c=inside[0][:, i],
                coldest_c=inside[1][:, i],
            )
            for i, name in enumerate(self.air_names)
        )

    def _feeler(self, s: SensorSpec) -> Feel:
        oven = self._oven
        if s.role == "ambient":
            return lambda: oven.spec.ambient_c
        if s.role == "body":
            block = self._blocks[s.point]
            return lambda: block.temp_c
        i = oven.index(s.point)
        if s.role == "air":
            return lambda: float(self._air[i])
        if s.role == "wall":
            return lambda: float(self._wall[i])
        plates = self._plates
        if plates is None:
            raise OutOfRange(f"{s.name}: role", got=s.role, expected="brackets in the scenario")
        if not 0 <= s.piece < len(plates.spec.thickness_m):
            raise OutOfRange(
                f"{s.name}: piece", got=s.piece,
                expected=f"0 to {len(plates.spec.thickness_m) - 1}",
            )  # fmt: skip
        return lambda: float(plates.temp_c[i, s.piece])


def _feel_all(feel: list[Feel]) -> Float:
    return np.array([f() for f in feel])
