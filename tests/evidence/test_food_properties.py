"""Food properties from composition against worked values."""

from __future__ import annotations

import pytest

from ovenwright.physics import food

# Source: Choi & Okos (1986), as tabled in ASHRAE Handbook Refrigeration (2006), ch. 9; the mixture
# was worked out by an independent program.
DOUGH: food.Composition = {
    "water": 0.42,
    "carbohydrate": 0.47,
    "protein": 0.08,
    "fat": 0.02,
    "ash": 0.01,
}


def test_gas_free_dough_at_25_c() -> None:
    assert food.composition_heat_capacity(25.0, **DOUGH) == pytest.approx(2698.6, abs=0.05)
    assert food.composition_density(25.0, **DOUGH) == pytest.approx(1243.4, abs=0.05)
    assert food.composition_conductivity(25.0, **DOUGH) == pytest.approx(0.4286, abs=5e-5)


@pytest.mark.parametrize(("at_c", "capacity"), [(60.0, 2732.0), (90.0, 2760.0)])
def test_gas_free_dough_warmer(at_c: float, capacity: float) -> None:
    assert food.composition_heat_capacity(at_c, **DOUGH) == pytest.approx(capacity, abs=0.5)


def test_conductivity_of_dough_at_60_c() -> None:
    assert food.composition_conductivity(60.0, **DOUGH) == pytest.approx(0.466, abs=5e-4)


# Pure water. Source: general knowledge of water at 20 °C (998.2 kg/m³, 4184 J/kg/K, 0.598 W/m/K,
# from memory): density and conductivity are good to better than 1 %. Heat capacity is 1.3 % low by
# its first coefficient, 4128.9; with 4176.2, as most copies of the source have it, it would be 0.2 %.
def test_pure_water_is_water() -> None:
    assert food.composition_density(20.0, water=1.0) == pytest.approx(998.2, rel=0.005)
    assert food.composition_heat_capacity(20.0, water=1.0) == pytest.approx(4184, rel=0.02)
    assert food.composition_conductivity(20.0, water=1.0) == pytest.approx(0.598, rel=0.02)
