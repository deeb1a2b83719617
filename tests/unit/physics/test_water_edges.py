"""Water functions at their edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.errors import OutOfRange
from ovenwright.physics import water


@given(st.floats(0.7, 20_000))
def test_boiling_point_and_saturation_pressure_undo_each_other(kpa: float) -> None:
    assert water.saturation_pressure_kpa(water.boiling_point_c(kpa)) == pytest.approx(kpa, rel=1e-8)


@given(st.floats(-900, 10_900))
def test_higher_up_water_boils_cooler(metres: float) -> None:
    here, above = water.boiling_point_c(
        water.pressure_at_altitude_kpa(np.array([metres, metres + 10.0]))
    )
    assert above < here


def test_missing_stays_missing() -> None:
    for function in (
        water.boiling_point_c,
        water.saturation_pressure_kpa,
        water.latent_heat_j_kg,
        water.pressure_at_altitude_kpa,
    ):
        got = function(np.array([np.nan, 100.0]))
        assert np.isnan(got).tolist() == [True, False]
        assert isinstance(function(100.0), float)


def test_the_critical_point_and_the_ice_point_are_inside() -> None:
    assert water.boiling_point_c(22_064.0) == pytest.approx(373.946, abs=1e-3)
    assert water.latent_heat_j_kg(373.946) == pytest.approx(0.0, abs=1e3)
    assert water.saturation_pressure_kpa(0.0) == pytest.approx(0.611213, abs=1e-6)


def test_refusals_name_the_unit() -> None:
    with pytest.raises(OutOfRange, match=r"kPa.*1 bar is 100 kPa"):
        water.boiling_point_c(101_325.0)
    with pytest.raises(OutOfRange, match="°C"):
        water.saturation_pressure_kpa(-1.0)
    with pytest.raises(OutOfRange, match="°C"):
        water.latent_heat_j_kg(374.0)
    with pytest.raises(OutOfRange, match="20000 m"):
        water.pressure_at_altitude_kpa(20_000.0)
