"""Certificate corrections between and beyond their points."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.errors import OutOfRange
from ovenwright.physics import calibration

AT, VALUE, EXPANDED = [50.0, 100.0, 200.0], [0.10, 0.30, 0.10], [0.20, 0.20, 0.40]


def test_points_and_straight_lines_between() -> None:
    value, doubt = calibration.correction(
        np.array([50.0, 75.0, 100.0, 150.0, 200.0]), AT, VALUE, EXPANDED, 2.0
    )
    np.testing.assert_allclose(value, [0.10, 0.20, 0.30, 0.20, 0.10])
    np.testing.assert_allclose(doubt, [0.10, 0.10, 0.10, 0.15, 0.20])


def test_outside_the_correction_is_held_and_the_doubt_grows() -> None:
    value, doubt = calibration.correction(np.array([0.0, 25.0, 250.0]), AT, VALUE, EXPANDED, 2.0)
    np.testing.assert_allclose(value, [0.10, 0.10, 0.10])
    # steepest slope between neighbours is 0.2 K over 50 K, 0.004 K/K
    expected = [
        np.hypot(0.1, 0.2 / 3**0.5),
        np.hypot(0.1, 0.1 / 3**0.5),
        np.hypot(0.2, 0.2 / 3**0.5),
    ]
    np.testing.assert_allclose(doubt, expected)


def test_a_steeper_certificate_grows_faster() -> None:
    _, gentle = calibration.correction(300.0, [100.0, 200.0], [0.0, 0.1], [0.2, 0.2], 2.0)
    _, steep = calibration.correction(300.0, [100.0, 200.0], [0.0, 2.0], [0.2, 0.2], 2.0)
    assert gentle == pytest.approx(np.hypot(0.1, 0.4 / 3**0.5))
    assert steep == pytest.approx(np.hypot(0.1, 2.0 / 3**0.5))


def test_a_single_point_serves_and_wanders_at_the_least_slope() -> None:
    value, doubt = calibration.correction(np.array([100.0, 200.0]), 100.0, -0.4, 0.3, 2.0)
    np.testing.assert_allclose(value, [-0.4, -0.4])
    np.testing.assert_allclose(doubt, [0.15, np.hypot(0.15, 0.4 / 3**0.5)])
    _, held = calibration.correction(200.0, 100.0, -0.4, 0.3, 2.0, growth_k_k=0.0)
    assert held == pytest.approx(0.15)


def test_order_of_points_and_coverage_by_point() -> None:
    forward = calibration.correction(130.0, AT, VALUE, EXPANDED, [2.0, 1.0, 4.0])
    turned = calibration.correction(130.0, AT[::-1], VALUE[::-1], EXPANDED[::-1], [4.0, 1.0, 2.0])
    assert forward == turned
    assert forward[1] == pytest.approx(0.2 + 0.3 * (0.1 - 0.2))


def test_missing_stays_missing_and_shape_is_kept() -> None:
    value, doubt = calibration.correction(np.array([[np.nan], [60.0]]), AT, VALUE, EXPANDED, 2.0)
    assert value.shape == doubt.shape == (2, 1)
    assert np.isnan(value[0, 0])
    assert np.isnan(doubt[0, 0])
    assert isinstance(calibration.correction(60.0, AT, VALUE, EXPANDED, 2.0)[0], float)


@given(st.floats(-200, 600))
def test_doubt_is_never_below_the_certificates_best(temp_c: float) -> None:
    _, doubt = calibration.correction(temp_c, AT, VALUE, EXPANDED, 2.0)
    assert doubt >= 0.1 - 1e-12


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (([], [], [], 2.0), "at least one"),
        (([1.0, 2.0], [0.1], [0.1, 0.1], 2.0), "same number"),
        (([1.0, 1.0], [0.1, 0.2], [0.1, 0.1], 2.0), "two points at 1 °C"),
        (([1.0], [np.nan], [0.1], 2.0), "finite"),
        (([1.0], [0.1], [-0.1], 2.0), "expanded_k"),
        (([1.0], [0.1], [0.1], 0.0), "coverage"),
        (([1.0], [0.1], [0.1], np.nan), "coverage"),
        (([1.0, 2.0], [0.1, 0.1], [0.1, 0.1], [2.0, 2.0, 2.0]), "3 factors"),
    ],
)
def test_bad_points_are_refused(points: tuple[Any, ...], words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        calibration.correction(20.0, *points)
