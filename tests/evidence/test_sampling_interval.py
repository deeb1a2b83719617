"""The interval rules against worked numbers and against what the trade does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import special

from ovenwright.physics import sampling

# Worst error of straight lines through a first-order change, as a share of the change: computed
# from the chord of an exponential, dt/tau 0.1, 0.2, 0.5, 1
CHORD_ERRORS = [(0.1, 0.00119), (0.2, 0.00453), (0.5, 0.0245), (1.0, 0.078)]


@pytest.mark.parametrize(("ratio", "share"), CHORD_ERRORS)
def test_worst_error_between_readings(ratio: float, share: float) -> None:
    ours = sampling.change_error_k(interval_s=ratio, step_k=1.0, time_constants_s=(1.0,))
    assert ours == pytest.approx(share, rel=5e-3)
    time = np.linspace(0.0, ratio, 20_001)
    chord = 1.0 + (math.exp(-ratio) - 1.0) * time / ratio
    assert ours == pytest.approx(float(np.max(chord - np.exp(-time))), rel=1e-6)


# 0.5 °C missed of a 200 °C step: worked numbers of dt <= tau sqrt(8 e/A)
@pytest.mark.parametrize(("time_constant_s", "interval_s"), [(20.0, 2.8), (3.0, 0.42)])
def test_interval_for_a_sudden_change(time_constant_s: float, interval_s: float) -> None:
    ours = sampling.change_interval_s(
        step_k=200.0, time_constants_s=(time_constant_s,), error_k=0.5
    )
    assert ours == pytest.approx(interval_s, abs=0.05 if interval_s > 1 else 0.005)
    missed = sampling.change_error_k(
        interval_s=ours, step_k=200.0, time_constants_s=(time_constant_s,)
    )
    assert 0.45 < missed <= 0.5


def test_two_time_constants_hold_the_bound() -> None:
    """Step response of two lags in a row, worked out directly."""
    first, second, step = 40.0, 7.0, 150.0
    dt = sampling.change_interval_s(step_k=step, time_constants_s=(first, second), error_k=0.5)
    fine = np.linspace(0.0, 400.0, 400_001)

    def response(t: np.ndarray) -> np.ndarray:
        value: np.ndarray = step * (
            1.0 - (first * np.exp(-t / first) - second * np.exp(-t / second)) / (first - second)
        )
        return value

    coarse = np.arange(0.0, 400.0 + dt, dt)
    worst = float(np.max(np.abs(np.interp(fine, coarse, response(coarse)) - response(fine))))
    assert 0.3 < worst <= 0.5


# (rate K/s, z K, interval s) at which the trapezoid rule reads 1 % high, worked from
# x coth x - 1: a core at 8 °C/min with z 6.58 (Salmonella in bun dough, Channaiah et al. 2016,
# J Food Prot 79(4):544-552), a surface at 1 °C/s and at 3 °C/s with z 10
@pytest.mark.parametrize(
    ("rate_k_s", "z_k", "interval_s"), [(8 / 60, 6.58, 7.4), (1.0, 10.0, 1.5), (3.0, 10.0, 0.5)]
)
def test_interval_for_lethality(rate_k_s: float, z_k: float, interval_s: float) -> None:
    ours = sampling.lethality_interval_s(rate_k_s=rate_k_s, z_k=z_k, share=0.01)
    assert ours == pytest.approx(interval_s, rel=0.01)
    assert ours == pytest.approx(0.150 * z_k / rate_k_s, rel=0.005)
    assert sampling.trapezoid_excess(interval_s=ours, rate_k_s=rate_k_s, z_k=z_k) == pytest.approx(
        0.01, rel=1e-9
    )


@pytest.mark.parametrize(
    ("interval_s", "rate_k_s", "z_k", "excess"),
    [
        (2.5, 8 / 60, 6.58, 0.0011),
        (30.0, 8 / 60, 6.58, 0.158),
        (2.5, 1.0, 10.0, 0.027),
        (0.25, 3.0, 10.0, 0.0025),
        (2.5, 3.0, 10.0, 0.24),
    ],
)
def test_excess_of_the_trapezoid_rule(
    interval_s: float, rate_k_s: float, z_k: float, excess: float
) -> None:
    ours = sampling.trapezoid_excess(interval_s=interval_s, rate_k_s=rate_k_s, z_k=z_k)
    assert ours == pytest.approx(excess, rel=0.04)  # printed to two digits
    # and directly: two readings of a ramp
    rate = 10.0 ** (rate_k_s * np.array([0.0, interval_s]) / z_k)
    exact = (rate[1] - rate[0]) * z_k / (math.log(10.0) * rate_k_s)
    assert ours == pytest.approx(float(rate.mean() * interval_s / exact) - 1.0, rel=1e-9)


# First roots of the conduction series at Bi 0.1, 1 and 10 (Cengel and Ghajar, Heat and Mass
# Transfer, Table 4-2)
ROOTS = {
    "slab": {0.1: 0.3111, 1.0: 0.8603, 10.0: 1.4289},
    "cylinder": {0.1: 0.4417, 1.0: 1.2558, 10.0: 2.1795},
    "sphere": {0.1: 0.5423, 1.0: 1.5708, 10.0: 2.8363},
}


@pytest.mark.parametrize("shape", ROOTS)
def test_time_constant_of_the_inside(shape: str) -> None:
    for biot, root in ROOTS[shape].items():
        ours = sampling.product_time_constant_s(
            shape=shape,
            half_size_m=0.02,
            diffusivity_m2_s=1.5e-7,
            conductivity_w_m_k=0.5,
            coefficient_w_m2_k=biot * 0.5 / 0.02,
        )
        exact = 0.02**2 / 1.5e-7 / root**2
        assert 0.98 < ours / exact < 1.10, (shape, biot)


def test_surface_time_constant_is_the_half_space_scale() -> None:
    """After one such time a convected half space's surface has come 57 % of the way.

    1 - exp(1) erfc(1): Carslaw and Jaeger, Conduction of Heat in Solids, convection at a face.
    """
    assert 1.0 - special.erfcx(1.0) == pytest.approx(0.572, abs=1e-3)
    scale = sampling.surface_time_constant_s(
        diffusivity_m2_s=4.8e-7, conductivity_w_m_k=0.2, coefficient_w_m2_k=30.0
    )
    assert 30.0**2 * 4.8e-7 * scale / 0.2**2 == pytest.approx(1.0)


def test_lumped_body() -> None:
    # k 180, rho 2800, c 880, h 53, A 2 m², V 0.02 m³, 700 °C in 15 °C: 617.0620 °C after 60 s
    # (Cengel and Ghajar, Heat and Mass Transfer, ch. 4; Bi 0.0029)
    tau = sampling.body_time_constant_s(
        mass_kg=2800 * 0.02, heat_capacity_j_kg_k=880, area_m2=2.0, coefficient_w_m2_k=53
    )
    assert 15.0 + 685.0 * math.exp(-60.0 / tau) == pytest.approx(617.0620, abs=1e-3)
