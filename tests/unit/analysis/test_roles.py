"""Roles guessed from how channels move."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.analysis.roles import guess_roles, on_one_axis
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.run import Role
from ovenwright.errors import OutOfRange

TIME_S = np.arange(0.0, 2040.0, 2.0)  # a bake of 34 min


def lag(drive_c: FloatArray, tau_s: float, start_c: float = 25.0) -> FloatArray:
    """A single body that follows ``drive_c``."""
    temp = np.empty_like(drive_c)
    temp[0] = start_c
    step = 1.0 - np.exp(-np.diff(TIME_S) / tau_s)
    for i in range(1, drive_c.size):
        temp[i] = temp[i - 1] + (drive_c[i] - temp[i - 1]) * step[i - 1]
    return temp


AIR = lag(np.full(TIME_S.shape, 230.0), 60.0) + 3.0 * np.sin(TIME_S / 40.0)
CORE = 25.0 + 73.0 / (1.0 + np.exp(-(TIME_S - 1000.0) / 160.0))
SURFACE = np.minimum(lag(AIR, 180.0), 100.0 + np.maximum(0.0, TIME_S - 900.0) * 0.06)
BODY = lag(AIR, 420.0)
WALL = np.full(TIME_S.shape, 245.0) + 0.3 * np.sin(TIME_S / 300.0)
AMBIENT = 24.0 + TIME_S / 1500.0


def roles(*columns: FloatArray, boiling_c: float = 100.0) -> list[Role | None]:
    guesses = guess_roles(TIME_S, np.stack(columns, axis=1), boiling_c=boiling_c)
    assert all(reason for _, reason in guesses)
    return [role for role, _ in guesses]


def test_each_role_by_its_own_signs() -> None:
    assert roles(AIR, SURFACE, CORE, BODY, WALL, AMBIENT) == [
        Role.AIR,
        Role.SURFACE,
        Role.CORE,
        Role.BODY,
        Role.WALL,
        Role.AMBIENT,
    ]


def test_order_does_not_matter_and_noise_neither() -> None:
    noise = np.random.default_rng(3).normal(0.0, 0.3, (TIME_S.size, 4))
    columns = np.stack([CORE, CORE + 2.0, AIR, SURFACE], axis=1) + noise
    found = [r for r, _ in guess_roles(TIME_S, columns)]
    assert found == [Role.CORE, Role.CORE, Role.AIR, Role.SURFACE]


def test_the_core_is_told_with_its_reason() -> None:
    _, (role, reason) = guess_roles(TIME_S, np.stack([AIR, CORE], axis=1))
    assert role is Role.CORE
    assert "where water boils" in reason
    assert "lags" in reason


def test_boiling_point_of_the_place_counts() -> None:
    high = 25.0 + (CORE - 25.0) * 0.9  # held at 91 °C, as water boils at 2700 m
    assert roles(AIR, high, boiling_c=91.0)[1] is Role.CORE


def test_hot_air_from_the_start_is_no_wall() -> None:
    swing = 220.0 + 6.0 * np.sin(TIME_S / 30.0)
    assert roles(swing, CORE)[0] is Role.AIR


def test_a_chamber_without_product() -> None:
    found = roles(*(AIR + d for d in (-2.0, -1.0, 0.0, 1.5)))
    assert found == [Role.AIR] * 4


def test_what_tells_nothing_gets_no_role() -> None:
    assert roles(np.full(TIME_S.shape, np.nan)) == [None]
    assert roles(CORE, CORE + 0.2) == [None, None]


def test_gaps_are_no_hindrance() -> None:
    broken = CORE.copy()
    broken[300:340] = np.nan
    assert roles(AIR, broken)[1] is Role.CORE


def test_channels_with_their_own_times() -> None:
    axis, temps = on_one_axis(
        [TIME_S, TIME_S[100:] + 0.7, TIME_S], [AIR, CORE[100:], np.full(TIME_S.shape, np.nan)]
    )
    assert temps.shape == (axis.size, 3)
    assert np.isnan(temps[:10, 1]).all()
    assert np.isnan(temps[:, 2]).all()
    np.testing.assert_allclose(temps[5, 0], np.interp(axis[5], TIME_S, AIR))


def test_shapes_are_checked() -> None:
    with pytest.raises(OutOfRange):
        guess_roles(TIME_S, np.zeros((3, 2)))
