"""How fast the error falls as steps and spacings are halved."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_curve import PropertyCurve
from ovenwright.physics.body_march import march
from ovenwright.physics.body_parameters import BodyParameters
from ovenwright.physics.body_properties import bread
from ovenwright.physics.body_surroundings import Surroundings

RISING = Surroundings(np.array([0.0, 600.0]), np.array([20.0, 220.0]))


def changing(shape: float) -> BodyParameters:
    """Conductivity and heat capacity double with temperature, radiation at the face."""
    return BodyParameters(
        half_size_m=0.02,
        shape=shape,
        conductivity_w_m_k=PropertyCurve(0.0, 200.0, np.array([0.4, 0.8])),
        heat_capacity_j_m3_k=PropertyCurve(0.0, 200.0, np.array([1e6, 2e6])),
        coefficient_w_m2_k=30.0,
        emissivity=0.9,
    )


def at_the_end(body: BodyParameters, *, nodes: int, step_s: float) -> FloatArray:
    run = march(
        body, RISING, start_c=20.0, out_times_s=[600.0], nodes=nodes, step_s=step_s,
        tolerance_k=1e-6, out_positions=(0.0, 0.5, 1.0),
    )  # fmt: skip
    return np.asarray(run.temp_c[0, 0])


@pytest.mark.parametrize("shape", [0.0, 0.3, 1.0, 2.0])
def test_second_order_in_space(shape: float) -> None:
    coarse, middle, fine = (at_the_end(changing(shape), nodes=n, step_s=5.0) for n in (11, 21, 41))
    order = np.log2(np.abs(coarse - middle) / np.abs(middle - fine))
    assert order == pytest.approx(2.0, abs=0.35)


@pytest.mark.parametrize("shape", [0.0, 0.3, 1.0, 2.0])
def test_second_order_in_time(shape: float) -> None:
    coarse, middle, fine = (
        at_the_end(changing(shape), nodes=21, step_s=s) for s in (15.0, 7.5, 3.75)
    )
    order = np.log2(np.abs(coarse - middle) / np.abs(middle - fine))
    assert order == pytest.approx(2.0, abs=0.35)


def test_with_a_front_the_core_still_gains_by_more_than_first_order() -> None:
    body = bread().body(0.02, shape=1.0, coefficient_w_m2_k=15.0, emissivity=0.9)
    around = Surroundings(np.array([0.0]), np.array([210.0]))
    times = np.arange(60.0, 481.0, 60.0)

    def core(step_s: float) -> FloatArray:
        run = march(
            body, around, start_c=25.0, out_times_s=times, nodes=31, step_s=step_s, tolerance_k=0.01
        )
        return run.temp_c[:, 0, 0]

    truth = core(0.25)
    off = [float(np.sqrt(np.mean((core(s) - truth) ** 2))) for s in (20.0, 5.0, 1.25)]
    assert off[0] < 0.2
    assert off[2] < off[0] / 20.0  # first order would give a sixteenth


def test_a_smaller_tolerance_gives_a_smaller_error() -> None:
    body = changing(1.0)
    truth = at_the_end(body, nodes=31, step_s=1.0)
    off = []
    for tolerance_k in (1.0, 0.1, 0.01):
        run = march(
            body, RISING, start_c=20.0, out_times_s=[600.0], nodes=31, tolerance_k=tolerance_k,
            out_positions=(0.0, 0.5, 1.0),
        )  # fmt: skip
        off.append(float(np.max(np.abs(run.temp_c[0, 0] - truth))))
        assert off[-1] < tolerance_k
    assert off[2] < 0.05 * off[0]


def test_a_conductivity_that_rises_steeply_costs_no_short_steps() -> None:
    # crumb conducts five times better from 70 to 90 °C; with conductivities of the first guess
    # alone, steps of 20 s were 0.08 K off here
    steep = PropertyCurve.of(
        lambda c: 0.2 + 0.9 / (1.0 + np.exp(-0.1 * (c - 80.0))), low_c=0.0, high_c=100.0
    )
    body = BodyParameters(
        half_size_m=0.05,
        shape=1.0,
        conductivity_w_m_k=steep,
        heat_capacity_j_m3_k=7e5,
        dry_conductivity_w_m_k=0.2,
        dry_heat_capacity_j_m3_k=6e5,
        coefficient_w_m2_k=12.0,
        emissivity=0.9,
        water_kg_m3=117.0,
    )
    around = Surroundings(np.array([0.0]), np.array([210.0]))
    times = np.arange(60.0, 1801.0, 60.0)

    def core(step_s: float) -> FloatArray:
        run = march(
            body, around, start_c=28.0, out_times_s=times, nodes=41, step_s=step_s, tolerance_k=0.1
        )
        return run.temp_c[:, 0, 0]

    truth = core(0.5)
    assert np.max(np.abs(core(20.0) - truth)) < 0.04
    assert np.max(np.abs(core(60.0) - truth)) < 0.5  # a guess far off leads nowhere odd
