"""Knobs within limits, and what their values mean."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.errors import OutOfRange
from ovenwright.modelling.knobs import Knob, Turns, turned


def test_values_become_shifts_against_what_is_now() -> None:
    knobs = (
        Knob("setpoint zone 2", Turns.SETPOINT, "°C", 230.0, 210.0, 250.0, 1),
        Knob("bake time", Turns.BAKE_TIME, "min", 30.0, 24.0, 36.0),
        Knob("start temperature", Turns.START, "°C", 29.0, 25.0, 33.0),
        Knob("load spacing", Turns.SPACING, "%", 100.0, 80.0, 120.0),
    )
    to = turned(knobs, np.array([240.0, 33.0, 27.0, 115.0]), 4)
    np.testing.assert_allclose(to.shift_k, [0.0, 10.0, 0.0, 0.0])
    assert to.ratio == pytest.approx(1.1)
    assert to.start_k == pytest.approx(-2.0)
    assert to.spacing == pytest.approx(1.15)


def test_limits_that_leave_out_the_present_setting_are_refused() -> None:
    with pytest.raises(OutOfRange, match="limits of bake time") as refused:
        Knob("bake time", Turns.BAKE_TIME, "min", 30.0, 31.0, 36.0)
    assert "present setting" in str(refused.value.remedy)
