"""Time constants from the fall after letting go, against lumped sensors of known constant.

Truth: a lump that gives heat to air in proportion to the difference falls as exp(−t/τ) with
τ = ρVc/(hA) (Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5). That a finger is
warm enough to prove a channel is common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from ovenwright.conditioning.proof.falling import time_constant
from ovenwright.conditioning.proof.touching import TouchWatch
from ovenwright.domain.live import Reading
from ovenwright.errors import OutOfRange
from ovenwright.virtual.touching import Touch, TouchBench


def watched(tau_s: float, seed: int) -> tuple[float, float]:
    """Touch one virtual sensor as a person might and return what is found: value, standard."""
    rng = np.random.default_rng(1000 + seed)
    hold = float(rng.uniform(4.0, 9.0))
    bench = TouchBench(
        ["a"],
        [tau_s],
        interval_s=0.25 if tau_s < 3 else float(rng.choice([0.25, 0.5, 1.0])),
        room_c=float(rng.uniform(18.0, 26.0)),
        contact=float(rng.uniform(6.0, 25.0)),
        noise_k=float(rng.uniform(0.02, 0.1)),
        draught_k=float(rng.uniform(0.0, 0.06)),
        resolution_k=float(rng.choice([0.01, 0.1])),
        seed=seed,
    )
    watch = TouchWatch(bench.names)
    time_s, shown = bench.shown([Touch("a", 7.0, 7.0 + hold)], until_s=12.0 + hold + 4.0 * tau_s)
    for t, v in zip(time_s, shown[:, 0], strict=True):
        stamp = round(float(t) * 1e9)
        watch.feed([Reading("a", stamp, stamp, float(v))])
    watch.finish()
    found = watch.time_constants.get("a", ())
    return (found[0].value_s, found[0].standard_s) if found else (math.nan, math.nan)


@pytest.mark.parametrize("tau_s", [1.0, 2.0, 5.0, 10.0, 20.0])
def test_within_15_percent_at_90_percent_of_seeds(tau_s: float) -> None:
    found = np.array([watched(tau_s, seed) for seed in range(24)])
    good = np.abs(found[:, 0] / tau_s - 1.0) <= 0.15  # nan is no success
    assert np.mean(good) >= 0.9, found[~good]
    # the stated uncertainty is honest: no more than a tenth lies beyond three of it
    apart = np.abs(found[:, 0] - tau_s) / found[:, 1]
    assert np.mean(apart > 3.0) <= 0.1, apart


def test_fall_without_noise_gives_its_constant_exactly() -> None:
    # Çengel, example 4-1: thermocouple bead with 1/τ = 0.463 1/s, so τ = 2.159 s
    time_s = np.linspace(0.0, 9.9, 100)
    temp_c = 22.0 + 9.0 * np.exp(-time_s / 2.159)
    found = time_constant(time_s, temp_c, asymptote_c=22.0, asymptote_standard_k=0.5, noise_k=0.001)
    assert found.value_s == pytest.approx(2.159, rel=1e-3)
    assert found.asymptote_c == pytest.approx(22.0, abs=1e-3)


def test_a_wrong_asymptote_is_mended_where_it_is_held_loosely() -> None:
    time_s = np.linspace(0.0, 59.5, 120)
    temp_c = 23.0 + 8.0 * np.exp(-time_s / 10.0)
    loose = time_constant(time_s, temp_c, asymptote_c=22.0, asymptote_standard_k=5.0, noise_k=0.01)
    assert loose.value_s == pytest.approx(10.0, rel=0.01)


def test_correlated_noise_widens_the_uncertainty() -> None:
    """A draught that lasts tells less than as many independent readings."""
    rng = np.random.default_rng(4)
    time_s = np.linspace(0.0, 39.75, 160)
    fall = 22.0 + 8.0 * np.exp(-time_s / 10.0)
    white = rng.normal(size=time_s.size)
    keep = math.exp(-0.25 / 4.0)
    lasting = np.zeros_like(white)
    for k in range(1, white.size):
        lasting[k] = keep * lasting[k - 1] + math.sqrt(1 - keep**2) * white[k]
    alone, together = (
        time_constant(
            time_s, fall + 0.1 * noise, asymptote_c=22.0, asymptote_standard_k=0.2, noise_k=0.1
        )
        for noise in (white, lasting)
    )
    assert together.standard_s > 1.8 * alone.standard_s


@pytest.mark.parametrize(
    ("temp_c", "reason"),
    [
        ([30.0, 25.0, 22.0], "too few"),
        ([22.0 + 0.001 * k % 2 for k in range(40)], "hardly fell"),
        ([31.0, *[22.0] * 30], "faster than"),
        ([31.0 - 0.01 * k for k in range(30)], "too little"),
    ],
)
def test_what_can_not_be_told_says_why(temp_c: list[float], reason: str) -> None:
    values = np.array(temp_c)
    found = time_constant(
        np.linspace(0.0, 0.5 * (values.size - 1), values.size), values, asymptote_c=22.0, asymptote_standard_k=0.2,
        noise_k=0.05,
    )  # fmt: skip
    assert math.isnan(found.value_s)
    assert reason in found.reason


def test_wrong_calls_are_refused() -> None:
    with pytest.raises(OutOfRange):
        time_constant(
            np.arange(3.0), np.arange(4.0), asymptote_c=0, asymptote_standard_k=1, noise_k=0
        )
    with pytest.raises(OutOfRange):
        time_constant(
            np.arange(9.0), np.arange(9.0), asymptote_c=0, asymptote_standard_k=0, noise_k=0
        )
