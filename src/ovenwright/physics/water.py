"""Water at saturation, and the air pressure that decides where it boils."""

from __future__ import annotations

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray, N, as_given

ZERO_C_K = 273.15
STANDARD_PRESSURE_KPA = 101.325

# IAPWS-IF97, region 4, Table 34
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
_LOWEST_KPA, _CRITICAL_KPA = 0.611213, 22_064.0
_CRITICAL_K = 647.096
_CRITICAL_KG_M3 = 322.0

# IAPWS SR1-86(1992): (coefficient, exponent) of the pressure, liquid and vapour equations
_PRESSURE = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)
_LIQUID = (
    (1.99274064, 1 / 3),
    (1.09965342, 2 / 3),
    (-0.510839303, 5 / 3),
    (-1.75493479, 16 / 3),
    (-45.5170352, 43 / 3),
    (-6.74694450e5, 110 / 3),
)
_VAPOUR = (
    (-2.03150240, 2 / 6),
    (-2.68302940, 4 / 6),
    (-5.38626492, 8 / 6),
    (-17.2991605, 18 / 6),
    (-44.7586581, 37 / 6),
    (-63.9201063, 71 / 6),
)

# U.S. Standard Atmosphere 1976, lowest layer
_EARTH_RADIUS_M = 6_356_766.0
_SEA_LEVEL_K = 288.15
_LAPSE_K_M = 0.0065
_LAPSE_EXPONENT = 9.80665 * 0.0289644 / (8.31432 * _LAPSE_K_M)
_LOWEST_M, _HIGHEST_M = -1_000.0, 11_000.0


def _within(
    values: FloatArray, low: float, high: float, *, name: str, unit: str, remedy: str = ""
) -> None:
    outside = (values < low) | (values > high)
    if bool(np.any(outside)):
        raise OutOfRange(
            name,
            got=f"{float(values[outside].ravel()[0]):.7g} {unit}",
            expected=f"{low:g} to {high:g} {unit}",
            remedy=remedy,
        )


def boiling_point_c(pressure_kpa: N) -> N:
    """Saturation temperature of water at a pressure.

    Parameters
    ----------
    pressure_kpa : any shape, absolute pressure on the spot, kPa; NaN stays NaN

    Returns
    -------
    same shape, °C

    Raises
    ------
    OutOfRange : outside 0.611213 to 22064 kPa

    Source: IAPWS-IF97, region 4, eq. 31. Checked in tests/evidence/test_water.py.
    """
    given = np.asarray(pressure_kpa, dtype=np.float64)
    _within(
        given,
        _LOWEST_KPA,
        _CRITICAL_KPA,
        name="pressure",
        unit="kPa",
        remedy="give the absolute pressure on the spot in kPa (1 bar is 100 kPa)",
    )
    beta = (given * 1e-3) ** 0.25
    e = beta * beta + _N[2] * beta + _N[5]
    f = _N[0] * beta * beta + _N[3] * beta + _N[6]
    g = _N[1] * beta * beta + _N[4] * beta + _N[7]
    d = 2.0 * g / (-f - np.sqrt(f * f - 4.0 * e * g))
    kelvin = 0.5 * (_N[9] + d - np.sqrt((_N[9] + d) ** 2 - 4.0 * (_N[8] + _N[9] * d)))
    return as_given(pressure_kpa, kelvin - ZERO_C_K)


def saturation_pressure_kpa(temp_c: N) -> N:
    """Pressure at which water of a temperature boils.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN

    Returns
    -------
    same shape, kPa, absolute

    Raises
    ------
    OutOfRange : outside 0 to 373.946 °C

    Source: IAPWS-IF97, region 4, eq. 30. Checked in tests/evidence/test_water.py.
    """
    given = np.asarray(temp_c, dtype=np.float64)
    _within(given, 0.0, _CRITICAL_K - ZERO_C_K, name="temperature", unit="°C")
    kelvin = given + ZERO_C_K
    theta = kelvin + _N[8] / (kelvin - _N[9])
    a = theta * theta + _N[0] * theta + _N[1]
    b = _N[2] * theta * theta + _N[3] * theta + _N[4]
    c = _N[5] * theta * theta + _N[6] * theta + _N[7]
    return as_given(temp_c, 1e3 * (2.0 * c / (-b + np.sqrt(b * b - 4.0 * a * c))) ** 4)


def pressure_at_altitude_kpa(altitude_m: N) -> N:
    """Air pressure of the standard atmosphere at a height above sea level.

    The weather moves the real pressure by about ± 3 kPa about this; a barometer on the spot is
    better.

    Parameters
    ----------
    altitude_m : any shape, geometric height, m; NaN stays NaN

    Returns
    -------
    same shape, kPa

    Raises
    ------
    OutOfRange : outside -1000 to 11000 m

    Source: USSA1976, eqs. 18 and 33a. Checked in tests/evidence/test_water.py.
    """
    given = np.asarray(altitude_m, dtype=np.float64)
    _within(given, _LOWEST_M, _HIGHEST_M, name="altitude", unit="m")
    geopotential = _EARTH_RADIUS_M * given / (_EARTH_RADIUS_M + given)
    ratio = 1.0 - _LAPSE_K_M * geopotential / _SEA_LEVEL_K
    return as_given(altitude_m, STANDARD_PRESSURE_KPA * ratio**_LAPSE_EXPONENT)


def latent_heat_j_kg(temp_c: N) -> N:
    """Heat that evaporates a kilogram of water at saturation.

    By the Clausius-Clapeyron relation from the saturation pressure and the two densities.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN

    Returns
    -------
    same shape, J/kg

    Raises
    ------
    OutOfRange : outside 0 to 373.946 °C

    Source: IAPWS-SR1, eqs. 1 to 3. Checked in tests/evidence/test_water.py.
    """
    given = np.asarray(temp_c, dtype=np.float64)
    _within(given, 0.0, _CRITICAL_K - ZERO_C_K, name="temperature", unit="°C")
    kelvin = given + ZERO_C_K
    tau = np.maximum(1.0 - kelvin / _CRITICAL_K, 0.0)
    log_ratio = _CRITICAL_K / kelvin * sum(a * tau**p for a, p in _PRESSURE)
    slope = sum(a * p * tau ** (p - 1.0) for a, p in _PRESSURE)
    pressure = 1e3 * _CRITICAL_KPA * np.exp(log_ratio)
    slope_pa_k = -pressure / kelvin * (log_ratio + slope)
    liquid = _CRITICAL_KG_M3 * (1.0 + sum(b * tau**p for b, p in _LIQUID))
    vapour = _CRITICAL_KG_M3 * np.exp(sum(c * tau**p for c, p in _VAPOUR))
    return as_given(temp_c, np.asarray(kelvin * slope_pa_k * (1.0 / vapour - 1.0 / liquid)))
