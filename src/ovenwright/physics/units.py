"""Units of temperature and of temperature difference, converted once, at the door."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ovenwright.errors import UnknownName
from ovenwright.physics.arrays import FloatArray, N, as_given

# 11 decimals: far above the noise of a double at oven temperatures, far below any reading's digits
_DECIMALS = 11
_ROUND_BELOW = 1e4


class _Scale(NamedTuple):
    """t_unit = t_c * per_kelvin / over + offset, with whole numbers where there are such."""

    times: float
    over: float
    offset: float


_SCALES = {
    "degC": _Scale(1.0, 1.0, 0.0),
    "degF": _Scale(9.0, 5.0, 32.0),
    "K": _Scale(1.0, 1.0, 273.15),
}
UNITS: tuple[str, ...] = tuple(_SCALES)
"""Names of the units of temperature."""


def _scale(unit: str) -> _Scale:
    try:
        return _SCALES[unit]
    except KeyError:
        raise UnknownName("unit of temperature", str(unit), known=UNITS) from None


def _settled(values: FloatArray) -> FloatArray:
    """Drop the last binary noise, so that 212.5 °F comes back as 212.5."""
    rounded: FloatArray = np.where(
        np.abs(values) < _ROUND_BELOW, np.round(values, _DECIMALS), values
    )
    return rounded


def to_celsius(value: N, unit: str) -> N:
    """Temperature on the scale of `unit` as °C.

    Parameters
    ----------
    value : any shape; NaN stays NaN
    unit : "degC", "degF" or "K"

    Returns
    -------
    same shape, °C; `from_celsius` gives the decimal digits back

    Raises
    ------
    UnknownName : if `unit` is not known

    Source: SI-BROCHURE (t/°C = T/K - 273.15); degree Fahrenheit after NIST-SP811, B.8.
    """
    scale = _scale(unit)
    given = np.asarray(value, dtype=np.float64)
    if unit == "degC":
        return as_given(value, given.copy())
    found: FloatArray = (given - scale.offset) * scale.over / scale.times
    # a kelvin reading has as many decimals in °C; a Fahrenheit reading does not
    return as_given(value, _settled(found) if scale.times == scale.over else found)


def from_celsius(value_c: N, unit: str) -> N:
    """Temperature in °C on the scale of `unit`.

    Parameters
    ----------
    value_c : any shape, °C; NaN stays NaN
    unit : "degC", "degF" or "K"

    Returns
    -------
    same shape, in `unit`

    Raises
    ------
    UnknownName : if `unit` is not known

    Source: as for `to_celsius`.
    """
    scale = _scale(unit)
    given = np.asarray(value_c, dtype=np.float64)
    if unit == "degC":
        return as_given(value_c, given.copy())
    return as_given(value_c, _settled(given * scale.times / scale.over + scale.offset))


def difference_from_kelvin(difference_k: N, unit: str) -> N:
    """Difference of temperatures in K as a difference in `unit` (no offset: 5 K are 9 °F).

    Parameters
    ----------
    difference_k : any shape, K; NaN stays NaN
    unit : "degC", "degF" or "K"

    Returns
    -------
    same shape, in `unit`

    Raises
    ------
    UnknownName : if `unit` is not known

    Source: as for `to_celsius`.
    """
    scale = _scale(unit)
    given = np.asarray(difference_k, dtype=np.float64)
    if scale.times == scale.over:
        return as_given(difference_k, given.copy())
    return as_given(difference_k, _settled(given * scale.times / scale.over))


def difference_to_kelvin(difference: N, unit: str) -> N:
    """Difference of temperatures in `unit` as a difference in K.

    Parameters
    ----------
    difference : any shape, in `unit`; NaN stays NaN
    unit : "degC", "degF" or "K"

    Returns
    -------
    same shape, K

    Raises
    ------
    UnknownName : if `unit` is not known

    Source: as for `to_celsius`.
    """
    scale = _scale(unit)
    given = np.asarray(difference, dtype=np.float64)
    return as_given(difference, given * scale.over / scale.times)
