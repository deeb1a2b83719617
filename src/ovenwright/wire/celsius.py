"""A reading in the instrument's own unit as a temperature, through the channel's own sensor."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from ovenwright.domain.arrays import FloatArray, QualityArray
from ovenwright.domain.live import Reading
from ovenwright.domain.plan import Channel, SensorType
from ovenwright.domain.run import Quality
from ovenwright.errors import OutOfRange
from ovenwright.physics import rtd, thermistor, thermocouple, transmitter

COLDEST_C = -273.15
BEYOND_C = 10_000.0
"""Above this no contact sensor reads; instruments put their mark for an open sensor far beyond it."""

_NOTHING = float("nan")
_RESISTORS = {SensorType.PT100: 100.0, SensorType.PT1000: 1000.0}
_COUPLES = frozenset(SensorType(k) for k in thermocouple.KINDS)


def celsius_of(reading: Reading, channel: Channel) -> tuple[float, Quality]:
    """Temperature that a reading stands for, and what is known of it.

    Parameters
    ----------
    reading : as the instrument gave it
    channel : the plan's channel it belongs to; its sensor turns millivolts, ohms and signals into °C

    Returns
    -------
    (value_c, quality): °C, NaN where there is none. The quality keeps the reading's own bits and adds
    OVERFLOW where the value lies beyond what the sensor can give, MISSING where there is no number,
    no reference-junction temperature, or a unit that the sensor can't give (see `misfit`).

    Sources: those of ``physics.thermocouple``, ``physics.rtd``, ``physics.thermistor`` and
    ``physics.transmitter``.
    """
    value, unit, quality = reading.value, reading.unit, reading.quality
    if math.isnan(value):
        if not quality & (Quality.MISSING | Quality.OVERFLOW):
            quality |= Quality.MISSING
        return _NOTHING, quality
    if quality & (Quality.MISSING | Quality.OVERFLOW):
        return _NOTHING, quality
    if math.isinf(value):
        return _NOTHING, quality | Quality.OVERFLOW
    if unit == "degC":
        return _within(value, quality)
    if unit == "degF":
        return _within((value - 32.0) * 5.0 / 9.0, quality)
    if unit == "K":
        # as many decimals as came: 273.15 taken off leaves binary noise behind them
        return _within(round(value - 273.15, 9), quality)
    if misfit(unit, channel):
        return _NOTHING, quality | Quality.MISSING
    try:
        return _through_sensor(value, reading.reference_c, unit, channel, quality)
    except OutOfRange:
        return _NOTHING, quality | Quality.OVERFLOW


def celsius_of_all(
    readings: Sequence[Reading], channels: Sequence[Channel]
) -> tuple[FloatArray, QualityArray]:
    """Temperatures that many readings stand for; the same answers as `celsius_of`, in fewer steps.

    Parameters
    ----------
    readings : (n,) as the instruments gave them
    channels : (n,) the channel of each

    Returns
    -------
    (value_c, quality): (n,) °C with NaN where there is none, and (n,) bits

    Raises
    ------
    OutOfRange : if the two are not equally many
    """
    if len(readings) != len(channels):
        raise OutOfRange("channels", got=len(channels), expected=f"{len(readings)}, one a reading")
    value_c = np.full(len(readings), _NOTHING)
    quality = np.zeros(len(readings), dtype=np.uint8)
    couples: dict[SensorType, list[int]] = defaultdict(list)
    for i, (reading, channel) in enumerate(zip(readings, channels, strict=True)):
        if reading.unit == "mV" and channel.sensor in _COUPLES and _plain(reading):
            couples[channel.sensor].append(i)
        else:
            value_c[i], quality[i] = celsius_of(reading, channel)
    for sensor, at in couples.items():
        emf_mv = np.array([readings[i].value for i in at])
        reference_c = np.array([readings[i].reference_c for i in at])
        try:
            value_c[at] = thermocouple.temperature(emf_mv, sensor.value, reference_c)
            quality[at] = [readings[i].quality for i in at]
        except OutOfRange:  # one of them lies beyond the sensor; find which
            for i in at:
                value_c[i], quality[i] = celsius_of(readings[i], channels[i])
    return value_c, quality


def _plain(reading: Reading) -> bool:
    return (
        math.isfinite(reading.value)
        and math.isfinite(reading.reference_c)
        and not reading.quality & (Quality.MISSING | Quality.OVERFLOW)
    )


def _within(value_c: float, quality: Quality) -> tuple[float, Quality]:
    if COLDEST_C <= value_c <= BEYOND_C:
        return value_c, quality
    return _NOTHING, quality | Quality.OVERFLOW


def _through_sensor(
    value: float, reference_c: float, unit: str, channel: Channel, quality: Quality
) -> tuple[float, Quality]:
    if channel.transmitter is not None and channel.sensor is SensorType.TRANSMITTER:
        span = channel.transmitter
        value_c = transmitter.temperature(
            value,
            low_signal=span.low_signal,
            low_c=span.low_c,
            high_signal=span.high_signal,
            high_c=span.high_c,
        )
        return _within(float(value_c), quality)
    if unit == "mV":
        if not math.isfinite(reference_c):
            return _NOTHING, quality | Quality.MISSING
        return float(thermocouple.temperature(value, channel.sensor.value, reference_c)), quality
    if channel.thermistor is not None and channel.sensor is SensorType.THERMISTOR:
        law = channel.thermistor
        return _within(float(thermistor.temperature(value, a=law.a, b=law.b, c=law.c)), quality)
    return float(rtd.temperature(value, _RESISTORS[channel.sensor])), quality


def misfit(unit: str, channel: Channel) -> str:
    """Why readings in a unit can't come from a channel's sensor.

    Parameters
    ----------
    unit : one of the units of :class:`~ovenwright.domain.live.Reading`
    channel : the plan's channel

    Returns
    -------
    "" where they can, else one sentence
    """
    sensor = channel.sensor
    if unit in ("degC", "degF", "K"):
        return ""
    if sensor is SensorType.TRANSMITTER:
        if channel.transmitter is None:
            return f"channel {channel.name!r} has a transmitter without its two points"
        return ""
    if unit == "mV":
        if sensor in _COUPLES:
            return ""
        return f"channel {channel.name!r} has a {sensor}, which gives no millivolts of its own"
    if unit == "ohm":
        if sensor in _RESISTORS:
            return ""
        if sensor is SensorType.THERMISTOR:
            if channel.thermistor is None:
                return f"channel {channel.name!r} has a thermistor without coefficients"
            return ""
        return f"channel {channel.name!r} has a thermocouple, whose resistance tells no temperature"
    if unit == "signal":
        return f"channel {channel.name!r} has a {sensor}; only a transmitter gives a signal"
    return f"{unit!r} is no unit of a reading"
