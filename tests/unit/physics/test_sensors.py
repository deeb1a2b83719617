"""Platinum thermometers, thermistors and transmitters: edges and refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.errors import OutOfRange
from ovenwright.physics import rtd, thermistor, transmitter

NTC = {"a": 1.129241e-3, "b": 2.341077e-4, "c": 8.775468e-8}


def test_rtd_keeps_missing_shape_and_kind() -> None:
    assert isinstance(rtd.resistance(20.0), float)
    ohm = np.array([[100.0, np.nan], [18.52, 390.48]])
    found = rtd.temperature(ohm)
    assert found.shape == (2, 2)
    assert np.isnan(found[0, 1])
    assert found[0, 0] == 0.0
    assert found[1] == pytest.approx([-200.0, 850.0], abs=0.01)


def test_rtd_refuses_what_the_standard_does_not_cover() -> None:
    with pytest.raises(OutOfRange, match=r"851 °C.*-200 to 850 °C"):
        rtd.resistance(851.0)
    with pytest.raises(OutOfRange, match=r"1000 ohm.*18\.52 to 390\.48 ohm.*Pt1000"):
        rtd.temperature(np.array([110.0, 1000.0]))
    for r0 in (0.0, -100.0, np.nan, np.inf):
        with pytest.raises(OutOfRange, match="r0_ohm"):
            rtd.temperature(100.0, r0)


def test_rtd_is_smooth_through_zero() -> None:
    ohm = rtd.resistance(np.linspace(-0.001, 0.001, 21))
    assert np.max(np.abs(np.diff(rtd.temperature(ohm)) - 1e-4)) < 1e-9


def test_thermistor_of_ten_kilohm() -> None:
    # common practice, no source: these coefficients stand for 10 kΩ at 25 °C
    assert thermistor.temperature(10_000.0, **NTC) == pytest.approx(25.0, abs=1e-3)
    assert thermistor.resistance(25.0, **NTC) == pytest.approx(10_000.0, rel=1e-5)


@given(st.floats(-60, 300), st.sampled_from([0.0, 1e-12, 1e-9, 8.775468e-8, 1e-6]))
def test_thermistor_inverse(temp_c: float, c: float) -> None:
    ohm = thermistor.resistance(temp_c, a=1.1e-3, b=2.3e-4, c=c)
    assert thermistor.temperature(ohm, a=1.1e-3, b=2.3e-4, c=c) == pytest.approx(temp_c, abs=1e-8)


def test_thermistor_refusals() -> None:
    for ohm in (0.0, -5.0, np.inf):
        with pytest.raises(OutOfRange, match="above 0 ohm"):
            thermistor.temperature(np.array([10_000.0, ohm, np.nan]), **NTC)
    with pytest.raises(OutOfRange, match="kilohm"):
        thermistor.temperature(0.001, **NTC)
    with pytest.raises(OutOfRange, match="coefficients"):
        thermistor.resistance(25.0, a=1e-3, b=-2e-4, c=0.0)
    with pytest.raises(OutOfRange, match="above -273"):
        thermistor.resistance(-300.0, **NTC)
    assert np.isnan(thermistor.temperature(np.array([np.nan]), **NTC))[0]


MILLIAMP = {"low_signal": 4.0, "low_c": 0.0, "high_signal": 20.0, "high_c": 300.0}


def test_transmitter_is_a_straight_line() -> None:
    signal = np.array([4.0, 12.0, 20.0, np.nan])
    found = transmitter.temperature(signal, **MILLIAMP)
    np.testing.assert_allclose(found, [0.0, 150.0, 300.0, np.nan])
    np.testing.assert_allclose(transmitter.signal(found, **MILLIAMP), signal)


def test_transmitter_falling_the_other_way() -> None:
    reverse = {"low_signal": 10.0, "low_c": 0.0, "high_signal": 0.0, "high_c": 250.0}
    assert transmitter.temperature(2.5, **reverse) == pytest.approx(187.5)
    assert transmitter.signal_range(low_signal=10.0, high_signal=0.0) == pytest.approx(
        (-0.3125, 10.125)
    )


def test_a_transmitters_fault_signal_is_no_temperature() -> None:
    # NAMUR NE 43 (from memory): readings live in 3.8 to 20.5 mA, faults at 3.6 or 21 mA
    transmitter.temperature(np.array([3.8, 20.5]), **MILLIAMP)
    for milliamp in (3.6, 21.0):
        with pytest.raises(OutOfRange, match="reports a fault"):
            transmitter.temperature(milliamp, **MILLIAMP)
    with pytest.raises(OutOfRange, match="two different"):
        transmitter.temperature(1.0, low_signal=4.0, low_c=0.0, high_signal=4.0, high_c=1.0)
    with pytest.raises(OutOfRange, match="two different"):
        transmitter.signal(1.0, low_signal=4.0, low_c=5.0, high_signal=20.0, high_c=5.0)
