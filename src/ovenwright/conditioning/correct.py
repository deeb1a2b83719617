"""Readings put right: wrong thermocouple type, calibration certificate."""

from __future__ import annotations

import numpy as np

from ovenwright.domain.arrays import BoolArray, FloatArray
from ovenwright.domain.plan import Certificate, Channel
from ovenwright.physics import calibration, thermocouple

KNOTS = 25


def knots_c(temp_c: FloatArray) -> FloatArray:
    """Temperatures at which a channel's error terms are stated: its range, rounded outward."""
    finite = temp_c[np.isfinite(temp_c)]
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 300.0)
    low, high = 10.0 * np.floor(low / 10.0), 10.0 * np.ceil(high / 10.0)
    if high - low < 10.0:
        high = low + 10.0
    return np.linspace(low, high, KNOTS)


def restate_channel(
    temp_c: FloatArray, channel: Channel, reference_c: float
) -> tuple[FloatArray, BoolArray]:
    """Re-read a channel that was recorded under the wrong thermocouple type.

    Parameters
    ----------
    temp_c : (n,) as recorded, °C
    channel : its plan, with ``recorded_as``
    reference_c : reference-junction temperature the instrument worked with

    Returns
    -------
    (n,) °C, and (n,) True where a reading can stand for nothing under the right type (NaN there)
    """
    assert channel.recorded_as is not None  # noqa: S101 - the caller's promise
    recorded, actual = channel.recorded_as.value, channel.sensor.value
    low, high = thermocouple.temperature_range_c(recorded)
    emf_low, emf_high = thermocouple.emf_range_mv(actual)
    with np.errstate(invalid="ignore"):
        inside = np.where((temp_c >= low) & (temp_c <= high), temp_c, np.nan)
    swap = thermocouple.emf(reference_c, actual) - thermocouple.emf(reference_c, recorded)
    with np.errstate(invalid="ignore"):
        shown = thermocouple.emf(inside, recorded) + swap
        inside[(shown < emf_low) | (shown > emf_high)] = np.nan
    lost: BoolArray = np.isfinite(temp_c) & ~np.isfinite(inside)
    right = thermocouple.restate(
        inside, recorded_as=recorded, actual=actual, reference_c=reference_c
    )
    return right, lost


def certificate_at(temp_c: FloatArray, certificate: Certificate) -> tuple[FloatArray, FloatArray]:
    """Correction to add and its standard uncertainty at indicated temperatures, K."""
    points = certificate.points
    return calibration.correction(
        temp_c,
        np.array([p.at_c for p in points]),
        np.array([p.correction_k for p in points]),
        np.array([p.expanded_uncertainty_k for p in points]),
        np.array([p.coverage_factor for p in points]),
    )
