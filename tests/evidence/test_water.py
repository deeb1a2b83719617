"""Boiling point, saturation pressure, latent heat and altitude against outside values."""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from ovenwright.physics import water

# MPa and K. Source: IAPWS R7-97(2012), table 36 (first two from memory, last in a copy; the formula's
# own agreement to seven digits and the property library below speak for all three)
VERIFICATION = [(0.1, 372.755919), (1.0, 453.035632), (10.0, 584.149488)]
# K and MPa. Source: IAPWS R7-97(2012), table 35 (from memory)
VERIFICATION_PRESSURE = [(300, 0.353658941e-2), (500, 2.63889776), (600, 12.3443146)]


@pytest.mark.parametrize(("mpa", "kelvin"), VERIFICATION)
def test_boiling_point_of_the_formulation_itself(mpa: float, kelvin: float) -> None:
    assert water.boiling_point_c(mpa * 1e3) + 273.15 == pytest.approx(kelvin, abs=6e-7)


@pytest.mark.parametrize(("kelvin", "mpa"), VERIFICATION_PRESSURE)
def test_saturation_pressure_of_the_formulation_itself(kelvin: float, mpa: float) -> None:
    assert water.saturation_pressure_kpa(kelvin - 273.15) == pytest.approx(mpa * 1e3, rel=2e-9)


# kPa and °C. Source: IAPWS-95, through the property library CoolProp 8.0
BOILING = [
    (50, 81.317), (70, 89.932), (80, 93.486), (85, 95.126), (90, 96.687), (95, 98.178),
    (98, 99.042), (100, 99.606), (101.325, 99.974), (102, 100.160), (103, 100.434),
    (105, 100.976), (110, 102.292), (150, 111.349), (200, 120.210),
]  # fmt: skip


@pytest.mark.parametrize(("kpa", "boils_c"), BOILING)
def test_boiling_point_where_kitchens_and_retorts_are(kpa: float, boils_c: float) -> None:
    assert water.boiling_point_c(float(kpa)) == pytest.approx(boils_c, abs=0.002)


def test_boiling_point_against_the_property_library() -> None:
    # Source: CoolProp (MIT), Helmholtz equation of IAPWS-95
    kpa = np.linspace(40.0, 250.0, 60)
    theirs = np.array([PropsSI("T", "P", p * 1e3, "Q", 0, "Water") - 273.15 for p in kpa])
    assert np.max(np.abs(water.boiling_point_c(kpa) - theirs)) < 0.003


def test_latent_heat_against_the_property_library() -> None:
    # Source: as above
    temp_c = np.linspace(1.0, 200.0, 60)
    theirs = np.array(
        [
            PropsSI("H", "T", t + 273.15, "Q", 1, "Water")
            - PropsSI("H", "T", t + 273.15, "Q", 0, "Water")
            for t in temp_c
        ]
    )
    assert np.max(np.abs(water.latent_heat_j_kg(temp_c) / theirs - 1.0)) < 2e-4


# geometric m, Pa, boiling °C. Source: U.S. Standard Atmosphere 1976 (equal to the ICAO atmosphere
# below 11 km; PyPI ambiance agrees to 0.02 Pa), with IAPWS-95
ALTITUDE = [
    (-400, 106223.7, 101.302), (0, 101325.0, 99.974), (100, 100129.5, 99.642),
    (300, 97772.7, 98.978), (500, 95461.3, 98.313), (750, 92634.6, 97.481),
    (1000, 89876.3, 96.649), (1500, 84559.7, 94.984), (2000, 79501.4, 93.317),
    (3000, 70121.2, 89.977), (4000, 61660.4, 86.628),
]  # fmt: skip


@pytest.mark.parametrize(("metres", "pascal", "boils_c"), ALTITUDE)
def test_altitude(metres: float, pascal: float, boils_c: float) -> None:
    kpa = water.pressure_at_altitude_kpa(float(metres))
    assert kpa * 1e3 == pytest.approx(pascal, abs=0.06)
    assert water.boiling_point_c(kpa) == pytest.approx(boils_c, abs=0.001)
