"""Conduction, fronts and food properties: edges and refusals."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.physics import conduction, food, half_space

BODY: dict[str, Any] = {
    "half_size_m": 0.02,
    "conductivity_w_m_k": 0.5,
    "density_kg_m3": 1000.0,
    "heat_capacity_j_kg_k": 3000.0,
    "coefficient_w_m2_k": 25.0,
    "start_c": 20.0,
    "surroundings_c": 200.0,
}


def test_time_and_place_broadcast_and_time_zero_is_the_start() -> None:
    at = conduction.series_temperature(
        "slab",
        position=np.array([0.0, 0.5, 1.0]),
        time_s=np.array([[0.0], [600.0]]),
        **BODY,
    )
    assert at.shape == (2, 3)
    np.testing.assert_array_equal(at[0], 20.0)
    assert at[1, 0] < at[1, 1] < at[1, 2]


def test_held_face_is_at_once_at_the_surroundings() -> None:
    held = BODY | {"coefficient_w_m2_k": np.inf}
    for shape in conduction.SHAPES:
        at = conduction.series_temperature(
            shape,  # type: ignore[arg-type]
            position=1.0,
            time_s=np.array([1.0, 100.0]),
            **held,
        )
        assert at == pytest.approx([200.0, 200.0], abs=1e-6)


def test_conduction_refusals() -> None:
    with pytest.raises(UnknownName, match="slab, cylinder, sphere"):
        conduction.roots("cone", 1.0, 3)  # type: ignore[arg-type]
    for biot in (0.0, -1.0, np.nan):
        with pytest.raises(OutOfRange, match="biot"):
            conduction.roots("slab", biot, 3)
    with pytest.raises(OutOfRange, match="n is 0"):
        conduction.roots("slab", 1.0, 0)
    for place in (-0.1, 1.1, np.nan):
        with pytest.raises(OutOfRange, match="position"):
            conduction.series_ratio("slab", biot=1.0, fourier=1.0, position=place)
    for fourier in (-1.0, np.nan):
        with pytest.raises(OutOfRange, match="fourier"):
            conduction.series_ratio("slab", biot=1.0, fourier=fourier, position=0.0)
    with pytest.raises(OutOfRange, match="half-space"):
        conduction.series_ratio("slab", biot=1.0, fourier=1e-8, position=0.0)
    for fourier in (0.1999, np.nan):
        with pytest.raises(OutOfRange, match=r"0\.2 or above"):
            conduction.first_term("slab", biot=1.0, fourier=fourier, position=0.0)
    for name in ("half_size_m", "density_kg_m3", "conductivity_w_m_k", "coefficient_w_m2_k"):
        with pytest.raises(OutOfRange, match=name.replace("half_size_m", "length_m")):
            conduction.series_temperature("slab", position=0.0, time_s=1.0, **(BODY | {name: 0.0}))


def test_half_space_at_time_zero_and_refusals() -> None:
    at = half_space.half_space_convective(
        np.array([0.0, 0.01]),
        0.0,
        coefficient_w_m2_k=20.0,
        conductivity_w_m_k=0.5,
        diffusivity_m2_s=1e-7,
        start_c=20.0,
        surroundings_c=200.0,
    )
    np.testing.assert_array_equal(at, 20.0)
    with pytest.raises(OutOfRange, match="time_s"):
        half_space.half_space_fixed(0.0, -1.0, diffusivity_m2_s=1e-7, start_c=0.0, surface_c=1.0)
    with pytest.raises(OutOfRange, match="diffusivity"):
        half_space.half_space_fixed(0.0, 1.0, diffusivity_m2_s=0.0, start_c=0.0, surface_c=1.0)
    with pytest.raises(OutOfRange, match="time_s"):
        half_space.half_space_fixed_flux_w_m2(
            0.0, conductivity_w_m_k=1.0, diffusivity_m2_s=1e-7, start_c=0.0, surface_c=1.0
        )
    for stefan in (0.0, -1.0, np.nan):
        with pytest.raises(OutOfRange, match="stefan"):
            half_space.front_root(stefan)
    with pytest.raises(OutOfRange, match="far_ratio"):
        half_space.front_root_two_phase(
            1.0, conductivity_ratio=1.0, diffusivity_ratio=1.0, far_ratio=-0.1
        )


def test_food_refusals_and_rounded_shares() -> None:
    with pytest.raises(OutOfRange, match="sum of the mass shares"):
        food.composition_heat_capacity(20.0, water=0.5)
    with pytest.raises(OutOfRange, match="water"):
        food.composition_heat_capacity(20.0, water=1.2)
    with pytest.raises(OutOfRange, match="-40 to 150 °C"):
        food.composition_density(200.0, water=1.0)
    with pytest.raises(OutOfRange, match="gas_share"):
        food.composition_density(20.0, gas_share=1.0, water=1.0)
    rounded = food.composition_heat_capacity(20.0, water=0.667, fat=0.332)
    exact = food.composition_heat_capacity(20.0, water=0.667 / 0.999, fat=0.332 / 0.999)
    assert rounded == pytest.approx(exact, rel=1e-12)


def test_gas_makes_a_food_lighter_by_its_share() -> None:
    dense = food.composition_density(20.0, water=0.4, carbohydrate=0.6)
    airy = food.composition_density(20.0, gas_share=0.7, water=0.4, carbohydrate=0.6)
    assert airy == pytest.approx(0.3 * dense)
    diffusivity = food.composition_diffusivity(
        np.array([20.0, np.nan]), water=0.4, carbohydrate=0.6
    )
    assert 1e-7 < diffusivity[0] < 2e-7
    assert np.isnan(diffusivity[1])
