"""Uniformity survey, cycling, reference body and heat."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from ovenwright.domain.run import MarkKind, Role

Make = Callable[..., Any]
CHAMBER: dict[str, Any] = {
    "kind": "chamber",
    "name": "coatings oven",
    "width_m": 2.0,
    "depth_m": 2.0,
    "height_m": 2.0,
    "setpoint_c": 200.0,
    "tolerance_k": 6.0,
}
OFFSETS = {"a": -3.0, "b": 0.0, "c": 2.0}


def surveyed(bench: Make, *, door_s: float | None = None) -> Any:
    """Three points heating up with a time constant of 300 s, then cycling by 1 K."""
    run = bench(7200.0, 2.0)
    t = run.time_s
    heat = 20.0 + 180.0 * (1.0 - np.exp(-t / 300.0))
    swing = np.sin(2.0 * np.pi * t / 240.0) * (t > 2400.0)
    drop = 0.0
    if door_s is not None:
        drop = 80.0 * np.exp(-np.maximum(t - door_s, 0.0) / 100.0) * (t >= door_s)
        run.mark(MarkKind.DOOR, door_s)
    for name, offset in OFFSETS.items():
        run.add(name, heat + offset * (1.0 - np.exp(-t / 300.0)) + swing - drop, Role.AIR)
    return run


def test_survey_of_a_settled_chamber(bench: Make) -> None:
    found = surveyed(bench).results(oven=CHAMBER).uniformity
    assert found is not None
    assert found.spread_k == pytest.approx(5.0, abs=0.02)
    assert found.gradient_k == pytest.approx(5.0, abs=0.02)
    assert found.fluctuation_k == pytest.approx(1.0, abs=0.25)
    assert found.worst_channel == "a"
    assert found.worst_deviation_k == pytest.approx(-3.0, abs=0.1)
    # within 0.6 K of where it settles once 180 exp(-t/300) is below 0.6: 1711 s
    assert found.stabilised_s == pytest.approx(1711.0, abs=200.0)
    assert [name for name, *_ in found.per_channel] == ["a", "b", "c"]


def test_measures_of_the_survey_agree_with_it(bench: Make) -> None:
    run = surveyed(bench, door_s=5000.0)
    for name in OFFSETS:
        run.error(name, 0.2)
    found = run.results(oven=CHAMBER).uniformity
    assert found is not None

    def value(name: str) -> float:
        return float(run.measure(name, at_most=10_000.0, oven=CHAMBER).value)

    assert value("uniformity_spread") == pytest.approx(found.spread_k)
    assert value("uniformity_gradient") == pytest.approx(found.gradient_k)
    assert value("uniformity_fluctuation") == pytest.approx(found.fluctuation_k)
    assert value("stabilisation_time") == pytest.approx(found.stabilised_s)
    assert value("soak_time") == pytest.approx(found.soak_s)
    assert value("overshoot") == pytest.approx(found.overshoot_k)
    assert value("recovery_time") == pytest.approx(found.recovery_s)
    assert value("setpoint_deviation") == pytest.approx(abs(found.worst_deviation_k))


def test_soak_overshoot_and_recovery_in_closed_form(bench: Make) -> None:
    run = surveyed(bench, door_s=5000.0)
    found = run.results(oven=CHAMBER).uniformity
    assert found is not None
    # point a comes within 6 K when 177 exp(-t/300) < 3, and leaves at the door
    assert found.soak_s == pytest.approx(5000.0 - 300.0 * math.log(177.0 / 3.0), abs=6.0)
    assert found.overshoot_k == pytest.approx(3.0, abs=0.02)
    # back when 80 exp(-t/100) plus the swing leaves point a within 6 K: about 3 K of room
    assert found.recovery_s == pytest.approx(100.0 * math.log(80.0 / 3.0), abs=60.0)


def test_no_door_mark_means_no_recovery_and_a_dead_point_means_doubt(bench: Make) -> None:
    run = surveyed(bench)
    asked = run.measure("recovery_time", at_most=600.0, oven=CHAMBER)
    assert math.isnan(asked.value)
    assert "no door is marked" in asked.reason
    run.curves["b"] = np.full(run.time_s.size, np.nan)
    dead = run.measure("uniformity_spread", at_most=20.0, oven=CHAMBER)
    assert "b gave no usable readings" in dead.doubt


def test_spread_draws_follow_the_budget(bench: Make) -> None:
    run = surveyed(bench)
    for name in OFFSETS:
        run.error(name, 0.3)
    found = run.measure("uniformity_spread", at_most=20.0, oven=CHAMBER, draws=20_000)
    # a and c stand 5 K apart, so the spread is their difference: 0.3 times the root of two
    assert float(np.std(found.samples)) == pytest.approx(0.3 * math.sqrt(2.0), rel=0.03)


def test_a_tunnel_has_no_survey(bench: Make) -> None:
    assert surveyed(bench).results().uniformity is None


def test_cycling_is_found_with_period_and_amplitude(bench: Make) -> None:
    rng = np.random.default_rng(4)
    run = bench(7200.0, 2.0)
    swing = 3.0 * np.sin(2.0 * np.pi * run.time_s / 300.0)
    run.add("air", 200.0 + swing + 0.1 * rng.standard_normal(run.time_s.size), Role.AIR)
    run.noise_k["air"] = 0.1
    run.add("calm", 200.0 + 0.1 * rng.standard_normal(run.time_s.size), Role.AIR)
    run.noise_k["calm"] = 0.1
    found = run.results(oven=CHAMBER).cycling
    assert [c.channel for c in found] == ["air"]
    assert found[0].period_s == pytest.approx(300.0, rel=0.01)
    assert found[0].amplitude_k == pytest.approx(3.0, rel=0.06)
    assert run.measure("cycling_period", on=["air"], oven=CHAMBER).value == pytest.approx(
        300.0, rel=0.01
    )
    assert math.isnan(run.measure("cycling_amplitude", on=["calm"], oven=CHAMBER).value)


BODY: dict[str, Any] = {
    "material": "aluminium",
    "mass_kg": 0.2,
    "heat_capacity_j_kg_k": 900.0,
    "area_m2": 0.012,
    "conductivity_w_m_k": 180.0,
    "volume_m3": 7.4e-5,
}


def heated_body(bench: Make, h: float, **body: Any) -> Any:
    facts = BODY | body
    run = bench(1200.0)
    tau = facts["mass_kg"] * facts["heat_capacity_j_kg_k"] / (h * facts["area_m2"])
    run.add("air", np.full(run.time_s.size, 220.0), Role.AIR)
    run.add("block", 220.0 - 195.0 * np.exp(-run.time_s / tau), Role.BODY, body=facts)
    return run


def test_a_lumped_body_gives_back_the_coefficient_it_was_made_with(bench: Make) -> None:
    run = heated_body(bench, 32.0)
    found = run.measure("surface_coefficient")
    assert found.value == pytest.approx(32.0, rel=2e-3)
    whole = next(s for s in run.results().surroundings if not s.zone)
    assert whole.valid
    assert whole.coefficient_w_m2_k == pytest.approx(32.0, rel=2e-3)
    assert whole.biot == pytest.approx(32.0 * 7.4e-5 / 0.012 / 180.0, rel=3e-3)
    rise = float(np.ptp(run.curves["block"]))
    assert run.measure("heat_flux").value == pytest.approx(
        0.2 * 900.0 / 0.012 * rise / 1200.0, rel=1e-6
    )


def test_a_body_that_is_not_one_temperature_is_refused(bench: Make) -> None:
    run = heated_body(bench, 32.0, conductivity_w_m_k=0.5)
    found = run.measure("surface_coefficient")
    assert math.isnan(found.value)
    assert "Biot number" in found.reason
    assert not next(s for s in run.results().surroundings if not s.zone).valid


def test_a_body_needs_air_near_it(bench: Make) -> None:
    run = heated_body(bench, 32.0)
    del run.curves["air"], run.facts["air"]
    found = run.measure("surface_coefficient")
    assert "no air channel" in found.reason


def test_heat_per_kg_counts_warming_and_evaporation(bench: Make) -> None:
    run = bench(1200.0)
    run.add("core", np.linspace(28.0, 98.0, run.time_s.size))
    loaf = {
        "name": "loaf",
        "moisture": 0.42,
        "fat": 0.02,
        "protein": 0.08,
        "carbohydrate": 0.47,
        "ash": 0.01,
        "start_c": 28.0,
    }
    dry = run.measure("heat_per_kg", product=loaf)
    # composition and 2.7 kJ/(kg K): Choi & Okos, see tests/evidence/test_food_properties.py
    assert dry.value == pytest.approx(2.7 * 70.0, rel=0.03)
    moist = run.measure("heat_per_kg", product=loaf | {"end_moisture": 0.35})
    lost = 1.0 - 0.58 / 0.65
    assert moist.value - dry.value == pytest.approx(lost * 2256.5, rel=1e-3)
    unknown = run.measure("heat_per_kg", product={"name": "thing"})
    assert "moisture" in unknown.reason
