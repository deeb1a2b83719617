"""Properties of a body from composition and from a published set."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.errors import OutOfRange
from ovenwright.physics.body_curve import PropertyCurve
from ovenwright.physics.body_properties import (
    bread,
    bread_conductivity,
    from_composition,
    porous_conductivity,
    shape_exponent,
)

DOUGH = {"water": 0.42, "carbohydrate": 0.47, "protein": 0.08, "fat": 0.02, "ash": 0.01}


def test_dough_without_gas_at_25_c() -> None:
    # Source: Choi & Okos polynomials as in ASHRAE Refrigeration Handbook 2006, ch. 9: cp 2698.6,
    # density 1243.4, conductivity 0.4286 for this mixture (computed from the printed coefficients)
    found = from_composition(**DOUGH)  # type: ignore[arg-type]
    assert isinstance(found.conductivity_w_m_k, PropertyCurve)
    assert isinstance(found.heat_capacity_j_m3_k, PropertyCurve)
    at = np.array([25.0])
    assert found.density_kg_m3 == pytest.approx(1243.4, abs=0.05)
    assert found.conductivity_w_m_k.at(at)[0] == pytest.approx(0.4286, abs=5e-5)
    assert found.heat_capacity_j_m3_k.at(at)[0] == pytest.approx(1243.4 * 2698.6, rel=1e-4)
    assert found.water_kg_m3 == pytest.approx(0.42 * 1243.4, rel=1e-4)


def test_dried_dough_keeps_its_volume() -> None:
    found = from_composition(gas_share=0.6, **DOUGH)  # type: ignore[arg-type]
    assert found.density_kg_m3 == pytest.approx(0.4 * 1243.4, rel=1e-4)
    dry = found.dry_heat_capacity_j_m3_k
    moist = found.heat_capacity_j_m3_k
    assert isinstance(dry, PropertyCurve)
    assert isinstance(moist, PropertyCurve)
    at = np.array([100.0])
    water = found.water_kg_m3 * 4128.9  # what is missing is the water, near 100 °C within 2 %
    assert (moist.at(at) - dry.at(at))[0] == pytest.approx(water, rel=0.02)
    assert isinstance(found.dry_conductivity_w_m_k, PropertyCurve)
    assert 0.03 < found.dry_conductivity_w_m_k.at(at)[0] < 0.15


def test_gas_cells_lie_between_all_and_nothing() -> None:
    matrix = np.array([0.5])
    assert porous_conductivity(matrix, 0.0) == pytest.approx(matrix)
    assert porous_conductivity(matrix, 0.9999, gas_w_m_k=0.03) == pytest.approx(0.03, rel=1e-2)
    # cells that conduct nothing: k (1 - e)/(1 + e/2), Maxwell's own limit
    assert porous_conductivity(matrix, 0.5, gas_w_m_k=0.0) == pytest.approx(0.5 * 0.5 / 1.25)
    with pytest.raises(OutOfRange, match="gas_share"):
        porous_conductivity(matrix, 1.0)


def test_bread_conducts_better_where_vapour_carries_heat() -> None:
    found = bread()
    assert bread_conductivity(np.array([20.0, 80.01, 100.0])) == pytest.approx(
        [0.202, 0.65, 0.993], abs=2e-3
    )
    assert found.density_kg_m3 == pytest.approx(298.0, abs=0.1)
    assert found.body(0.03, coefficient_w_m2_k=10.0).moist


def test_shape_exponent_of_plain_bodies() -> None:
    r = 0.03
    assert shape_exponent(area_m2=2.0, volume_m3=2.0 * r, half_size_m=r) == pytest.approx(0.0)
    assert shape_exponent(
        area_m2=2 * np.pi * r, volume_m3=np.pi * r * r, half_size_m=r
    ) == pytest.approx(1.0)
    sphere = shape_exponent(area_m2=4 * np.pi * r**2, volume_m3=4 / 3 * np.pi * r**3, half_size_m=r)
    assert sphere == pytest.approx(2.0)
    with pytest.raises(OutOfRange, match="nearest face"):
        shape_exponent(area_m2=1.0, volume_m3=0.01, half_size_m=0.1)
