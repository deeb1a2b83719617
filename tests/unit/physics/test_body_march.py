"""The heated body: what it must keep whatever the numbers."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_curve import PropertyCurve
from ovenwright.physics.body_march import march
from ovenwright.physics.body_parameters import BodyParameters, Underside
from ovenwright.physics.body_surroundings import Surroundings

HELD = Surroundings(np.array([0.0]), np.array([200.0]))


def loaf(**changes: object) -> BodyParameters:
    given: dict[str, object] = {
        "half_size_m": 0.03,
        "shape": 1.0,
        "conductivity_w_m_k": PropertyCurve.of(lambda t: 0.3 + 0.006 * t, low_c=0.0, high_c=100.0),
        "heat_capacity_j_m3_k": PropertyCurve.of(
            lambda t: 8e5 + 500.0 * t, low_c=0.0, high_c=100.0
        ),
        "dry_conductivity_w_m_k": 0.2,
        "dry_heat_capacity_j_m3_k": 5e5,
        "water_kg_m3": 120.0,
        "coefficient_w_m2_k": 12.0,
        "emissivity": 0.9,
        "density_kg_m3": 300.0,
    }
    return BodyParameters(**(given | changes))  # type: ignore[arg-type]


def test_heat_is_conserved_with_front_drying_and_pan() -> None:
    moist = Surroundings(
        np.array([0.0, 600.0, 1200.0]),
        np.array([150.0, 230.0, 200.0]),
        wall_c=np.array([160.0, 250.0, 220.0]),
        under_air_c=np.array([180.0, 220.0, 220.0]),
        vapour_pressure_pa=np.array([30_000.0, 5_000.0, 5_000.0]),
    )
    tin = Underside(20.0, emissivity=0.8, contact_w_m2_k=150.0)
    for body in (
        loaf(mass_transfer_kg_m2_s_pa=2e-8),
        loaf(shape=0.0, half_size_m=0.05, under=tin, mass_transfer_kg_m2_s_pa=2e-8),
        loaf(shape=0.0, half_size_m=0.05, under=Underside(30.0)),
    ):
        for step_s in (None, 20.0):
            run = march(body, moist, start_c=25.0, out_times_s=[1800.0], step_s=step_s)
            assert abs(run.ledger.imbalance[0]) < 1e-6
            assert run.ledger.boiled[0] > 1e4
            assert run.mass_loss_kg_m2[-1, 0] > 0.0


def test_going_on_from_a_state_is_the_same_march() -> None:
    times = np.arange(0.0, 901.0, 5.0)
    whole = march(loaf(), HELD, start_c=25.0, out_times_s=times, step_s=5.0)
    first = march(loaf(), HELD, start_c=25.0, out_times_s=times[:91], step_s=5.0)
    second = march(loaf(), HELD, state=first.state, out_times_s=times[91:], step_s=5.0)
    joined = np.concatenate((first.temp_c, second.temp_c))
    assert joined == pytest.approx(whole.temp_c, abs=1e-6)
    assert second.heat_j_m2[-1] == pytest.approx(whole.heat_j_m2[-1], rel=1e-9)
    assert abs(second.ledger.imbalance[0]) < 1e-6


@pytest.mark.parametrize("members", [3, 450])
def test_members_do_not_know_of_each_other(members: int) -> None:
    sizes = np.linspace(0.02, 0.04, members)
    times = np.array([300.0, 600.0])
    together = march(
        loaf(half_size_m=sizes), HELD, start_c=25.0, out_times_s=times, step_s=10.0, nodes=21
    )
    for i in (0, members - 1):
        alone = march(
            loaf(half_size_m=sizes[i]), HELD, start_c=25.0, out_times_s=times, step_s=10.0, nodes=21
        )
        assert together.temp_c[:, i] == pytest.approx(alone.temp_c[:, 0], abs=0.02)


def test_refuses_what_no_body_can_be() -> None:
    with pytest.raises(OutOfRange, match=r"half_size_m is 0.*give half the thickness"):
        loaf(half_size_m=0.0)
    with pytest.raises(OutOfRange, match="shape is 3"):
        loaf(shape=3.0)
    with pytest.raises(OutOfRange, match="emissivity"):
        loaf(emissivity=np.array([0.9, np.nan]))
    with pytest.raises(OutOfRange, match="conductivity_w_m_k is -1"):
        loaf(conductivity_w_m_k=-1.0)
    with pytest.raises(OutOfRange, match="only a slab has two unlike faces"):
        loaf(under=Underside(10.0))
    with pytest.raises(OutOfRange, match="start_c is 120 °C"):
        march(loaf(), HELD, start_c=120.0, out_times_s=[10.0])
    with pytest.raises(OutOfRange, match="vapour_pressure_pa"):
        march(loaf(mass_transfer_kg_m2_s_pa=1e-8), HELD, start_c=20.0, out_times_s=[10.0])
    with pytest.raises(OutOfRange, match="out_positions is 2"):
        march(loaf(), HELD, start_c=20.0, out_times_s=[10.0], out_positions=[2.0])


def test_members_that_need_more_rounds_get_what_they_would_alone() -> None:
    # sixty bodies that dry at moments of their own: in most steps few of them need another round
    spread = np.exp(0.3 * np.random.default_rng(4).normal(size=(2, 60)))
    many = loaf(half_size_m=0.015 * spread[0], coefficient_w_m2_k=20.0 * spread[1])
    times = np.arange(60.0, 1201.0, 60.0)

    def core(body: BodyParameters) -> FloatArray:
        run = march(body, HELD, start_c=25.0, out_times_s=times, nodes=13, step_s=5.0)
        assert np.max(np.abs(run.ledger.imbalance)) < 1e-9
        return np.asarray(run.temp_c[:, :, 0])

    together = core(many)
    for i in (0, 7, 31, 59):
        alone = core(loaf(half_size_m=0.015 * spread[0, i], coefficient_w_m2_k=20.0 * spread[1, i]))
        assert together[:, i] == pytest.approx(alone[:, 0], abs=1e-6)
