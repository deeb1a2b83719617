"""What the virtual oven's sensors rest on, against published tables: EMF, wrong types, boiling."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.virtual.emf import emf_mv, read_c
from ovenwright.virtual.water import boiling_point_c, latent_heat_j_kg, pressure_at_altitude_kpa

# NIST Monograph 175 (1993) tables, mV at °C, reference junction 0 °C
TABLE = {
    "T": {-40: -1.475, 0: 0.0, 20: 0.790, 25: 0.992, 100: 4.279, 150: 6.704, 200: 9.288, 250: 12.013, 300: 14.862, 400: 20.872},
    "K": {0: 0.0, 20: 0.798, 25: 1.000, 100: 4.096, 150: 6.138, 200: 8.138, 250: 10.153, 300: 12.209},
    "J": {0: 0.0, 20: 1.019, 25: 1.277, 100: 5.269, 150: 8.010, 200: 10.779, 250: 13.555, 300: 16.327},
    "N": {0: 0.0, 20: 0.525, 25: 0.659, 100: 2.774, 150: 4.302, 200: 5.913, 250: 7.597, 300: 9.341},
    "E": {0: 0.0, 20: 1.192, 25: 1.495, 100: 6.319, 150: 9.789, 200: 13.421, 250: 17.181, 300: 21.036},
}  # fmt: skip


@pytest.mark.parametrize("wire", sorted(TABLE))
def test_emf_is_the_printed_table(wire: str) -> None:
    at = np.array(list(TABLE[wire]), dtype=np.float64)
    printed = np.array(list(TABLE[wire].values()))
    assert np.abs(emf_mv(at, wire) - printed).max() <= 0.0005 + 1e-9


@pytest.mark.parametrize("wire", sorted(TABLE))
def test_reading_turns_emf_back(wire: str) -> None:
    at = np.linspace(-50.0, 399.0, 4491)
    assert np.abs(read_c(emf_mv(at, wire), wire) - at).max() < 1e-6


# wire, setting, true °C, shown °C with the reference junction at 25 °C: worked out from the reference
# functions of NIST Monograph 175, printed here to 0.01 °C
WRONG = (
    ("K", "T", 100.0, 95.91),
    ("K", "T", 200.0, 177.95),
    ("T", "K", 100.0, 104.61),
    ("T", "K", 200.0, 228.85),
    ("J", "K", 100.0, 121.76),
    ("N", "K", 100.0, 76.37),
    ("K", "T", 25.0, 25.0),
)


@pytest.mark.parametrize(("wire", "setting", "true_c", "shown_c"), WRONG)
def test_wrong_type_shows_the_known_number(
    wire: str, setting: str, true_c: float, shown_c: float
) -> None:
    volts = emf_mv(true_c, wire) - emf_mv(25.0, wire)
    assert float(read_c(volts + emf_mv(25.0, setting), setting)) == pytest.approx(
        shown_c, abs=0.0051
    )


# kPa, °C: saturation temperature by IAPWS-95
BOILING = (
    (70.0, 89.932),
    (80.0, 93.486),
    (90.0, 96.687),
    (95.0, 98.178),
    (100.0, 99.606),
    (101.325, 99.974),
    (105.0, 100.976),
    (110.0, 102.292),
)


@pytest.mark.parametrize(("kpa", "expected_c"), BOILING)
def test_boiling_point(kpa: float, expected_c: float) -> None:
    assert boiling_point_c(kpa) == pytest.approx(expected_c, abs=0.002)


def test_latent_heat() -> None:
    # 2256.4 kJ/kg at 100 °C (IAPWS-95); 2382.0 at 50 °C (steam tables, from memory)
    assert float(latent_heat_j_kg(100.0)) == pytest.approx(2.2564e6, rel=1e-3)
    assert float(latent_heat_j_kg(50.0)) == pytest.approx(2.3820e6, rel=3e-3)


# US Standard Atmosphere 1976, geometric height in m, pressure in Pa
@pytest.mark.parametrize(
    ("height_m", "pressure_pa"),
    [(0.0, 101325.0), (500.0, 95461.3), (1000.0, 89876.3), (2000.0, 79501.4)],
)
def test_standard_atmosphere(height_m: float, pressure_pa: float) -> None:
    assert pressure_at_altitude_kpa(height_m) * 1e3 == pytest.approx(pressure_pa, abs=1.0)
