"""The budget of a channel: lines, combination, where it is taken, and the lag beside it."""

import math
from typing import Any

import numpy as np
import pytest

from ovenwright.domain.plan import (
    ChamberOven,
    Channel,
    Plan,
    Product,
    Recording,
    Requirement,
    SensorType,
)
from ovenwright.domain.profile import Distribution, ErrorTerm, Profile, Scope
from ovenwright.domain.results import Event, Found, MeasureResult, Results, Unit
from ovenwright.domain.run import Role
from ovenwright.judgement.budget import budgets_of, rate_at

TIME_S = np.arange(1001, dtype=float)
RAMP_C = 20.0 + 0.1 * TIME_S  # 0.1 K/s up to 120 °C


def flat(source: str, scope: Scope, k: float, **changes: Any) -> ErrorTerm:
    return ErrorTerm(source, scope, "A", np.array([0.0]), np.array([k]), **changes)


def results_with(
    errors: tuple[ErrorTerm, ...],
    *,
    answers: tuple[tuple[MeasureResult, ...], ...] = (),
    lag_s: float = math.nan,
    temp_c: np.ndarray[Any, Any] = RAMP_C,
) -> Results:
    column = temp_c[:, np.newaxis]
    profile = Profile(
        run_id="r",
        digest="d",
        start_ns=0,
        absolute=True,
        time_zone="UTC",
        time_s=TIME_S,
        channels=(Channel(name="c", sensor=SensorType.K, role=Role.CORE),),
        temp_c=column,
        raw_c=column,
        flags=np.zeros(column.shape, dtype=np.uint32),
        spans=(),
        errors=(errors,),
        noise_k=np.array([0.04]),
        resolution_k=np.array([0.1]),
        lag_s=np.array([lag_s]),
        interval_s=1.0,
        boiling_c=100.0,
        pressure_kpa=101.3,
    )
    event = (Event(0.0, Found.GIVEN, ""), Event(1000.0, Found.GIVEN, ""))
    return Results(profile, *event, measures=(), by_requirement=answers, crossings=())


def plan_with(*requirements: Requirement) -> Plan:
    return Plan(
        title="t",
        oven=ChamberOven(kind="chamber", name="o", width_m=1, depth_m=1, height_m=1),
        product=Product(name="p"),
        recording=Recording(interval_s=1.0),
        channels=(Channel(name="c", sensor=SensorType.K, role=Role.CORE),),
        requirements=requirements,
    )


CLASS = ErrorTerm(
    "tolerance class", Scope.CHANNEL, "c", np.array([0.0, 100.0]), np.array([0.6, 1.0]),
    Distribution.RECTANGULAR,
)  # fmt: skip
JUNCTION = flat("reference junction", Scope.MODULE, 0.25)


def test_lines_add_up_in_squares_with_noise_and_resolution() -> None:
    (budget,) = budgets_of(results_with((CLASS, JUNCTION)), plan_with())
    by_source = {line.source: line for line in budget.lines}
    assert budget.at_c == pytest.approx(120.0)  # no limit: the highest temperature
    assert by_source["tolerance class"].standard_k == 1.0  # held flat beyond its last point
    assert by_source["tolerance class"].half_width_k == pytest.approx(math.sqrt(3.0))
    assert by_source["reference junction"].shared_by == "module A"
    assert by_source["resolution"].standard_k == pytest.approx(0.1 / math.sqrt(12))
    assert by_source["noise of one reading"].standard_k == pytest.approx(0.04)
    expected = math.sqrt(1.0 + 0.25**2 + 0.04**2 + 0.01 / 12)
    assert budget.combined_k == pytest.approx(expected)
    assert budget.coverage_factor == pytest.approx(2.0, abs=1e-3)
    assert budget.expanded_k == pytest.approx(2.0 * expected, rel=1e-3)


def test_noise_and_resolution_are_not_counted_twice() -> None:
    terms = (
        CLASS,
        flat("resolution 0.1 K", Scope.READING, 0.03),
        flat("Noise", Scope.READING, 0.1),
    )
    (budget,) = budgets_of(results_with(terms), plan_with())
    assert len(budget.lines) == 3


def test_a_budget_is_taken_at_the_limit_it_is_held_against() -> None:
    answer = MeasureResult("max_temperature", "c", 120.0, Unit.CELSIUS, np.zeros(0))
    results = results_with((CLASS,), answers=((answer,),))
    asked = Requirement(name="n", measure="max_temperature", at_least=50.0)
    (budget,) = budgets_of(results, plan_with(asked))
    assert budget.at_c == 50.0
    assert budget.lines[0].standard_k == pytest.approx(0.8)
    timed = MeasureResult("time_to", "c", 500.0, Unit.SECOND, np.zeros(0))
    asked = Requirement(name="n", measure="time_to", parameters={"level_c": 70.0}, at_most=900.0)
    (budget,) = budgets_of(results_with((CLASS,), answers=((timed,),)), plan_with(asked))
    assert budget.at_c == 70.0
    # a limit in °C comes first, wherever it stands in the plan
    hot = Requirement(name="h", measure="max_temperature", at_least=50.0)
    (budget,) = budgets_of(
        results_with((CLASS,), answers=((timed,), (answer,))), plan_with(asked, hot)
    )
    assert budget.at_c == 50.0


def test_few_degrees_of_freedom_widen_the_factor() -> None:
    own = flat("calibration", Scope.CHANNEL, 0.5, degrees_of_freedom=4.0)
    (budget,) = budgets_of(results_with((own,)), plan_with())
    assert budget.effective_dof == pytest.approx(4.0, rel=0.05)
    # Student's t for 95.45 % and 4 degrees of freedom, JCGM 100 Table G.2: 2.87 (from memory)
    assert budget.coverage_factor == pytest.approx(2.87, abs=0.005)


def test_lag_is_a_bound_beside_the_combined_uncertainty() -> None:
    (plain,) = budgets_of(results_with((CLASS,)), plan_with())
    answer = MeasureResult("max_temperature", "c", 120.0, Unit.CELSIUS, np.zeros(0))
    asked = Requirement(name="n", measure="max_temperature", at_least=80.0)
    results = results_with((CLASS,), answers=((answer,),), lag_s=12.0)
    (budget,) = budgets_of(results, plan_with(asked))
    lag = budget.lines[-1]
    assert lag.one_sided
    assert lag.half_width_k == pytest.approx(0.1 * 12.0, rel=1e-6)
    assert "higher" in lag.note
    without = math.sqrt(sum(ln.standard_k**2 for ln in budget.lines if not ln.one_sided))
    assert budget.combined_k == pytest.approx(without)
    assert not any(ln.one_sided for ln in plain.lines)


def test_a_level_stretch_has_no_lag_to_speak_of() -> None:
    still = np.full(1001, 80.0)
    (budget,) = budgets_of(results_with((CLASS,), lag_s=12.0, temp_c=still), plan_with())
    assert budget.lines[-1].half_width_k == 0.0
    assert "level there" in budget.lines[-1].note


def test_a_channel_without_readings_has_no_budget() -> None:
    assert budgets_of(results_with((CLASS,), temp_c=np.full(1001, np.nan)), plan_with()) == ()


def test_slope_where_a_temperature_is_reached() -> None:
    gap = RAMP_C.copy()
    gap[300:320] = np.nan
    assert rate_at(TIME_S, gap, 51.0, over_s=5.0) == pytest.approx(0.1)
    assert rate_at(TIME_S, RAMP_C, 500.0, over_s=0.1) == pytest.approx(0.1)
    assert math.isnan(rate_at(TIME_S[:2], RAMP_C[:2], 20.0, over_s=5.0))
    cooling = np.concatenate([RAMP_C[:500], RAMP_C[500::-1]])
    assert rate_at(TIME_S, cooling, 69.0, over_s=5.0) == pytest.approx(0.1)
