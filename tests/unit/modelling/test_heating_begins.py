"""When heating began, and surroundings as a sensor without lag would show them."""

import numpy as np
import pytest

from ovenwright.modelling.heating import Line, begin, mean_line

TIME = np.arange(0.0, 1201.0, 2.0)
CORE = Line("core", TIME, 25.0 + 0.05 * np.maximum(TIME - 300.0, 0.0))


def shown(lag_s: float, *, from_s: float = 300.0) -> Line:
    """What a first-order sensor shows of a step from 25 to 200 °C: exact."""
    after = np.maximum(TIME - from_s, 0.0)
    return Line("air", TIME, 200.0 - 175.0 * np.exp(-after / lag_s), lag_s=lag_s)


def test_without_lag_the_heat_offered_is_that_of_the_step() -> None:
    around = begin("run", shown(20.0), (CORE,), until_s=1200.0, load_in_s=300.0).around
    offered = np.trapezoid(around.temp_c - 25.0, around.time_s)
    assert offered == pytest.approx(175.0 * (1200.0 - 300.0 - 20.0), rel=0.002)
    late = float(np.trapezoid(around.temp_c[around.time_s <= 300.0] - 25.0))
    assert around.time_s[-1] == 1180.0
    assert late > 0.0  # some of it before the step, for what comes after is moved as a whole


def test_nothing_after_the_moment_is_used_when_the_lag_is_taken_out() -> None:
    air = shown(20.0)
    after = air.time_s > 700.0
    other = Line("air", TIME, np.where(after, -40.0, air.temp_c), lag_s=20.0)
    one, two = (begin("run", a, (CORE,), until_s=700.0, load_in_s=300.0) for a in (air, other))
    assert one.around.time_s[-1] == 680.0
    np.testing.assert_array_equal(one.around.temp_c, two.around.temp_c)


def test_channels_of_unlike_lag_are_set_level_before_their_mean() -> None:
    ramp = [Line(f"air {lag:g}", TIME, TIME - lag, lag_s=lag) for lag in (4.0, 30.0)]
    mean = mean_line((ramp[0], ramp[1]))
    inside = (TIME > 100.0) & (TIME < 1100.0)
    np.testing.assert_allclose(mean.temp_c[inside], TIME[inside] - 4.0, atol=1e-9)
    assert mean.lag_s == 4.0


@pytest.mark.parametrize("ahead_s", [10.0, 40.0])
def test_heating_counts_from_the_mouth_of_the_oven(ahead_s: float) -> None:
    air = Line("air", TIME, 25.0 + 175.0 * np.clip((TIME - 300.0 + ahead_s) / 60.0, 0.0, 1.0))
    began = begin("run", air, (CORE,), until_s=1200.0, load_in_s=300.0).start_s
    assert began == pytest.approx(300.0 - ahead_s, abs=2.1)


def test_load_in_stands_where_the_surroundings_were_hot_or_rise_later() -> None:
    hot = Line("air", TIME, 200.0 + np.sin(TIME / 30.0))
    assert begin("run", hot, (CORE,), until_s=1200.0, load_in_s=300.0).start_s == 300.0
    warming = Line("air", TIME, 25.0 + 0.1 * TIME)
    assert begin("run", warming, (CORE,), until_s=1200.0, load_in_s=300.0).start_s == 300.0
