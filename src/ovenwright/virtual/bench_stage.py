"""A bench in a room, one step at a time: what the running of a scenario asks of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ovenwright.virtual.instrument import stream
from ovenwright.virtual.recording import ProductTruth
from ovenwright.virtual.scenario import Scenario
from ovenwright.virtual.touching import BenchSpec, TouchBench
from ovenwright.virtual.water import boiling_point_c

Float = NDArray[np.float64]


class BenchStage:
    """Sensors side by side in room air, warmed one after another by hand, or all in one bath."""

    def __init__(self, scenario: Scenario, spec: BenchSpec, *, seed: int) -> None:
        self.boiling_c = boiling_point_c(scenario.pressure_kpa)
        self.air_names: tuple[str, ...] = ("room",)
        self._room = np.array([spec.ambient_c])
        self._dt = scenario.step_s
        bench = TouchBench(
            [s.name for s in scenario.sensors],
            [s.time_constant_s for s in scenario.sensors],
            interval_s=scenario.step_s,
            room_c=self._about_c(spec),
            finger_c=spec.finger_c,
            contact=spec.contact,
            neighbour=spec.neighbour,
            draught_k=spec.draught_k,
            draught_s=spec.draught_s,
        )
        last_s = (scenario.scans - 1) * scenario.interval_s
        _, still = bench.still(spec.touches, until_s=last_s + 1.5 * scenario.step_s)
        self._all = still + bench.draught(still.shape, stream(seed, "draught"))
        self._now = self._all[0]

    def _about_c(self, spec: BenchSpec) -> float:
        """Return what the sensors lie or hang in: melting ice defines 0 °C."""
        return {"ice": 0.0, "boiling": self.boiling_c}.get(spec.bath, spec.ambient_c)

    def step(self, time_s: float) -> None:
        """See :class:`~ovenwright.virtual.stage.Stage`."""
        self._now = self._all[round(time_s / self._dt)]

    def tips(self) -> tuple[Float, Float, Float]:
        """Return the sensors' own temperatures: what else there is to feel depends on them."""
        return self._now, self._now, self._now

    def oven_air(self) -> Float:
        """Return the room's air."""
        return self._room

    def inside(self) -> tuple[Float, Float]:
        """There is no product."""
        return np.zeros(0), np.zeros(0)

    def products(self, inside: tuple[Float, Float]) -> tuple[ProductTruth, ...]:
        """There is no product."""
        del inside
        return ()
