"""Bodies in a sleeve on their way, against a general solver, and a member's course in any company."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from ovenwright.domain.arrays import FloatArray
from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import Ensemble, draw_prior
from ovenwright.modelling.simulating import Simulation

SIGMA = 5.670374419e-8  # W/m²/K⁴, CODATA 2018, exact by definition of the SI
KELVIN = 273.15
TIME = np.linspace(0.0, 1800.0, 61)
AIR = 25.0 + 215.0 * (1.0 - np.exp(-TIME / 90.0))


def in_sleeves(kinds: str, members: int = 64) -> Ensemble:
    return draw_prior(members, seed=3, knots=KNOTS.size, kinds=kinds, in_sleeve=True)


def marched(ensemble: Ensemble, out_s: FloatArray) -> FloatArray:
    simulation = Simulation(ensemble, start_s=0.0, start_c=25.0, boiling_c=99.97)
    return simulation.advance(TIME, AIR, out_s)


def two_lumps(ensemble: Ensemble, i: int, out_s: FloatArray) -> FloatArray:
    """Sleeve and body, each of one temperature, by scipy's LSODA."""
    v = {
        name: float(ensemble.value(name)[i])
        for name in (
            "half_size_m", "heat_capacity_j_m3_k", "shape", "coefficient_w_m2_k", "emissivity",
            "unseen_share", "sleeve_j_m2_k", "gap_w_m2_k", "gap_emissivity",
        )
    }  # fmt: skip
    body_j_m2_k = v["heat_capacity_j_m3_k"] * v["half_size_m"] / (v["shape"] + 1.0)

    def slopes(at_s: float, temp: FloatArray) -> FloatArray:
        sleeve, body = temp + KELVIN
        seen = np.interp(at_s, TIME, AIR)
        air = seen + v["unseen_share"] * (25.0 - seen) + KELVIN
        cold, hot = (25.0 + KELVIN) ** 4, (seen + KELVIN) ** 4
        walls = hot + v["unseen_share"] * (cold - hot)
        gained = v["coefficient_w_m2_k"] * (air - sleeve) + v["emissivity"] * SIGMA * (
            walls - sleeve**4
        )
        across = v["gap_w_m2_k"] * (sleeve - body) + v["gap_emissivity"] * SIGMA * (
            sleeve**4 - body**4
        )
        return np.array([(gained - across) / v["sleeve_j_m2_k"], across / body_j_m2_k])

    told = solve_ivp(
        slopes, (0.0, out_s[-1]), [25.0, 25.0], "LSODA", out_s, rtol=1e-8, atol=1e-8, max_step=20.0
    )
    return np.asarray(told.y[1], np.float64)


def test_metal_in_a_sleeve_heats_as_two_lumps_do() -> None:
    ensemble = in_sleeves("metal")
    half, k, gap = (ensemble.value(n) for n in ("half_size_m", "conductivity_w_m_k", "gap_w_m2_k"))
    # a Biot number this small makes a body one lump to 0.2 K
    lumps = np.flatnonzero((gap + 30.0) * half / k < 0.005)
    assert lumps.size >= 8
    out_s = 1800.0 * np.linspace(0.0, 1.0, 24) ** 1.3
    course = marched(ensemble, out_s)
    apart = np.stack([course[:, i] - two_lumps(ensemble, int(i), out_s) for i in lumps])
    # of a rise of 215 K, where both rise fastest; 0.2 K of it are the body's own grid
    assert np.max(np.abs(apart)) < 2.0
    assert np.sqrt(np.mean(apart**2)) < 0.4


@pytest.mark.parametrize("kinds", ["moist", "dry"])
def test_the_moments_that_are_asked_for_change_no_course(kinds: str) -> None:
    ensemble = in_sleeves(kinds)
    few = 1800.0 * np.linspace(0.0, 1.0, 24) ** 1.3
    many = np.unique(np.concatenate([few, np.linspace(0.0, 1800.0, 300)]))
    apart = marched(ensemble, few) - marched(ensemble, many)[np.searchsorted(many, few)]
    # sleeve and body one after the other, without setting right, was 2 K apart in the mean
    assert np.sqrt(np.mean(apart[-1] ** 2)) < 0.25
    # a front that passes the sensor moves a few by more
    assert np.quantile(np.abs(apart[12:]), 0.98) < 1.0


def test_a_member_heats_alike_in_any_company() -> None:
    ensemble = draw_prior(128, seed=3, knots=KNOTS.size, kinds="any")
    out_s = 1800.0 * np.linspace(0.0, 1.0, 24) ** 1.3
    every_other = np.arange(0, 128, 2)
    apart = marched(ensemble, out_s)[:, every_other] - marched(ensemble.take(every_other), out_s)
    assert np.sqrt(np.mean(apart**2)) < 0.1
