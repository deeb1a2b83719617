"""Measures through the one door, on curves whose answers are known."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from ovenwright.analysis.registry import declared_measures
from ovenwright.domain.profile import FlagSpan, Severity
from ovenwright.domain.run import Role

Make = Callable[..., Any]

RAMP: dict[str, tuple[dict[str, float | str], float]] = {
    # 20 °C at load-in, 0.1 K/s for 1000 s, to 120 °C
    "max_temperature": ({}, 120.0),
    "min_temperature": ({}, 20.0),
    "mean_temperature": ({}, 70.0),
    "end_temperature": ({}, 120.0),
    "time_to": ({"level_c": 60.0}, 400.0),
    "share_to": ({"level_c": 60.0}, 0.4),
    "time_above": ({"level_c": 75.0}, 450.0),
    "time_between": ({"low_c": 50.0, "high_c": 65.5}, 155.0),
    "longest_above": ({"level_c": 75.0}, 450.0),
    "come_up_time": ({"from_c": 30.0, "to_c": 60.0}, 300.0),
    "heating_rate": ({"from_c": 30.0, "to_c": 60.0}, 6.0),
    "max_heating_rate": ({}, 6.0),
    "cure_time": ({"low_c": 90.0, "high_c": 110.0}, 200.0),
    # 600 s asked at 60 °C and 600 s held; 200 s asked at 65 °C and 550 s held
    "dwell_share": ({"table": "table"}, 2.75),
}


@pytest.mark.parametrize("name", sorted(RAMP))
def test_a_ramp_gives_every_measure_its_closed_form(bench: Make, name: str) -> None:
    parameters, expected = RAMP[name]
    run = bench(1000.0)
    run.add("core", 20.0 + 0.1 * run.time_s)
    found = run.measure(name, parameters)
    assert found.value == pytest.approx(expected, abs=1e-6)
    assert found.samples.mean() == pytest.approx(expected, abs=1e-6)
    assert not found.doubt
    assert not found.reason


def test_equivalent_time_of_a_ramp_is_the_closed_form(bench: Make) -> None:
    run = bench(1000.0, 10.0)
    run.add("core", 20.0 + 0.1 * run.time_s)
    # integral of 10^((T-70)/10) over a ramp of r K/s: z/(r ln 10) (10^((T1-70)/z) - 10^((T0-70)/z))
    expected = 10.0 / (0.1 * math.log(10.0)) * (10.0**5.0 - 10.0**-5.0)
    found = run.measure("equivalent_time", {"reference_c": 70.0, "z_k": 10.0})
    assert found.value == pytest.approx(expected, rel=1e-9)
    by_kinetics = run.measure("log_reduction", {"kinetics": "bug"})
    assert by_kinetics.value == pytest.approx(expected / 60.0, rel=1e-9)
    tail = run.measure("log_reduction", {"kinetics": "tail"})
    assert tail.value == pytest.approx(math.sqrt(expected / 30.0), rel=1e-9)
    units = run.measure("pasteurisation_units")
    assert units.value == pytest.approx(
        6.947 / (0.1 * math.log(10.0)) * 10.0 ** (60.0 / 6.947) / 60.0, rel=1e-6
    )


def test_extent_at_a_held_temperature_is_the_first_order_law(bench: Make) -> None:
    run = bench(100.0)
    run.add("core", np.full(run.time_s.size, 200.0))
    k = 42_000.0 * math.exp(-64_151.0 / (8.314462618 * 473.15))
    found = run.measure("extent", {"kinetics": "colour"})
    assert found.value == pytest.approx(1.0 - math.exp(-100.0 * k), rel=1e-9)


def test_a_constant_error_moves_lethality_by_its_closed_form(bench: Make) -> None:
    run = bench(1000.0)
    run.add("core", 60.0 + 8.0 * np.sin(run.time_s / 200.0)).error("core", 0.5)
    found = run.measure("equivalent_time", {"reference_c": 70.0, "z_k": 10.0}, draws=50_000)
    # every draw scales the whole by 10^(d/z) with d normal: a lognormal
    spread = math.log(10.0) * 0.5 / 10.0
    assert np.median(found.samples) == pytest.approx(found.value, rel=0.002)
    assert np.std(np.log(found.samples)) == pytest.approx(spread, rel=0.01)


def test_cooling_rate_looks_past_load_out(bench: Make) -> None:
    run = bench(1000.0)
    y = np.where(run.time_s < 500, 20.0 + 0.15 * run.time_s, 95.0 - 0.1 * (run.time_s - 500.0))
    run.add("core", y)
    found = run.measure("cooling_rate", {"from_c": 90.0, "to_c": 60.0}, load=(0.0, 500.0))
    assert found.value == pytest.approx(6.0)


def test_process_measures_stop_at_load_out_and_end_on_the_line(bench: Make) -> None:
    run = bench(1000.0)
    run.add("core", 20.0 + 0.1 * run.time_s)
    found = run.measure("max_temperature", load=(100.0, 600.5))
    assert found.value == pytest.approx(80.05)
    later = run.measure("max_temperature", {"until": "end"}, load=(100.0, 600.5))
    assert later.value == pytest.approx(120.0)


def test_never_reached_is_infinite_and_already_above_is_zero(bench: Make) -> None:
    run = bench(1000.0)
    run.add("core", 20.0 + 0.1 * run.time_s)
    never = run.measure("time_to", {"level_c": 150.0}, at_most=900.0)
    assert math.isinf(never.value)
    assert not never.doubt
    assert "never reaches 150 °C" in never.reason
    assert run.measure("time_to", {"level_c": 10.0}, at_most=900.0).value == 0.0


def test_results_do_not_depend_on_the_order_of_channels(bench: Make) -> None:
    def run(order: tuple[str, ...]) -> dict[str, float]:
        built = bench(1000.0)
        for name in order:
            built.add(name, 20.0 + (0.1 if name == "a" else 0.09) * built.time_s)
            built.error(name, 0.4).error(name, 0.3, source="junction", module="m")
        results = built.results(
            [
                {
                    "name": "t",
                    "measure": "time_to",
                    "on": "core",
                    "parameters": {"level_c": 60.0},
                    "at_most": 900.0,
                }
            ]
        )
        return {str(m.channel): float(m.samples.sum()) for m in results.by_requirement[0]}

    assert run(("a", "b")) == run(("b", "a"))


def test_splitting_a_step_changes_nothing(bench: Make) -> None:
    coarse, fine = bench(1000.0, 10.0), bench(1000.0, 2.0)
    shape = 60.0 + 30.0 * np.sin(coarse.time_s / 150.0)
    coarse.add("core", shape)
    fine.add("core", np.interp(fine.time_s, coarse.time_s, shape))
    for name, parameters in (
        ("equivalent_time", {"reference_c": 70.0, "z_k": 10.0}),
        ("time_above", {"level_c": 75.0}),
        ("mean_temperature", {}),
        ("longest_above", {"level_c": 66.0}),
    ):
        a, b = coarse.measure(name, parameters), fine.measure(name, parameters)
        assert a.value == pytest.approx(b.value, rel=1e-9)


def test_lethality_of_two_parts_adds_up(bench: Make) -> None:
    run = bench(1000.0)
    run.add("core", 60.0 + 20.0 * np.sin(run.time_s / 300.0))
    asked = ("equivalent_time", {"reference_c": 70.0, "z_k": 10.0})
    whole = run.measure(*asked, load=(0.0, 1000.0)).value
    parts = [run.measure(*asked, load=part).value for part in ((0.0, 333.3), (333.3, 1000.0))]
    assert sum(parts) == pytest.approx(whole, rel=1e-4)


def test_zones_and_lanes_are_taken_at_the_same_belt_position(bench: Make) -> None:
    run = bench(720.0)
    weak = np.where(run.time_s > 360.0, 9.0, 0.0)
    run.add("left", np.full(721, 220.0), Role.AIR, place={"lane": "left"})
    run.add("right", 220.0 - weak, Role.AIR, place={"lane": "right"})
    results = run.results()
    two = {z.channel: z for z in results.zones if z.zone == "two"}
    assert two["left"].mean_c == pytest.approx(220.0)
    assert (two["left"].from_s, two["left"].to_s) == (360.0, 720.0)
    balance = next(b for b in results.balance if b.zone == "two")
    assert balance.spread_k == pytest.approx(9.0, abs=0.05)
    assert (balance.hottest, balance.coldest) == ("left", "right")
    found = run.measure("lane_difference", at_most=5.0)
    assert found.value == pytest.approx(9.0, abs=0.05)
    assert "right coldest in zone two" in found.notes[0]
    deviation = run.measure("setpoint_deviation", at_most=30.0)
    assert deviation.value == pytest.approx(230.0 - 211.0, abs=0.05)


def test_a_channel_fixed_in_a_zone_counts_there_alone(bench: Make) -> None:
    run = bench(720.0)
    run.add("travelling", np.full(721, 215.0), Role.AIR, place={"lane": "left"})
    run.add("fixed", np.full(721, 190.0), Role.AIR, place={"lane": "right", "zone": "one"})
    results = run.results()
    assert [z.zone for z in results.zones if z.channel == "fixed"] == ["one"]
    found = run.measure("setpoint_deviation", at_most=30.0)
    assert found.value == pytest.approx(20.0)
    assert "fixed is below in zone one" in found.notes[0]


def test_spread_is_the_largest_difference_at_one_time(bench: Make) -> None:
    run = bench(1000.0)
    run.add("a", 20.0 + 0.08 * run.time_s)
    run.add("b", 20.0 + 0.08 * np.maximum(run.time_s - 100.0, 0.0))
    run.add("c", 20.0 + 0.08 * np.maximum(run.time_s - 60.0, 0.0))
    found = run.measure("spread", at_most=10.0)
    assert found.value == pytest.approx(8.0)
    assert found.channel is None
    early = run.measure("spread", {"to_share": 0.05}, at_most=10.0)
    assert early.value == pytest.approx(4.0)


# --- what is missing, and what is doubted -------------------------------------------------------


def with_gap(bench: Make, a: int, b: int) -> Any:
    run = bench(1000.0)
    y = 20.0 + 0.1 * run.time_s
    y[a:b] = np.nan
    return run.add("core", y)


def test_a_gap_before_the_top_can_not_hide_it(bench: Make) -> None:
    found = with_gap(bench, 300, 340).measure("max_temperature", at_least=90.0)
    assert found.value == pytest.approx(120.0)
    assert not found.doubt


def test_a_gap_at_the_top_doubts_only_what_it_could_overturn(bench: Make) -> None:
    run = bench(1000.0)
    y = 100.0 - np.abs(run.time_s - 500.0) * 0.1
    y[480:520] = np.nan
    run.add("core", y)
    assert run.measure("max_temperature", at_most=99.0).doubt
    met = run.measure("max_temperature", at_least=90.0)
    assert not met.doubt
    assert any("can't change the verdict" in note for note in met.notes)
    broken = run.measure("max_temperature", at_most=95.0)
    assert not broken.doubt  # 98 °C was seen: too hot whatever the gap hides


def test_lethality_with_a_gap_is_a_lower_bound(bench: Make) -> None:
    run = with_gap(bench, 900, 950)
    asked = {"kinetics": "bug"}
    met = run.measure("log_reduction", asked, at_least=5.0)
    assert not met.doubt
    assert any("work that is not counted" in note for note in met.notes)
    unmet = run.measure("equivalent_time", asked, at_least=1e9)
    assert "work that is not counted" in unmet.doubt
    whole = with_gap(bench, 0, 0).measure("log_reduction", asked)
    assert met.value < whole.value


def test_a_gap_where_nothing_is_earned_is_only_noted(bench: Make) -> None:
    found = with_gap(bench, 100, 130).measure("equivalent_time", {"kinetics": "bug"}, at_most=1e9)
    assert not found.doubt
    assert any("less than a thousandth" in note for note in found.notes)


def test_a_crossing_inside_a_gap_is_not_evaluated(bench: Make) -> None:
    found = with_gap(bench, 380, 420).measure("time_to", {"level_c": 60.0}, at_most=900.0)
    assert math.isnan(found.value)
    assert "inside a gap" in found.reason


def test_doubted_readings_that_carry_the_value_forbid_a_verdict(bench: Make) -> None:
    run = with_gap(bench, 0, 0)
    run.spans.append(FlagSpan("drift", "core", 350.0, 450.0, Severity.DOUBT, "it wandered off"))
    touched = run.measure("time_to", {"level_c": 60.0}, at_most=900.0)
    assert "it wandered off" in touched.doubt
    assert len(touched.touched) == 1
    elsewhere = run.measure("time_to", {"level_c": 100.0}, at_most=900.0)
    assert not elsewhere.doubt
    run.spans[0] = FlagSpan("drift", "core", 350.0, 450.0, Severity.REMARK, "never mind")
    assert not run.measure("time_to", {"level_c": 60.0}, at_most=900.0).doubt


def test_a_channel_without_readings_says_so_and_passes_nothing(bench: Make) -> None:
    run = bench(1000.0)
    run.add("core", np.full(run.time_s.size, np.nan))
    run.add("other", 20.0 + 0.1 * run.time_s)
    for name, measure in declared_measures().items():
        parameters = {
            p.name: {
                "number": 60.0 if p.name in {"level_c", "low_c", "from_c"} else 80.0,
                "kinetics id": "colour" if name == "extent" else "bug",
                "table id": "table",
            }[p.kind.value]
            for p in measure.parameters
            if p.required
        }
        if name == "cooling_rate":
            parameters = {"from_c": 80.0, "to_c": 60.0}
        if name == "equivalent_time":
            parameters = {"kinetics": "bug"}
        found = run.measure(name, parameters, on=["core"], at_least=0.0)
        assert math.isnan(found.value), name
        assert found.reason, name


def test_a_requirement_that_can_not_be_evaluated_gives_the_reason(bench: Make) -> None:
    run = with_gap(bench, 0, 0)
    for name, parameters, word in (
        ("no_such", {}, "no measure"),
        ("log_reduction", {"kinetics": "nobody"}, "nobody"),
        ("time_to", {}, "needs level_c"),
        ("log_reduction", {"kinetics": "held"}, "no z value"),
    ):
        found = run.measure(name, parameters)
        assert math.isnan(found.value)
        assert word in found.reason
        assert found.samples.size == 0
