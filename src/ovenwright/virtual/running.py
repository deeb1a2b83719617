"""Run a scenario: all at once into a recording, or scan by scan."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.virtual.faults import Planted
from ovenwright.virtual.instrument import Instrument, Marks
from ovenwright.virtual.recording import Recording, ZoneSpan
from ovenwright.virtual.scenario import Scenario
from ovenwright.virtual.stage import Stage, set_stage
from ovenwright.virtual.touching import BenchSpec
from ovenwright.virtual.tunnel import TunnelSpec

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scan:
    """One scan: readings (c,) °C, marks (c,), reference junctions (m,) °C, and the truth (c,).

    ``tip_c`` is what there is to feel where each sensor really sits, ``ideal_c`` the same where it
    was meant to sit; on a bench both are the sensor's own temperature.
    """

    time_s: float
    reading_c: Float
    mark: Marks
    reference_c: Float
    tip_c: Float
    ideal_c: Float


class _Junctions:
    """Slow junctions: first order, exact while what they feel moves in a straight line."""

    def __init__(self, time_constant_s: Float, dt_s: float, felt_c: Float) -> None:
        tau = np.maximum(time_constant_s, 1e-9)
        self._keep = np.exp(-dt_s / tau)
        self._follow = 1.0 - (1.0 - self._keep) * tau / dt_s
        self._felt = felt_c
        self.temp_c = felt_c.copy()

    def step(self, felt_c: Float) -> Float:
        rise = felt_c - self._felt
        self.temp_c = (
            self._keep * self.temp_c + (1.0 - self._keep) * self._felt + self._follow * rise
        )
        self._felt = felt_c
        return self.temp_c


def planted_in(scenario: Scenario, *, seed: int = 1) -> tuple[Planted, ...]:
    """Return everything that is wrong on purpose, without running the scenario."""
    return _instrument(scenario, seed).planted()


def _instrument(scenario: Scenario, seed: int) -> Instrument:
    return Instrument(
        scenario.sensors,
        scenario.modules,
        scenario.faults,
        seed=seed,
        end_s=(scenario.scans - 1) * scenario.interval_s,
        interval_s=scenario.interval_s,
    )


def _start(scenario: Scenario, seed: int) -> tuple[Stage, Instrument, _Junctions]:
    stage = set_stage(scenario, seed=seed)
    instrument = _instrument(scenario, seed)
    # on a bench finger, room and leads act on the junction itself: the stage has it already
    bench = isinstance(scenario.oven, BenchSpec)
    slow = np.array([0.0 if bench else s.time_constant_s for s in scenario.sensors])
    return stage, instrument, _Junctions(slow, scenario.step_s, stage.tips()[2])


def record(scenario: Scenario, *, seed: int = 1) -> Recording:
    """Run a scenario to its end.

    Parameters
    ----------
    scenario : see ``ovenwright.virtual.scenarios`` for ready ones
    seed : decides every draw: class errors, noise, gusts, bursts; same seed, same recording

    Returns
    -------
    Recording : readings with the truth beside them
    """
    stage, instrument, junctions = _start(scenario, seed)
    per_scan = round(scenario.interval_s / scenario.step_s)
    steps = (scenario.scans - 1) * per_scan
    count = len(scenario.sensors)
    fine = np.asarray(np.arange(steps + 1) * scenario.step_s, dtype=np.float64)
    tip, ideal, junction = (np.empty((steps + 1, count)) for _ in range(3))
    air = np.empty((steps + 1, len(stage.air_names)))
    first = stage.inside()
    middle, coldest = (np.empty((steps + 1, f.size)) for f in first)
    for k in range(steps + 1):
        if k:
            stage.step(float(fine[k]))
        tip[k], ideal[k], acting = stage.tips()
        junction[k] = junctions.step(acting) if k else junctions.temp_c
        air[k] = stage.oven_air()
        middle[k], coldest[k] = stage.inside()
    time_s = fine[::per_scan]
    reading, mark, shown = instrument.read(time_s, junction[::per_scan])
    return Recording(
        scenario=scenario,
        seed=seed,
        channels=scenario.sensors,
        modules=tuple(m.name for m in scenario.modules),
        time_s=time_s,
        reading_c=reading,
        mark=mark,
        reference_c=shown,
        reference_true_c=instrument.terminals_c(time_s),
        fine_time_s=fine,
        tip_c=tip,
        ideal_c=ideal,
        junction_c=junction,
        oven_air_c=air,
        oven_air_names=stage.air_names,
        load_in_s=scenario.lead_s,
        load_out_s=scenario.load_out_s,
        zones=zone_spans(scenario),
        products=stage.products((middle, coldest)),
        planted=instrument.planted(),
        class_errors=instrument.class_errors,
        reference_error_k=tuple(
            float(e) for e in (shown - instrument.terminals_c(time_s)).mean(axis=0)
        ),
        boiling_c=stage.boiling_c,
    )


def iterate(scenario: Scenario, *, seed: int = 1) -> Iterator[Scan]:
    """Run a scenario scan by scan; the same numbers as :func:`record` gives."""
    stage, instrument, junctions = _start(scenario, seed)
    per_scan = round(scenario.interval_s / scenario.step_s)
    for scan in range(scenario.scans):
        for part in range(per_scan if scan else 0):
            stage.step(((scan - 1) * per_scan + part + 1) * scenario.step_s)
            junctions.step(stage.tips()[2])
        time_s = np.array([scan * scenario.interval_s])
        reading, mark, shown = instrument.read(time_s, junctions.temp_c[None, :])
        tip, ideal, _ = stage.tips()
        yield Scan(float(time_s[0]), reading[0], mark[0], shown[0], tip.copy(), ideal.copy())


def zone_spans(scenario: Scenario) -> tuple[ZoneSpan, ...]:
    """Return when the test product is in each zone, in record time; none in a chamber."""
    oven = scenario.oven
    if not isinstance(oven, TunnelSpec):
        return ()
    at = scenario.lead_s + oven.zone_edges_m() / (oven.belt_speed_m_min / 60.0)
    return tuple(
        ZoneSpan(z.name, float(at[i]), float(at[i + 1]), z.setpoint_c)
        for i, z in enumerate(oven.zones)
    )
