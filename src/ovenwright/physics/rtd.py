"""Platinum resistance thermometers, by the Callendar-Van Dusen equation of IEC 60751."""

from __future__ import annotations

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray, N, as_given

A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12
LOW_C, HIGH_C = -200.0, 850.0
_PRINTED_SHARE = 5.01e-5  # half the last digit of the printed table, 0.005 ohm of 100 ohm
_HAIR_K = 1e-6


def _ratio(temp_c: FloatArray) -> FloatArray:
    cold = np.minimum(temp_c, 0.0)
    out: FloatArray = 1.0 + temp_c * (A + B * temp_c) + C * (cold - 100.0) * cold**3
    return out


def _checked_r0(r0_ohm: float) -> float:
    if not (r0_ohm > 0 and np.isfinite(r0_ohm)):
        raise OutOfRange("r0_ohm", got=r0_ohm, expected="a finite resistance above 0 ohm")
    return float(r0_ohm)


def resistance(temp_c: N, r0_ohm: float = 100.0) -> N:
    """Resistance of a platinum thermometer.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN
    r0_ohm : resistance at 0 °C, ohm; 100 for a Pt100, 1000 for a Pt1000

    Returns
    -------
    same shape, ohm

    Raises
    ------
    OutOfRange : outside -200 to 850 °C, or if `r0_ohm` is not above 0

    Source: IEC60751. Checked in tests/evidence/test_rtd.py.
    """
    r0 = _checked_r0(r0_ohm)
    given = np.asarray(temp_c, dtype=np.float64)
    held = np.clip(given, LOW_C, HIGH_C)
    outside = np.abs(held - given) > _HAIR_K
    if bool(np.any(outside)):
        raise OutOfRange(
            "temperature",
            got=f"{float(given[outside].ravel()[0]):.7g} °C",
            expected=f"{LOW_C:g} to {HIGH_C:g} °C",
            where=f"platinum thermometer of {r0:g} ohm",
            remedy="check the unit and the sensor type, or mark such readings as missing",
        )
    return as_given(temp_c, r0 * _ratio(held))


def resistance_range_ohm(r0_ohm: float = 100.0) -> tuple[float, float]:
    """Lowest and highest resistance `temperature` can read, ohm."""
    ends = _checked_r0(r0_ohm) * _ratio(np.array([LOW_C, HIGH_C]))
    return float(ends[0]), float(ends[1])


def temperature(ohm: N, r0_ohm: float = 100.0) -> N:
    """Temperature of a platinum thermometer.

    Parameters
    ----------
    ohm : any shape, resistance without leads, ohm; NaN stays NaN
    r0_ohm : resistance at 0 °C, ohm; 100 for a Pt100, 1000 for a Pt1000

    Returns
    -------
    same shape, °C; inverse of `resistance` to better than 1e-9 K. Values up to half the last digit
    of the printed table beyond an end are laid on the end.

    Raises
    ------
    OutOfRange : if a value stands for a temperature outside -200 to 850 °C, or if `r0_ohm` is not
        above 0

    Source: IEC60751, inverted. Checked in tests/evidence/test_rtd.py.
    """
    r0 = _checked_r0(r0_ohm)
    low, high = resistance_range_ohm(r0)
    given = np.asarray(ohm, dtype=np.float64)
    held = np.clip(given, low, high)
    outside = np.abs(held - given) > _PRINTED_SHARE * r0
    if bool(np.any(outside)):
        raise OutOfRange(
            "resistance",
            got=f"{float(given[outside].ravel()[0]):.7g} ohm",
            expected=f"{low:.2f} to {high:.2f} ohm",
            where=f"platinum thermometer of {r0:g} ohm",
            remedy="check the leads and the sensor type (Pt100 or Pt1000)",
        )
    ratio = held / r0
    # the quadratic is exact from 0 °C up and a close seed below, where the cubic term comes in
    warm = np.asarray(2.0 * (ratio - 1.0) / (A + np.sqrt(A * A - 4.0 * B * (1.0 - ratio))))
    found = warm
    if bool(np.any(ratio < 1.0)):
        for _ in range(4):
            cold = np.minimum(found, 0.0)
            slope = A + 2.0 * B * found + C * (4.0 * cold**3 - 300.0 * cold**2)
            found = found - (_ratio(found) - ratio) / slope
        found = np.where(ratio < 1.0, found, warm)
    return as_given(ohm, np.asarray(found))
