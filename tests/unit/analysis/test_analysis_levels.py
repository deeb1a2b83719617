"""Levels, stretches and extremes on curves whose answers are known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.analysis.curve import Curve, cut
from ovenwright.analysis.draws import ChannelErrors, Draws
from ovenwright.analysis.extremes import find_highest, find_lowest, slopes
from ovenwright.analysis.levels import TimeAbove, boxcar, find_passage, longest_stretch
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.profile import Distribution, ErrorTerm, Scope


def curve_of(time_s: FloatArray, temp_c: FloatArray, interval_s: float = 1.0) -> Curve:
    return cut(
        time_s, temp_c, from_s=float(time_s[0]), to_s=float(time_s[-1]), interval_s=interval_s
    )


def quiet(count: int = 500) -> ChannelErrors:
    return ChannelErrors("a", (), Draws(count, seed=1))


def term(standard_k: float, *, slope: float = 0.0) -> ErrorTerm:
    at = np.linspace(0.0, 300.0, 31)
    return ErrorTerm("class", Scope.CHANNEL, "a", at, standard_k + slope * at)


def test_ramp_is_passed_exactly_between_readings() -> None:
    t = np.arange(0.0, 101.0, 5.0)
    passage = find_passage(curve_of(t, 20.0 + 0.7 * t, 5.0), 61.3, quiet())
    assert passage.at_s == pytest.approx((61.3 - 20.0) / 0.7, abs=1e-9)
    assert passage.rate_k_s == pytest.approx(0.7)
    assert np.ptp(passage.draws_s) == pytest.approx(0.0, abs=1e-9)


def test_falling_ramp_is_passed_exactly() -> None:
    t = np.arange(0.0, 101.0)
    passage = find_passage(curve_of(t, 90.0 - 0.5 * t), 60.0, quiet(), falling=True)
    assert passage.at_s == pytest.approx(60.0)
    assert passage.rate_k_s == pytest.approx(-0.5)


def test_budget_spreads_the_moment_by_error_over_rate() -> None:
    t = np.arange(0.0, 2001.0)
    errors = ChannelErrors("a", (term(0.4),), Draws(40_000, seed=2))
    passage = find_passage(curve_of(t, 20.0 + 0.05 * t), 70.0, errors)
    assert float(np.std(passage.draws_s)) == pytest.approx(0.4 / 0.05, rel=0.02)
    assert float(np.mean(passage.draws_s)) == pytest.approx(1000.0, abs=0.2)


def test_noise_does_not_bring_a_slow_passing_forward() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 3001.0)
    truth = 20.0 + 0.02 * t
    found = []
    for _ in range(40):
        noisy = curve_of(t, truth + 0.1 * rng.standard_normal(t.size))
        errors = ChannelErrors("a", (), Draws(300, seed=3), noise_k=0.1)
        found.append(find_passage(noisy, 50.0, errors).at_s)
    first_reading = [
        float(t[np.argmax(truth + 0.1 * rng.standard_normal(t.size) >= 50.0)]) for _ in range(40)
    ]
    assert np.mean(found) == pytest.approx(1500.0, abs=0.6)
    assert np.mean(first_reading) < 1497.0  # what the naive answer would have said


def test_stated_scatter_of_a_noisy_passing_matches_what_repeats_show() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 601.0)
    found, stated = [], []
    for k in range(150):
        noisy = curve_of(t, 20.0 + 0.1 * t + 0.15 * rng.standard_normal(t.size))
        errors = ChannelErrors("a", (), Draws(400, seed=k), noise_k=0.15)
        passage = find_passage(noisy, 50.0, errors)
        found.append(passage.at_s)
        stated.append(float(np.std(passage.draws_s - passage.at_s)))
    assert np.mean(stated) == pytest.approx(float(np.std(found)), rel=0.35)


def test_never_and_already_are_told_apart() -> None:
    t = np.arange(0.0, 101.0)
    rising = curve_of(t, 20.0 + 0.1 * t)
    never = find_passage(rising, 40.0, quiet())
    assert never.never
    assert math.isnan(never.at_s)
    assert np.all(np.isinf(never.draws_s))
    assert "30.0 °C" in never.reason
    already = find_passage(rising, 10.0, quiet())
    assert already.already
    assert np.all(already.draws_s == 0.0)


def test_a_passing_inside_a_gap_is_not_made_up() -> None:
    t = np.arange(0.0, 201.0)
    y = 20.0 + 0.3 * t
    y[90:140] = np.nan
    passage = find_passage(curve_of(t, y), 55.0, quiet())
    assert math.isnan(passage.at_s)
    assert passage.inside is not None
    assert (passage.inside.from_s, passage.inside.to_s) == (89.0, 140.0)
    assert "89 s and 140 s" in passage.reason


def test_one_missing_reading_is_no_gap() -> None:
    t = np.arange(0.0, 201.0)
    y = 20.0 + 0.3 * t
    y[100] = np.nan
    curve = curve_of(t, y)
    assert curve.whole
    assert find_passage(curve, 50.0, quiet()).at_s == pytest.approx(100.0)


def test_lag_can_only_mean_earlier() -> None:
    t = np.arange(0.0, 201.0)
    errors = ChannelErrors("a", (), Draws(5000, seed=4), lag_s=8.0)
    late = find_passage(curve_of(t, 20.0 + 0.5 * t), 60.0, errors).draws_s
    assert late.max() <= 80.0 + 1e-9
    assert late.min() >= 80.0 - 1.05 * 8.0 - 1e-9
    assert late.mean() == pytest.approx(80.0 - 0.5 * 1.05 * 8.0, abs=0.2)


def test_reading_at_solves_the_error_that_grows_with_temperature() -> None:
    errors = ChannelErrors("a", (term(0.2, slope=0.004),), Draws(2000, seed=8))
    reading = errors.reading_at(150.0)
    shift = np.array(
        [float(errors.shift_k(np.array([r]))[i, 0]) for i, r in enumerate(reading[:200])]
    )
    assert reading[:200] + shift == pytest.approx(np.full(200, 150.0), abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.0, 100.0), min_size=3, max_size=40),
    st.lists(st.floats(-5.0, 105.0), min_size=2, max_size=8),
)
def test_time_above_equals_the_direct_sum_and_falls_with_the_level(
    temps: list[float], levels: list[float]
) -> None:
    y = np.array(temps)
    t = np.arange(y.size, dtype=np.float64) * 3.0
    curve = curve_of(t, y, 3.0)
    fine_t = np.linspace(t[0], t[-1], 20_001)
    fine = np.interp(fine_t, t, y)
    asked = np.sort(np.array(levels))
    found = TimeAbove(curve)(asked)
    direct = [(fine >= level).mean() * (t[-1] - t[0]) for level in asked]
    # a flat stretch exactly on a level is seen by one and cut by the other
    flat = np.any(np.abs(asked[:, None] - y[None, :]) < 1e-6, axis=1)
    assert np.all(np.abs(found - direct)[~flat] <= 3.0 * y.size * 1e-3 + 0.02)
    assert np.all(np.diff(found) <= 1e-6)


def test_focus_keeps_time_above_and_longest_stretch() -> None:
    rng = np.random.default_rng(9)
    t = np.arange(0.0, 2000.0)
    y = 60.0 + 30.0 * np.sin(t / 90.0) + np.cumsum(rng.normal(0.0, 0.2, t.size))
    y[700:760] = np.nan
    curve = curve_of(t, y)
    small = curve.focused(64.0, 66.0)
    assert len(small) < len(curve) / 3
    for level in (64.0, 65.2, 66.0):
        asked = np.array([level])
        assert TimeAbove(small)(asked)[0] == pytest.approx(TimeAbove(curve)(asked)[0], abs=1e-6)
        assert longest_stretch(small, level) == longest_stretch(curve, level)


def test_longest_stretch_of_a_triangle_and_of_a_window() -> None:
    t = np.array([0.0, 100.0, 200.0])
    y = np.array([0.0, 100.0, 0.0])
    curve = curve_of(t, y, 100.0)
    above = longest_stretch(curve, 60.0)
    assert (above.length_s, above.from_s, above.to_s) == pytest.approx((80.0, 60.0, 140.0))
    window = longest_stretch(curve, 20.0, 60.0)
    assert (window.length_s, window.from_s) == pytest.approx((40.0, 20.0))


def test_a_gap_breaks_a_stretch() -> None:
    t = np.arange(0.0, 101.0)
    y = np.full(t.size, 80.0)
    y[40:50] = np.nan
    best = longest_stretch(curve_of(t, y), 70.0)
    assert (best.from_s, best.to_s) == (50.0, 100.0)


def test_highest_of_a_noisy_plateau_is_drawn_without_its_luck() -> None:
    rng = np.random.default_rng(10)
    n = 2000
    t = np.arange(float(n))
    errors = ChannelErrors("a", (), Draws(5000, seed=11), noise_k=0.2)
    tops = [
        find_highest(curve_of(t, 97.0 + 0.2 * rng.standard_normal(n)), errors) for _ in range(30)
    ]
    assert np.mean([top.value_c for top in tops]) > 97.6  # the reading stands high
    assert np.mean([top.draws_c.mean() for top in tops]) == pytest.approx(97.0, abs=0.1)


def test_lowest_mirrors_highest() -> None:
    t = np.arange(0.0, 101.0)
    y = 50.0 + 10.0 * np.cos(t / 10.0)
    low = find_lowest(curve_of(t, y), quiet())
    assert low.value_c == y.min()
    assert low.draws_c == pytest.approx(np.full(500, y.min()))


def test_a_module_is_drawn_once_for_all_its_channels_and_a_class_is_not() -> None:
    draws = Draws(20_000, seed=12)
    at, one = np.array([0.0]), np.array([1.0])
    shared = ErrorTerm("reference junction", Scope.MODULE, "m", at, one)
    own_a = ErrorTerm("class", Scope.CHANNEL, "a", at, one, Distribution.RECTANGULAR)
    own_b = ErrorTerm("class", Scope.CHANNEL, "b", at, one, Distribution.RECTANGULAR)
    a = ChannelErrors("a", (shared, own_a), draws).true_at(20.0)
    b = ChannelErrors("b", (shared, own_b), draws).true_at(20.0)
    assert float(np.std(a)) == pytest.approx(math.sqrt(2.0), rel=0.02)
    assert float(np.corrcoef(a, b)[0, 1]) == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("distribution", list(Distribution))
def test_every_distribution_has_unit_standard_uncertainty(distribution: Distribution) -> None:
    drawn = Draws(200_000, seed=13).xi("x", distribution=distribution)
    assert float(drawn.mean()) == pytest.approx(0.0, abs=0.01)
    assert float(drawn.std()) == pytest.approx(1.0, rel=0.01)


def test_slopes_of_a_ramp_sampled_unevenly() -> None:
    rng = np.random.default_rng(14)
    t = np.cumsum(rng.uniform(0.5, 1.5, 300))
    found = slopes(curve_of(t, 5.0 + 0.25 * t), 6)
    assert found == pytest.approx(np.full(300, 0.25), rel=1e-9)


def test_moving_mean_keeps_a_straight_line() -> None:
    y = np.linspace(3.0, 90.0, 41)
    assert boxcar(y, 7) == pytest.approx(y)
