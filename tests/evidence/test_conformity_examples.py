"""Conformity against JCGM 106:2012; the evidence stands beside each value."""

import math

import numpy as np
import pytest
from scipy.special import gamma

from ovenwright.physics import conformity as co
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.uncertainty import coverage_factor


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "printed"),
    [
        (-5.47, 0.05, None, -5.40, 0.919),  # 7.3.3 example 1, from memory, arithmetic exact
        (509.7, 8.6, 490.0, None, 0.989),  # 7.3.3 example 2, from memory, arithmetic exact
        (13.6, 1.8, 12.5, 16.3, 0.663),  # 7.4, from memory, arithmetic exact
    ],
)
def test_probability_of_conformity(
    value: float, u: float, lower: float | None, upper: float | None, printed: float
) -> None:
    p = co.probability_of_conformity(value, u, lower, upper)
    assert float(p) == pytest.approx(printed, abs=5e-4)
    draws = np.random.default_rng(106).normal(value, u, 400_000)
    assert co.probability_from_samples(draws, lower, upper) == pytest.approx(printed, abs=3e-3)


@pytest.mark.parametrize(
    ("distance_in_u", "p"), [(0, 0.5), (1, 0.841), (1.645, 0.95), (2, 0.977), (3, 0.99865)]
)
def test_one_sided_distances(distance_in_u: float, p: float) -> None:
    """Normal distribution, computed; on the limit itself the chance is a half."""
    got = co.probability_of_conformity(70.0 + distance_in_u * 0.3, 0.3, lower=70.0)
    assert float(got) == pytest.approx(p, abs=5e-4)


def test_speed_enforcement_guard_band() -> None:
    """8.3.3.2: act at 107 km/h to be 99.9 % sure of more than 100, u 2 % (from memory)."""
    speeds = np.linspace(100.0, 110.0, 100_001)
    p = co.probability_of_conformity(speeds, 0.02 * speeds, lower=100.0)
    lowest = speeds[np.argmax(p >= 0.999)]
    assert lowest == pytest.approx(106.588, abs=2e-3)
    assert math.ceil(lowest) == 107


def test_guard_band_of_the_expanded_uncertainty() -> None:
    """ILAC-G8 rule w = U: at most 2.3 % false acceptance at the limit (from memory, computed)."""
    u = 0.4
    lower, upper = co.acceptance_limits(70.0, None, 2 * u)
    assert upper is None
    assert lower == pytest.approx(70.8)
    assert 1 - float(co.probability_of_conformity(70.8, u, lower=70.0)) < 0.023
    # a band of 1.645 u, 0.822 U, leaves 5 % (computed)
    assert coverage_factor(0.90) / 2 == pytest.approx(0.822, abs=5e-4)


# 9.5.4: items of Gamma(shape 4, scale 0.25), upper limit 2, u 0.25 (seen unless marked)
def items(x: FloatArray) -> FloatArray:
    return np.asarray(x**3 * np.exp(-x / 0.25) / (gamma(4.0) * 0.25**4))


def risk(accept: float) -> co.Risk:
    return co.global_risk(
        items,
        support=(0.0, 20.0),
        standard_uncertainty=0.25,
        limits=(None, 2.0),
        acceptance=(None, accept),
    )


def test_9_5_4_global_risks() -> None:
    simple = risk(2.0)
    assert simple.nonconforming == pytest.approx(0.0424, abs=1e-4)
    assert simple.consumer == pytest.approx(0.0080, abs=1e-4)
    assert simple.producer == pytest.approx(0.01744, abs=1e-4)  # computed
    guarded = risk(1.672)
    assert guarded.consumer == pytest.approx(0.001, abs=5e-6)
    assert guarded.producer == pytest.approx(0.0755, abs=1e-4)  # computed


def test_9_5_4_by_making_and_measuring_items() -> None:
    """The same risks by drawing items and measurements, with nothing of the code in between."""
    rng = np.random.default_rng(954)
    true = rng.gamma(4.0, 0.25, 2_000_000)
    seen = true + rng.normal(0.0, 0.25, true.size)
    simple = risk(2.0)
    assert simple.consumer == pytest.approx(np.mean((true > 2) & (seen <= 2)), abs=3e-4)
    assert simple.producer == pytest.approx(np.mean((true <= 2) & (seen > 2)), abs=5e-4)
