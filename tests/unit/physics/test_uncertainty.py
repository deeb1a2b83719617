"""Uncertainty and conformity: edges, refusals, and what must hold for any input."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.errors import OutOfRange
from ovenwright.physics import conformity as co
from ovenwright.physics import uncertainty as un
from ovenwright.physics.arrays import FloatArray

finite = st.floats(-100, 100)


def test_full_correlation_adds_and_opposite_cancels() -> None:
    assert un.combine([3.0, 4.0]) == pytest.approx(5.0)
    assert un.combine([3.0, 4.0], [[1, 1], [1, 1]]) == pytest.approx(7.0)
    assert un.combine([3.0, -3.0], [[1, 1], [1, 1]]) == pytest.approx(0.0)
    assert un.combine([]) == 0.0


@pytest.mark.parametrize(
    "bad", [[[1, 0.5], [0.4, 1]], [[1, 2], [2, 1]], [[1, 0]], [[2, 0], [0, 1]]]
)
def test_what_is_no_correlation_is_refused(bad: list[list[float]]) -> None:
    with pytest.raises(OutOfRange, match="correlation"):
        un.combine([1.0, 1.0], bad)


def test_degrees_of_freedom_edges() -> None:
    assert un.effective_degrees_of_freedom([0.0, 0.0], [1, 2]) == np.inf
    assert un.effective_degrees_of_freedom([1e-90, 1e-90], [4, 4]) == pytest.approx(8.0)
    with pytest.raises(OutOfRange):
        un.effective_degrees_of_freedom([1.0], [0.0])
    with pytest.raises(OutOfRange):
        un.effective_degrees_of_freedom([1.0], [1.0, 2.0])


@pytest.mark.parametrize(("p", "dof"), [(0.0, 5.0), (1.0, 5.0), (0.95, 0.5), (0.95, np.nan)])
def test_coverage_factor_refuses(p: float, dof: float) -> None:
    with pytest.raises(OutOfRange):
        un.coverage_factor(p, dof)


@given(
    st.lists(finite, min_size=3, max_size=3), st.lists(st.floats(0.01, 5), min_size=3, max_size=3)
)
def test_a_linear_function_is_propagated_exactly(x: list[float], u: list[float]) -> None:
    weights = np.array([2.0, -0.5, 7.0])
    out = un.propagate(lambda at: np.asarray(weights @ at + 3.0), x, np.array(u) ** 2)
    np.testing.assert_allclose(out.sensitivity[0], weights, rtol=1e-6, atol=1e-7)
    assert out.standard[0] == pytest.approx(un.combine(weights * u), rel=1e-6)


def test_an_exactly_known_input_brings_no_uncertainty() -> None:
    out = un.propagate(lambda at: at[0] * at[1], [2.0, 3.0], [0.0, 0.01])
    assert out.standard[0] == pytest.approx(0.2)


def test_second_order_of_a_square_at_its_bottom() -> None:
    """The variance of x**2 with x normal about 0 is 2 u**4, first order sees nothing."""

    def square(x: FloatArray) -> FloatArray:
        return np.asarray(x[0] ** 2)

    assert un.second_order_variance(square, [0.0], [0.3]) == pytest.approx(2 * 0.3**4)


def test_a_line_through_exact_points() -> None:
    line = un.straight_line_fit([0.0, 1.0, 2.0, 5.0], [1.0, 3.0, 5.0, 11.0])
    assert (line.slope, line.intercept) == pytest.approx((2.0, 1.0))
    assert line.residual_standard == pytest.approx(0.0, abs=1e-12)
    for x, y in (([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]), ([1.0, 2.0], [1.0, 2.0])):
        with pytest.raises(OutOfRange):
            un.straight_line_fit(x, y)


@pytest.mark.parametrize("shape", [*un.DIVISORS, "student"])
def test_drawn_quantities_have_the_spread_they_claim(shape: str) -> None:
    dof = 8.0
    q = un.Quantity(shape, 5.0, 2.0, dof if shape == "student" else np.inf)
    y = un.draw(np.random.default_rng(3), [q], 200_000)[:, 0]
    expected = 2.0 * np.sqrt(dof / (dof - 2)) if shape == "student" else 2.0 / un.DIVISORS[shape]
    assert np.mean(y) == pytest.approx(5.0, abs=0.02)
    assert np.std(y) == pytest.approx(expected, rel=0.01)
    if shape in {"rectangular", "triangular", "arcsine"}:
        assert y.min() >= 3.0
        assert y.max() <= 7.0


def test_draws_repeat_with_the_seed_and_refuse_the_unknown() -> None:
    q = [un.Quantity("normal", 0.0, 1.0)]
    one, two = (un.draw(np.random.default_rng(9), q, 5) for _ in range(2))
    np.testing.assert_array_equal(one, two)
    with pytest.raises(OutOfRange, match="distribution"):
        un.draw(np.random.default_rng(9), [un.Quantity("bell", 0.0, 1.0)], 5)
    with pytest.raises(OutOfRange, match="distribution"):
        un.divisor("bell")


@given(st.lists(finite, min_size=2, max_size=200), st.sampled_from([0.5, 0.9, 0.95, 0.99]))
def test_intervals_hold_their_share_and_the_shortest_is_shortest(
    samples: list[float], p: float
) -> None:
    y = np.array(samples)
    short, symmetric = un.shortest_interval(y, p), un.symmetric_interval(y, p)
    for low, high in (short, symmetric):
        assert np.mean((y >= low) & (y <= high)) >= min(p, 1 - 1 / y.size) - 1e-9
    assert short[1] - short[0] <= symmetric[1] - symmetric[0] + 1e-12


@pytest.mark.parametrize("bad", [[], [1.0], [1.0, np.nan]])
def test_intervals_refuse_what_has_no_spread(bad: list[float]) -> None:
    with pytest.raises(OutOfRange, match="samples"):
        un.shortest_interval(bad)


def test_draws_never_claim_certainty() -> None:
    assert co.probability_from_samples(np.full(10_000, 80.0), lower=70.0) == pytest.approx(0.99995)
    assert co.probability_from_samples(np.full(10_000, 60.0), lower=70.0) == pytest.approx(
        5e-5, rel=1e-3
    )
    assert co.probability_from_samples([70.0], lower=70.0) == 0.75


def test_a_draw_that_could_not_be_evaluated_does_not_conform() -> None:
    draws = np.array([80.0, np.nan, 80.0, np.inf])
    assert co.probability_from_samples(draws, lower=70.0) == pytest.approx(3.5 / 5)
    assert co.probability_from_samples(draws, upper=90.0) == pytest.approx(2.5 / 5)


def test_joint_probability_knows_what_is_shared() -> None:
    rng = np.random.default_rng(5)
    shared = rng.normal(71.0, 1.0, 50_000)
    together = np.stack([shared, shared], axis=1)
    apart = np.stack([shared, rng.permutation(shared)], axis=1)
    one = co.probability_from_samples(shared, lower=70.0)
    assert co.joint_probability_from_samples(together, lower=70.0) == pytest.approx(one)
    assert co.joint_probability_from_samples(apart, lower=70.0) == pytest.approx(one**2, abs=0.01)


def test_without_uncertainty_a_value_conforms_or_not() -> None:
    p = co.probability_of_conformity([69.9, 70.0, 70.1], 0.0, lower=70.0)
    assert p.tolist() == [0.0, 1.0, 1.0]


@given(finite, st.floats(0.01, 20), finite, st.floats(0, 50))
def test_two_sided_probability_is_what_both_sides_leave(
    y: float, u: float, low: float, width: float
) -> None:
    both = float(co.probability_of_conformity(y, u, low, low + width))
    above = float(co.probability_of_conformity(y, u, lower=low))
    below = float(co.probability_of_conformity(y, u, upper=low + width))
    assert both == pytest.approx(above + below - 1.0, abs=1e-9)


def test_limits_are_looked_at() -> None:
    with pytest.raises(OutOfRange, match="limits"):
        co.probability_of_conformity(1.0, 1.0)
    with pytest.raises(OutOfRange, match="limits"):
        co.probability_from_samples([1.0], lower=2.0, upper=1.0)
    with pytest.raises(OutOfRange, match="samples"):
        co.probability_from_samples([], lower=2.0)
    with pytest.raises(OutOfRange, match="guard"):
        co.acceptance_limits(1.0, 2.0, -0.1)
    with pytest.raises(OutOfRange, match="standard_uncertainty"):
        co.probability_of_conformity(1.0, -1.0, lower=0.0)
    assert co.acceptance_limits(1.0, 2.0, 0.25) == (1.25, 1.75)
