"""Whatever the readings look like, every measure answers: a number with draws, or a reason."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ovenwright.analysis.registry import declared_measures
from ovenwright.domain.results import Results
from ovenwright.domain.run import MarkKind, Role

Make = Callable[..., Any]
CHAMBER: dict[str, Any] = {
    "kind": "chamber", "name": "c", "width_m": 1.0, "depth_m": 1.0, "height_m": 1.0,
    "setpoint_c": 60.0,
}  # fmt: skip
BODY = {"mass_kg": 0.2, "heat_capacity_j_kg_k": 900.0, "area_m2": 0.01}
ROLES = (Role.CORE, Role.CORE, Role.AIR, Role.AIR, Role.SURFACE, Role.BODY)
NUMBERS = {"level_c": 60.0, "low_c": 50.0, "high_c": 70.0, "from_c": 50.0, "to_c": 70.0}


def every_requirement() -> list[dict[str, Any]]:
    wishes = []
    for name, measure in declared_measures().items():
        parameters: dict[str, float | str] = {}
        for p in measure.parameters:
            if p.kind.value == "kinetics id":
                parameters[p.name] = {"extent": "colour", "pasteurisation_units": "pu_beer"}.get(
                    name, "bug"
                )
            elif p.kind.value == "table id":
                parameters[p.name] = "table"
            elif p.required:
                parameters[p.name] = NUMBERS[p.name]
        if name == "cooling_rate":
            parameters = {"from_c": 70.0, "to_c": 50.0}
        wishes.append({"name": name, "measure": name, "parameters": parameters, "at_least": 0.0})
    return wishes


def sound(results: Results) -> None:
    assert len(results.by_requirement) == len(declared_measures())
    for found in results.by_requirement:
        assert found
        for result in found:
            if math.isnan(result.value):
                assert result.reason, result.measure
            else:
                assert result.samples.size, result.measure
                assert not np.isnan(result.samples).any(), result.measure
            if math.isinf(result.value):
                assert result.reason, result.measure


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    seed=st.integers(0, 10_000),
    n=st.sampled_from([1, 2, 3, 9, 40, 300]),
    lost=st.sampled_from([0.0, 0.1, 0.6, 1.0]),
    shape=st.sampled_from(["ramp", "flat", "noise", "bake"]),
    chamber=st.booleans(),
    load=st.sampled_from([(0.1, 0.9), (0.0, 1.0), (0.5, 0.5), (0.9, 0.1), (-1.0, 3.0), (2.0, 3.0)]),
)
def test_every_measure_answers(
    *,
    bench: Make,
    seed: int,
    n: int,
    lost: float,
    shape: str,
    chamber: bool,
    load: tuple[float, float],
) -> None:
    rng = np.random.default_rng(seed)
    run = bench(float(n - 1))
    t = run.time_s / max(n - 1, 1)
    for k, role in enumerate(ROLES):
        curve = {
            "ramp": 20.0 + 100.0 * t,
            "flat": np.full(n, 60.0),
            "noise": 60.0 + 20.0 * rng.standard_normal(n),
            "bake": 20.0 + 240.0 * np.sin(np.pi * t) ** 2,
        }[shape] + 0.1 * k
        gone = rng.random(n) < lost
        if lost == 0.1 and n > 10:
            gone[:] = False
            gone[n // 3 : n // 2] = True
        curve = np.where(gone, np.nan, curve)
        facts: dict[str, Any] = {"place": {"lane": ("left", "right")[k % 2]}}
        if role is Role.BODY:
            facts["body"] = BODY
        run.add(f"{role.value} {k}", curve, role, **facts)
        run.error(f"{role.value} {k}", 0.3).error(f"{role.value} {k}", 0.2, source="j", module="m")
        run.noise_k[f"{role.value} {k}"] = float(rng.choice([0.0, 0.1]))
        run.lag_s[f"{role.value} {k}"] = float(rng.choice([np.nan, 3.0]))
    run.mark(MarkKind.DOOR, 0.5 * (n - 1))
    extra: dict[str, Any] = {"oven": CHAMBER} if chamber else {}
    results = run.results(
        every_requirement(), draws=200, load=(load[0] * (n - 1), load[1] * (n - 1)),
        product={"name": "x", "moisture": 0.4, "end_moisture": 0.3}, **extra,
    )  # fmt: skip
    sound(results)
