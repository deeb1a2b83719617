"""Thick bodies, lumped bodies and moving fronts against worked cases."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.physics import conduction, half_space


def test_constant_flux_on_wood() -> None:
    # Source: Cengel & Ghajar, Heat and Mass Transfer, ch. 4, as worked by the open-source library
    # pychemengg: 1250 W/m² on wood for 20 min
    at = half_space.half_space_flux(
        0.0,
        1200.0,
        flux_w_m2=1250.0,
        conductivity_w_m_k=0.159,
        diffusivity_m2_s=1.75e-7,
        start_c=20.0,
    )
    assert float(at) == pytest.approx(148.5516323, abs=1e-6)


def test_ground_under_a_frozen_face() -> None:
    # Source: as above; 90 days
    flux = half_space.half_space_fixed_flux_w_m2(
        90 * 86_400.0,
        conductivity_w_m_k=0.4,
        diffusivity_m2_s=0.15e-6,
        start_c=15.0,
        surface_c=-10.0,
    )
    assert float(flux) == pytest.approx(-5.2239776, abs=1e-6)


def test_depth_of_frost() -> None:
    # Source: Incropera & DeWitt, buried water mains: inputs from memory, the book prints 0.68 m
    at = half_space.half_space_fixed(
        0.67696, 60 * 86_400.0, diffusivity_m2_s=0.138e-6, start_c=20.0, surface_c=-15.0
    )
    assert float(at) == pytest.approx(0.0, abs=2e-3)


def test_hand_on_aluminium() -> None:
    # Source: Cengel & Ghajar, as above
    touch = half_space.contact_temperature(
        first_c=32.0, first_effusivity=1100.0, second_c=20.0, second_effusivity=24_000.0
    )
    assert touch == pytest.approx(20.5258964, abs=1e-6)


def test_lumped_plate() -> None:
    # Source: Cengel & Ghajar, as above
    biot = half_space.lumped_biot(
        coefficient_w_m2_k=53.0, volume_m3=0.02, area_m2=2.0, conductivity_w_m_k=180.0
    )
    assert biot == pytest.approx(0.0029444, abs=1e-7)
    tau = half_space.lumped_time_constant_s(
        coefficient_w_m2_k=53.0, area_m2=2.0, mass_kg=2800 * 0.02, heat_capacity_j_kg_k=880.0
    )
    at = half_space.lumped_temperature(
        60.0, time_constant_s=tau, start_c=700.0, surroundings_c=15.0
    )
    assert float(at) == pytest.approx(617.06198, abs=1e-4)


def test_thermocouple_bead() -> None:
    # Source: Cengel & Ghajar, example 4-1 (reprint): 1/tau 0.463 1/s, 99 % in 10 s (9.94)
    diameter = 1e-3
    area, volume = np.pi * diameter**2, np.pi * diameter**3 / 6
    tau = half_space.lumped_time_constant_s(
        coefficient_w_m2_k=210.0, area_m2=area, mass_kg=8500 * volume, heat_capacity_j_kg_k=320.0
    )
    assert 1 / tau == pytest.approx(0.463, abs=5e-4)
    left = half_space.lumped_temperature(9.94, time_constant_s=tau, start_c=1.0, surroundings_c=0.0)
    assert float(left) == pytest.approx(0.01, abs=1e-4)


# Source: Neumann's solution, Carslaw & Jaeger 1959, sec. 11.2; roots by an independent program
@pytest.mark.parametrize(
    ("stefan", "root"),
    [
        (0.01, 0.070593),
        (0.05, 0.156821),
        (0.1, 0.220016),
        (0.2, 0.306424),
        (0.5, 0.464786),
        (1.0, 0.620063),
        (2.0, 0.800601),
        (5.0, 1.059687),
    ],
)
def test_front_root(stefan: float, root: float) -> None:
    assert half_space.front_root(stefan) == pytest.approx(root, abs=1e-6)


ICE = 2.22 / (917 * 2050)


def test_ice_over_water_at_its_freezing_point() -> None:
    # Source: as above; face at -10 °C, latent heat 334 kJ/kg
    root = half_space.front_root(2050 * 10 / 334e3)
    depth = half_space.front_depth_m(np.array([3600.0, 86_400.0]), root=root, diffusivity_m2_s=ICE)
    assert depth == pytest.approx([0.022616, 0.110797], abs=1e-6)


def test_ice_over_warmer_water() -> None:
    # Source: as above, two phases, water at 10 °C
    root = half_space.front_root_two_phase(
        2050 * 10 / 334e3,
        conductivity_ratio=0.6 / 2.22,
        diffusivity_ratio=ICE / (0.6 / (1000 * 4186)),
        far_ratio=1.0,
    )
    assert root == pytest.approx(0.154250, abs=1e-6)
    depth = half_space.front_depth_m(86_400.0, root=root, diffusivity_m2_s=ICE)
    assert float(depth) == pytest.approx(0.098543, abs=1e-6)


def test_two_phases_fall_back_to_one() -> None:
    one = half_space.front_root(0.3)
    two = half_space.front_root_two_phase(
        0.3, conductivity_ratio=2.0, diffusivity_ratio=0.5, far_ratio=0.0
    )
    assert two == pytest.approx(one, abs=1e-12)


@pytest.mark.parametrize(
    ("face_c", "depth_mm"),
    [
        (120.0, (5.414, 7.656, 9.377)),
        (150.0, (8.440, 11.936, 14.618)),
        (180.0, (10.533, 14.896, 18.244)),
    ],
)
def test_dry_zone_over_a_wet_crumb(face_c: float, depth_mm: tuple[float, ...]) -> None:
    # Source: Neumann's solution with crust-like properties, by an independent program
    sensible = 321.31 * 1500
    root = half_space.front_root(sensible * (face_c - 100) / 1.60584e8)
    depth = half_space.front_depth_m(
        np.array([600.0, 1200.0, 1800.0]), root=root, diffusivity_m2_s=0.2 / sensible
    )
    assert depth * 1e3 == pytest.approx(depth_mm, abs=2e-3)


def test_convective_face_is_what_a_thick_slab_does_at_first() -> None:
    # Source: the slab series (Carslaw & Jaeger 1959, sec. 3.11), whose middle is not yet reached
    half, k, alpha, h = 0.5, 0.5, 1.5e-7, 30.0
    depth = np.array([0.0, 0.002, 0.01, 0.03])
    time = np.array([[60.0], [600.0], [3600.0]])
    thick = half_space.half_space_convective(
        depth,
        time,
        coefficient_w_m2_k=h,
        conductivity_w_m_k=k,
        diffusivity_m2_s=alpha,
        start_c=20.0,
        surroundings_c=200.0,
    )
    slab = conduction.series_temperature(
        "slab",
        position=1.0 - depth / half,
        half_size_m=half,
        conductivity_w_m_k=k,
        density_kg_m3=1000.0,
        heat_capacity_j_kg_k=k / alpha / 1000.0,
        coefficient_w_m2_k=h,
        start_c=20.0,
        surroundings_c=200.0,
        time_s=time,
    )
    assert np.max(np.abs(thick - slab)) < 1e-6


def test_strong_convection_does_not_overflow_and_comes_to_a_held_face() -> None:
    place = np.array([0.001, 0.01])
    strong = half_space.half_space_convective(
        place,
        3600.0,
        coefficient_w_m2_k=1e7,
        conductivity_w_m_k=0.5,
        diffusivity_m2_s=1.5e-7,
        start_c=20.0,
        surroundings_c=200.0,
    )
    held = half_space.half_space_fixed(
        place, 3600.0, diffusivity_m2_s=1.5e-7, start_c=20.0, surface_c=200.0
    )
    assert strong == pytest.approx(held, abs=1e-3)
