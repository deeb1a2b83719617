"""Equivalent time and its kin: exactness, gaps, refusals, and what must hold for any history."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.errors import OutOfRange
from ovenwright.physics import lethality as le
from ovenwright.physics import steps, survivors
from ovenwright.physics.arrays import FloatArray

REF = {"reference_c": 121.1, "z_k": 10.0}


def fine(
    time_s: FloatArray, temp_c: FloatArray, points: int = 20_001
) -> tuple[FloatArray, FloatArray]:
    """Return a history refined along its own straight lines."""
    t = np.linspace(time_s[0], time_s[-1], points)
    return t, np.interp(t, time_s, temp_c)


@pytest.mark.parametrize("slope_k_s", [0.0, 1e-9, 1e-4, 2.3e-4, 0.01, 1.0, -3.0, 12.0])
def test_a_straight_line_is_integrated_as_the_closed_form_says(slope_k_s: float) -> None:
    t = np.linspace(0.0, 20.0, 6)
    temp = 110.0 + slope_k_s * t
    b = np.log(10.0) / 10.0
    start = 10 ** ((110.0 - 121.1) / 10.0)
    growth = b * slope_k_s
    exact = start * (20.0 if growth == 0 else np.expm1(growth * 20.0) / growth)
    assert le.equivalent_time(t, temp, **REF)[-1] == pytest.approx(exact, rel=1e-12)


def test_columns_are_integrated_apart_and_alike() -> None:
    t = np.array([0.0, 7.0, 9.0, 30.0])
    one = np.array([20.0, 118.0, 121.0, 90.0])
    two = np.array([50.0, 50.0, 130.0, 131.0])
    both = le.equivalent_time(t, np.stack([one, two], axis=1), **REF)
    np.testing.assert_array_equal(both[:, 0], le.equivalent_time(t, one, **REF))
    np.testing.assert_array_equal(both[:, 1], le.equivalent_time(t, two, **REF))
    assert both[0].tolist() == [0.0, 0.0]


def test_trapezoid_reads_high_and_agrees_on_fine_data() -> None:
    t = np.array([0.0, 60.0, 120.0, 300.0])
    temp = np.array([60.0, 100.0, 125.0, 60.0])
    exact = le.equivalent_time(t, temp, **REF)[-1]
    assert le.equivalent_time_trapezoid(t, temp, **REF)[-1] > 1.1 * exact
    fine_t, fine_temp = fine(t, temp)
    close = le.equivalent_time_trapezoid(fine_t, fine_temp, **REF)[-1]
    assert close == pytest.approx(exact, rel=1e-4)


def test_a_missing_reading_takes_out_both_steps_it_touches() -> None:
    t = np.arange(6.0)
    temp = np.array([121.1, 121.1, np.nan, 121.1, 121.1, 121.1])
    assert le.equivalent_time(t, temp, **REF).tolist() == [0.0, 1.0, 1.0, 1.0, 2.0, 3.0]
    assert steps.uncovered_time(t, temp).tolist() == [0.0, 0.0, 1.0, 2.0, 2.0, 2.0]


def test_a_long_step_counts_for_nothing_and_is_reported() -> None:
    t = np.array([0.0, 1.0, 60.0, 61.0])
    temp = np.full(4, 121.1)
    assert le.equivalent_time(t, temp, max_gap_s=10.0, **REF)[-1] == pytest.approx(2.0)
    assert steps.uncovered_time(t, temp, max_gap_s=10.0)[-1] == pytest.approx(59.0)
    assert le.equivalent_time(t, temp, **REF)[-1] == pytest.approx(61.0)


def test_a_history_of_nothing_but_gaps_is_zero_not_nan() -> None:
    t = np.arange(4.0)
    nothing = np.full((4, 2), np.nan)
    assert le.equivalent_time(t, nothing, **REF).tolist() == np.zeros((4, 2)).tolist()
    assert steps.uncovered_time(t, nothing)[-1].tolist() == [3.0, 3.0]


def test_a_very_hot_surface_overflows_nothing() -> None:
    t = np.array([0.0, 1.0, 2.0])
    total = le.equivalent_time(t, np.array([20.0, 5000.0, 5000.0]), reference_c=60.0, z_k=2.0)
    assert np.isfinite(total).all()
    assert total[-1] > 1e299


@pytest.mark.parametrize("z_k", [0.0, -1.0, float("nan")])
def test_a_z_that_is_not_above_zero_is_refused(z_k: float) -> None:
    with pytest.raises(OutOfRange, match="z_k"):
        le.equivalent_time(np.arange(2.0), np.zeros(2), reference_c=60.0, z_k=z_k)


@pytest.mark.parametrize(
    ("time_s", "temp_c", "match"),
    [
        ([0.0, 0.0], [1.0, 2.0], "rising"),
        ([1.0, 0.0], [1.0, 2.0], "rising"),
        ([0.0, np.nan], [1.0, 2.0], "rising"),
        ([0.0, 1.0], [1.0, 2.0, 3.0], "shapes"),
        ([], [], "no sample"),
    ],
)
def test_times_and_shapes_that_do_not_fit_are_refused(
    time_s: list[float], temp_c: list[float], match: str
) -> None:
    with pytest.raises(OutOfRange, match=match):
        le.equivalent_time(np.array(time_s), np.array(temp_c), **REF)


def test_one_sample_is_no_time() -> None:
    assert le.equivalent_time(np.array([3.0]), np.array([121.1]), **REF).tolist() == [0.0]


histories = st.lists(
    st.tuples(st.floats(0.01, 500.0), st.floats(-20.0, 260.0)), min_size=2, max_size=30
)


@given(histories, st.floats(3.0, 40.0))
def test_splitting_the_time_axis_changes_nothing(
    history: list[tuple[float, float]], z_k: float
) -> None:
    t = np.cumsum([s for s, _ in history])
    temp = np.array([c for _, c in history])
    whole = le.equivalent_time(t, temp, reference_c=70.0, z_k=z_k)[-1]
    finer = np.unique(np.concatenate([t, (t[:-1] + t[1:]) / 2]))
    split = le.equivalent_time(finer, np.interp(finer, t, temp), reference_c=70.0, z_k=z_k)[-1]
    assert split == pytest.approx(whole, rel=1e-9)


@given(histories, st.floats(0.0, 20.0))
def test_hotter_everywhere_never_does_less(
    history: list[tuple[float, float]], warmer_k: float
) -> None:
    t = np.cumsum([s for s, _ in history])
    temp = np.array([c for _, c in history])
    cold = le.equivalent_time(t, temp, reference_c=70.0, z_k=8.0)
    hot = le.equivalent_time(t, temp + warmer_k, reference_c=70.0, z_k=8.0)
    assert np.all(hot >= cold * (1 - 1e-12))
    assert np.all(np.diff(cold) >= 0)
    assert np.all(
        le.equivalent_time_trapezoid(t, temp, reference_c=70.0, z_k=8.0) >= cold * (1 - 1e-9)
    )


@given(st.floats(0.2, 4.0), st.floats(55.0, 75.0))
def test_weibull_at_constant_temperature_is_the_isothermal_law(p: float, temp_c: float) -> None:
    t = np.linspace(0.0, 600.0, 13)
    got = le.weibull_log_reduction(
        t, np.full(13, temp_c), delta_s=90.0, p=p, reference_c=60.0, z_k=7.0
    )
    delta = 90.0 * 10 ** ((60.0 - temp_c) / 7.0)
    np.testing.assert_allclose(got, (t / delta) ** p, rtol=1e-10)


def test_weibull_follows_its_own_state_equation_on_a_ramp() -> None:
    t = np.linspace(0.0, 900.0, 90_001)
    temp = 50.0 + 0.02 * t
    p, delta, z = 1.7, 80.0, 7.5
    y = le.weibull_log_reduction(t, temp, delta_s=delta, p=p, reference_c=60.0, z_k=z)
    slope = np.gradient(y, t)
    asked = p / (delta * 10 ** ((60.0 - temp) / z)) * y ** ((p - 1) / p)
    np.testing.assert_allclose(slope[1000:-1], asked[1000:-1], rtol=1e-5)


def test_weibull_forgets_the_clock() -> None:
    """A cold hour first must not speed up what comes: the flaw of a rate that keeps t."""
    hot = np.array([60.0, 60.0])
    law = {"delta_s": 60.0, "p": 2.0, "reference_c": 60.0, "z_k": 6.0}
    straight = le.weibull_log_reduction(np.array([0.0, 120.0]), hot, **law)[-1]
    t = np.array([0.0, 3600.0, 3600.001, 3720.001])
    late = le.weibull_log_reduction(t, np.array([0.0, 0.0, 60.0, 60.0]), **law)[-1]
    assert late == pytest.approx(straight, rel=1e-4)


def test_two_points_give_the_curve_through_them() -> None:
    delta_s, p = le.weibull_from_two_times(4.0, 44.4, 5.0, 78.0)
    assert (44.4 / delta_s) ** p == pytest.approx(4.0)
    assert (78.0 / delta_s) ** p == pytest.approx(5.0)
    with pytest.raises(OutOfRange):
        le.weibull_from_two_times(4.0, 44.4, 3.0, 78.0)


@pytest.mark.parametrize("energy", [30e3, 64151.0, 139e3, 400e3])
@pytest.mark.parametrize("step_k", [0.0, 0.01, 0.9, 4.0, 12.0, 60.0, -150.0])
def test_arrhenius_over_one_step_meets_a_fine_grid(energy: float, step_k: float) -> None:
    k0 = np.exp(energy / (le.GAS_CONSTANT_J_MOL_K * 400.0)) / 2000.0
    t = np.array([0.0, 50.0])
    temp = np.array([150.0, 150.0 + step_k])
    nodes, weights = np.polynomial.legendre.leggauss(200)
    at = 25.0 * (nodes + 1.0)
    k = le.arrhenius_rate(np.interp(at, t, temp), k0_per_s=k0, activation_j_mol=energy)
    exact = -np.expm1(-25.0 * np.sum(weights * k))
    got = le.arrhenius_extent(t, temp, k0_per_s=k0, activation_j_mol=energy)[-1]
    assert got == pytest.approx(exact, rel=2e-8, abs=1e-15)


def test_arrhenius_gaps_and_refusals() -> None:
    t = np.arange(4.0)
    law = {"k0_per_s": 1.0, "activation_j_mol": 1e-9}
    got = le.arrhenius_extent(t, np.array([20.0, 20.0, np.nan, 20.0]), **law)
    np.testing.assert_allclose(got, -np.expm1(-np.array([0.0, 1.0, 1.0, 1.0])))
    with pytest.raises(OutOfRange, match="absolute zero"):
        le.arrhenius_extent(t, np.full(4, -300.0), **law)
    with pytest.raises(OutOfRange, match="activation"):
        le.arrhenius_extent(t, np.zeros(4), k0_per_s=1.0, activation_j_mol=0.0)


def test_softplus_form_is_isothermally_a_power_of_time() -> None:
    t = np.linspace(0.0, 300.0, 7)
    got = survivors.softplus_weibull_log_reduction(
        t, np.full(7, 62.0), steepness_per_k=0.4, critical_c=60.0, shape=1.5
    )
    b = np.log1p(np.exp(0.4 * 2.0))
    np.testing.assert_allclose(got, b * t**1.5, rtol=1e-12)


def test_shoulder_and_tail() -> None:
    t = np.linspace(0.0, 3000.0, 301)
    plain = survivors.shouldered_log_reduction(t, d_s=60.0)
    np.testing.assert_allclose(plain, t / 60.0, atol=1e-12)
    late = survivors.shouldered_log_reduction(t, d_s=60.0, shoulder_s=300.0)
    assert late[0] == pytest.approx(0.0, abs=1e-12)
    # past the shoulder the line is the plain one, moved by the shoulder
    np.testing.assert_allclose(late[60:], (t[60:] - 300.0) / 60.0, atol=1e-4)
    tailed = survivors.shouldered_log_reduction(t, d_s=60.0, residual_log=6.0)
    assert tailed[-1] == pytest.approx(6.0, abs=1e-9)
    assert np.all(np.diff(tailed) >= 0)


def test_shouldered_form_follows_its_own_state_equations() -> None:
    """dN/dt = -k N (1/(1+C)) (1 - Nres/N), dC/dt = -k C, by small explicit steps."""
    d_s, shoulder_s, tail = 60.0, 120.0, 1e-4
    k = np.log(10.0) / d_s
    n, c, dt = 1.0, np.expm1(k * shoulder_s), 0.005
    for _ in range(int(400.0 / dt)):
        n, c = n - dt * k * n / (1.0 + c) * (1.0 - tail / n), c - dt * k * c
    got = survivors.shouldered_log_reduction(
        np.array(400.0), d_s=d_s, shoulder_s=shoulder_s, residual_log=4.0
    )
    assert float(got) == pytest.approx(-np.log10(n), abs=2e-3)
