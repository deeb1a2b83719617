"""Readings in millivolts, ohms, °F and signals against the published tables."""

import math

import numpy as np
import pytest

from ovenwright.domain.live import Reading
from ovenwright.domain.plan import Channel, SensorType, Thermistor, Transmitter
from ovenwright.domain.run import Quality, Role
from ovenwright.wire.celsius import celsius_of, celsius_of_all, misfit


def channel(sensor: str, **more: object) -> Channel:
    return Channel.model_validate({"name": "c", "sensor": sensor, "role": Role.CORE} | more)


def reading(value: float, unit: str, reference_c: float = math.nan) -> Reading:
    return Reading("c", 0, 0, value, unit, reference_c=reference_c)


# NIST Monograph 175: EMF of type T at 200 °C is 9.288 mV, at 25 °C 0.992; type K 8.138 and 1.000;
# type J 10.779 and 1.277. The EMF at terminals at 25 °C is the difference.
@pytest.mark.parametrize(
    ("kind", "hot_mv", "cold_mv"), [("T", 9.288, 0.992), ("K", 8.138, 1.000), ("J", 10.779, 1.277)]
)
def test_millivolts_with_the_terminals_at_25(kind: str, hot_mv: float, cold_mv: float) -> None:
    value_c, quality = celsius_of(reading(hot_mv - cold_mv, "mV", 25.0), channel(kind))
    assert value_c == pytest.approx(200.0, abs=0.03)  # half a digit of two table values
    assert quality == Quality.GOOD


# IEC 60751: 138.51 ohm at 100 °C, 18.52 ohm at −200 °C
@pytest.mark.parametrize(
    ("sensor", "ohm", "at_c"), [("Pt100", 138.51, 100.0), ("Pt1000", 1385.1, 100.0), ("Pt100", 18.52, -200.0)]
)  # fmt: skip
def test_ohms(sensor: str, ohm: float, at_c: float) -> None:
    assert celsius_of(reading(ohm, "ohm"), channel(sensor))[0] == pytest.approx(at_c, abs=0.02)


# the two fixed points of the Fahrenheit scale, and NIST SP 811 B.8: t/°C = (t/°F − 32)/1.8
@pytest.mark.parametrize(
    ("value", "unit", "at_c"),
    [(212.0, "degF", 100.0), (32.0, "degF", 0.0), (-40.0, "degF", -40.0), (373.15, "K", 100.0), (0.0, "K", -273.15)],
)  # fmt: skip
def test_scales(value: float, unit: str, at_c: float) -> None:
    value_c, quality = celsius_of(reading(value, unit), channel("T"))
    assert value_c == pytest.approx(at_c)
    assert quality == Quality.GOOD


def test_a_transmitter_of_4_to_20_ma() -> None:
    span = Transmitter(low_signal=4.0, low_c=0.0, high_signal=20.0, high_c=300.0)
    made = channel("transmitter", transmitter=span)
    assert celsius_of(reading(12.0, "signal"), made)[0] == pytest.approx(150.0)
    # NAMUR NE 43 (from memory): 21 mA and above or 3.6 mA and below report a fault
    for fault_ma in (3.5, 21.5):
        value_c, quality = celsius_of(reading(fault_ma, "signal"), made)
        assert math.isnan(value_c)
        assert quality == Quality.OVERFLOW


def test_a_thermistor() -> None:
    # the coefficients of a 10 kohm thermistor that an open application note prints (from memory):
    # 10 kohm at 25 °C
    law = Thermistor(a=1.129148e-3, b=2.34125e-4, c=8.76741e-8)
    made = channel("thermistor", thermistor=law)
    assert celsius_of(reading(10_000.0, "ohm"), made)[0] == pytest.approx(25.0, abs=0.01)
    assert celsius_of(reading(0.0, "ohm"), made)[1] == Quality.OVERFLOW


@pytest.mark.parametrize(
    ("given", "sensor", "bit"),
    [
        (reading(math.nan, "degC"), "T", Quality.MISSING),
        (reading(math.inf, "degC"), "T", Quality.OVERFLOW),
        (reading(-300.0, "degC"), "T", Quality.OVERFLOW),
        (reading(32_767.0, "degC"), "T", Quality.OVERFLOW),
        (reading(9.9e37, "mV", 25.0), "K", Quality.OVERFLOW),
        (reading(60.0, "mV", 25.0), "K", Quality.OVERFLOW),  # type K ends at 54.886 mV
        (reading(1.0, "mV"), "K", Quality.MISSING),  # no reference junction
        (reading(1.0, "mV", 25.0), "Pt100", Quality.MISSING),  # a resistor gives no millivolts
        (reading(100.0, "ohm"), "K", Quality.MISSING),
        (reading(5_000.0, "ohm"), "Pt100", Quality.OVERFLOW),
        (reading(12.0, "signal"), "K", Quality.MISSING),
    ],
)
def test_what_is_no_temperature(given: Reading, sensor: str, bit: Quality) -> None:
    value_c, quality = celsius_of(given, channel(sensor))
    assert math.isnan(value_c)
    assert quality == bit


def test_bits_of_the_instrument_stay() -> None:
    given = Reading("c", 0, 0, 20.0, "degC", Quality.INSTRUMENT_DOUBT | Quality.RESTAMPED)
    assert celsius_of(given, channel("T")) == (20.0, Quality.INSTRUMENT_DOUBT | Quality.RESTAMPED)
    given = Reading("c", 0, 0, math.nan, "degC", Quality.OVERFLOW)
    assert celsius_of(given, channel("T"))[1] == Quality.OVERFLOW


def test_many_at_once_give_the_same_answers() -> None:
    readings, channels = [], []
    for i in range(60):
        sensor = ("T", "K", "Pt100")[i % 3]
        unit = ("mV", "mV", "ohm")[i % 3]
        value = 60.0 if i == 30 else 1.0 + 0.05 * i if unit == "mV" else 100.0 + i
        readings.append(reading(value, unit, 25.0 if i % 2 else math.nan))
        channels.append(channel(sensor))
    value_c, quality = celsius_of_all(readings, channels)
    one_by_one = [celsius_of(r, c) for r, c in zip(readings, channels, strict=True)]
    np.testing.assert_allclose(value_c, [v for v, _ in one_by_one], atol=1e-9)
    assert quality.tolist() == [int(q) for _, q in one_by_one]


def test_every_sensor_knows_what_it_can_not_give() -> None:
    for sensor in SensorType:
        made = channel(sensor.value)
        assert misfit("degC", made) == ""
        assert misfit("furlong", made) != "" or sensor is SensorType.TRANSMITTER
        able = [u for u in ("mV", "ohm", "signal") if not misfit(u, made)]
        assert len(able) <= 1
