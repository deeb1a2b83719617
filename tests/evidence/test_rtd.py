"""Platinum thermometers against the printed reference table."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.physics import rtd

# °C and ohm of a Pt100. Source: IEC 60751 reference table, as reprinted.
PRINTED = [
    (-200, 18.52), (-190, 22.83), (-180, 27.10), (-150, 39.72), (-100, 60.26), (-50, 80.31),
    (-40, 84.27), (-30, 88.22), (-20, 92.16), (-10, 96.09), (0, 100.00), (10, 103.90),
    (20, 107.79), (30, 111.67), (40, 115.54), (50, 119.40), (60, 123.24), (70, 127.08),
    (80, 130.90), (90, 134.71), (100, 138.51), (110, 142.29), (120, 146.07), (130, 149.83),
    (140, 153.58), (150, 157.33), (160, 161.05), (170, 164.77), (180, 168.48), (190, 172.17),
    (200, 175.86), (210, 179.53), (220, 183.19), (230, 186.84), (240, 190.47), (250, 194.10),
    (260, 197.71), (270, 201.31), (280, 204.90), (290, 208.48), (300, 212.05), (350, 229.72),
    (400, 247.09), (450, 264.18), (500, 280.98), (550, 297.49), (600, 313.71), (850, 390.48),
]  # fmt: skip


def test_forward_reproduces_the_printed_table() -> None:
    table = np.array(PRINTED)
    assert np.max(np.abs(rtd.resistance(table[:, 0]) - table[:, 1])) <= 0.005 + 1e-9
    thousand = rtd.resistance(table[:, 0], 1000.0)
    assert np.max(np.abs(thousand - 10 * table[:, 1])) <= 0.05 + 1e-8


def test_backward_reproduces_the_printed_table() -> None:
    table = np.array(PRINTED)
    found = rtd.temperature(table[:, 1])
    # 0.005 ohm over the smallest sensitivity, 0.29 ohm/K at 850 °C
    assert np.max(np.abs(found - table[:, 0])) <= 0.005 / 0.29


# ohm/K. Source: IEC 60751, derivative of the reference equation
@pytest.mark.parametrize(("at_c", "slope"), [(0, 0.39083), (100, 0.37928), (200, 0.36773)])
def test_sensitivity(at_c: float, slope: float) -> None:
    two = rtd.resistance(np.array([at_c - 0.01, at_c + 0.01]))
    assert (two[1] - two[0]) / 0.02 == pytest.approx(slope, abs=6e-6)


# Printed tolerances in °C and in ohm of classes A and B. Source: IEC 751:1995, table 2, as
# reprinted; ohm were printed from rounded °C, so ±0.02 ohm is allowed.
OHM_TOLERANCE = [
    (-200, 0.55, 0.24), (0, 0.15, 0.06), (100, 0.35, 0.13), (200, 0.55, 0.20), (300, 0.75, 0.27),
    (600, 1.35, 0.43), (100, 0.8, 0.30), (200, 1.3, 0.48), (400, 2.3, 0.79), (850, 4.6, 1.34),
]  # fmt: skip


@pytest.mark.parametrize(("at_c", "width_k", "width_ohm"), OHM_TOLERANCE)
def test_tolerance_in_ohm(at_c: float, width_k: float, width_ohm: float) -> None:
    inward = at_c - width_k if at_c > 0 else at_c + width_k
    ohm = abs(rtd.resistance(float(at_c)) - rtd.resistance(float(inward)))
    assert ohm == pytest.approx(width_ohm, abs=0.02)


@given(
    st.lists(st.floats(-200, 850), min_size=1, max_size=20),
    st.sampled_from([100.0, 500.0, 1000.0]),
)
def test_inverse_undoes_forward(temps: list[float], r0: float) -> None:
    temp_c = np.array(temps)
    assert np.max(np.abs(rtd.temperature(rtd.resistance(temp_c, r0), r0) - temp_c)) < 1e-9
