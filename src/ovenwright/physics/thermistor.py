"""Thermistors, by the Steinhart-Hart equation."""

from __future__ import annotations

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import N, as_given

ZERO_C_K = 273.15


def temperature(ohm: N, *, a: float, b: float, c: float) -> N:
    """Temperature of a thermistor: ``1/T = a + b ln R + c (ln R)³`` with T in kelvin.

    Parameters
    ----------
    ohm : any shape, above 0, ohm; NaN stays NaN
    a, b, c : coefficients for R in ohm and T in kelvin, as makers state them

    Returns
    -------
    same shape, °C

    Raises
    ------
    OutOfRange : if a resistance is not above 0, or the equation gives no temperature for it

    Source: STEINHART1968.
    """
    given = np.asarray(ohm, dtype=np.float64)
    bad = (given <= 0.0) | np.isinf(given)
    if bool(np.any(bad)):
        raise OutOfRange(
            "resistance",
            got=f"{float(given[bad].ravel()[0]):.7g} ohm",
            expected="a finite resistance above 0 ohm",
            where="thermistor",
            remedy="an open or shorted lead gives this; mark such readings as missing",
        )
    log = np.log(given)
    inverse = a + log * (b + c * log * log)
    none = inverse <= 0.0
    if bool(np.any(none)):
        raise OutOfRange(
            "resistance",
            got=f"{float(given[none].ravel()[0]):.7g} ohm",
            expected="a resistance for which the coefficients give a temperature",
            where=f"thermistor with a={a:g}, b={b:g}, c={c:g}",
            remedy="check the coefficients and that the resistance is in ohm, not kilohm",
        )
    return as_given(ohm, np.asarray(1.0 / inverse - ZERO_C_K))


def resistance(temp_c: N, *, a: float, b: float, c: float) -> N:
    """Resistance of a thermistor, the inverse of `temperature`.

    Parameters
    ----------
    temp_c : any shape, above -273.15 °C; NaN stays NaN
    a, b, c : coefficients as for `temperature`; `b` above 0, `c` not below 0

    Returns
    -------
    same shape, ohm

    Raises
    ------
    OutOfRange : if a temperature is not above absolute zero, or the coefficients do not fall
        steadily with temperature

    Source: STEINHART1968, the cubic solved in closed form.
    """
    if not (b > 0 and c >= 0):
        raise OutOfRange(
            "coefficients",
            got=f"b={b:g}, c={c:g}",
            expected="b above 0 and c not below 0",
            where="thermistor",
            remedy="check the order and the sign of the coefficients",
        )
    given = np.asarray(temp_c, dtype=np.float64)
    cold = (given <= -ZERO_C_K) | np.isinf(given)
    if bool(np.any(cold)):
        raise OutOfRange(
            "temperature",
            got=f"{float(given[cold].ravel()[0]):.7g} °C",
            expected=f"a finite temperature above {-ZERO_C_K} °C",
            where="thermistor",
        )
    target = 1.0 / (given + ZERO_C_K) - a
    if c == 0.0:
        return as_given(temp_c, np.asarray(np.exp(target / b)))
    # one real root since b and c are not negative; sinh form loses no digits for small c
    scale = 2.0 * np.sqrt(b / (3.0 * c))
    log = scale * np.sinh(np.arcsinh(3.0 * target / (b * scale)) / 3.0)
    return as_given(temp_c, np.asarray(np.exp(log)))
