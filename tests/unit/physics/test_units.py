"""Units: exact points and digits that come back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from ovenwright.errors import UnknownName
from ovenwright.physics import units

# Source: definitions (BIPM SI Brochure; NIST SP 811): melting ice, boiling water, the crossing at
# -40, absolute zero, and an oven
FIXED = [
    ("degF", 32.0, 0.0),
    ("degF", 212.0, 100.0),
    ("degF", -40.0, -40.0),
    ("degF", -459.67, -273.15),
    ("degF", 350.0, 176.6666667),
    ("K", 273.15, 0.0),
    ("K", 373.15, 100.0),
    ("K", 0.0, -273.15),
    ("degC", 180.5, 180.5),
]


@pytest.mark.parametrize(("unit", "value", "value_c"), FIXED)
def test_fixed_points(unit: str, value: float, value_c: float) -> None:
    assert units.to_celsius(value, unit) == pytest.approx(value_c, abs=1e-7)
    assert units.from_celsius(units.to_celsius(value, unit), unit) == value


@given(st.integers(-45_967, 400_000), st.integers(0, 4), st.sampled_from(units.UNITS))
def test_printed_digits_come_back(digits: int, decimals: int, unit: str) -> None:
    value = float(f"{digits}e-{decimals}")
    assume(abs(value) < 9_000)  # no oven is hotter
    assert units.from_celsius(units.to_celsius(value, unit), unit) == value


@given(st.integers(-27_315, 150_000), st.integers(0, 3))
def test_kelvin_readings_keep_their_decimals_in_celsius(digits: int, decimals: int) -> None:
    kelvin = float(f"{digits + 27_315}e-2")
    assert units.to_celsius(kelvin, "K") == float(f"{digits}e-2")
    whole = float(f"{digits}e-{decimals}")
    assume(abs(whole) < 9_000)
    assert units.to_celsius(units.from_celsius(whole, "K"), "K") == whole


def test_full_mantissa_values_move_by_less_than_any_digit() -> None:
    value = np.random.default_rng(5).uniform(-200, 2000, 10_000)
    for unit in units.UNITS:
        back = units.from_celsius(units.to_celsius(value, unit), unit)
        assert np.max(np.abs(back - value)) < 1e-11


def test_differences_have_no_offset() -> None:
    assert units.difference_from_kelvin(5.0, "degF") == 9.0
    assert units.difference_from_kelvin(0.1, "degF") == 0.18
    assert units.difference_from_kelvin(2.5, "degC") == 2.5
    assert units.difference_from_kelvin(2.5, "K") == 2.5
    assert units.difference_to_kelvin(18.0, "degF") == 10.0
    assert units.difference_to_kelvin(18.0, "K") == 18.0


def test_missing_and_copies() -> None:
    value = np.array([np.nan, 20.0])
    same = units.to_celsius(value, "degC")
    same[1] = 99.0
    assert value[1] == 20.0
    assert np.isnan(units.from_celsius(value, "degF")[0])


def test_unknown_unit() -> None:
    with pytest.raises(UnknownName, match="degC, degF, K"):
        units.to_celsius(1.0, "°R")
