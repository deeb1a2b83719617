"""Water as the oven needs it: saturation, boiling point, latent heat, pressure at altitude."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange

ZERO_C_K = 273.15
WATER_HEAT_CAPACITY = 4190.0  # J/kg/K, liquid, 20 to 100 °C within 1 % (common handbook value)

_CRITICAL_K = 647.096
_CRITICAL_PA = 22.064e6
# Wagner & Pruss, J. Phys. Chem. Ref. Data 31 (2002) 387, eq. 2.5 (coefficients from memory, held
# against IAPWS-95 saturation values in tests/unit/virtual)
_WAGNER = (
    (1.0, -7.85951783),
    (1.5, 1.84408259),
    (3.0, -11.7866497),
    (3.5, 22.6807411),
    (4.0, -15.9618719),
    (7.5, 1.80122502),
)


def saturation_pressure_pa(temp_c: Any) -> NDArray[np.float64]:
    """Pressure at which water boils at ``temp_c``, in pascal.

    Source: Wagner & Pruss 2002, eq. 2.5.
    """
    kelvin = np.asarray(temp_c, dtype=np.float64) + ZERO_C_K
    tau = 1.0 - kelvin / _CRITICAL_K
    series = sum((c * tau**power for power, c in _WAGNER), start=np.zeros_like(tau))
    return np.asarray(_CRITICAL_PA * np.exp(_CRITICAL_K / kelvin * series), dtype=np.float64)


def boiling_point_c(pressure_kpa: float) -> float:
    """Boiling point of water at a station pressure.

    Raises
    ------
    OutOfRange : outside 30 to 130 kPa, where no bakery stands
    """
    if not 30.0 <= pressure_kpa <= 130.0:
        raise OutOfRange("pressure_kpa", got=pressure_kpa, expected="30 to 130 kPa")
    low, high = 60.0, 120.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if float(saturation_pressure_pa(middle)) < pressure_kpa * 1000.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def latent_heat_j_kg(temp_c: Any) -> NDArray[np.float64]:
    """Heat of evaporation, a straight line through 2500.9 kJ/kg at 0 and 2256.4 kJ/kg at 100 °C.

    The end points are the IAPWS-95 values; between them the line is within 0.3 %.
    """
    return np.asarray(2.5009e6 - 2445.0 * np.asarray(temp_c, dtype=np.float64))


def pressure_at_altitude_kpa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere at a height above sea level, below 11 km.

    Source: US Standard Atmosphere 1976, eq. 33b, geopotential height.
    """
    if not -500.0 <= altitude_m <= 11_000.0:
        raise OutOfRange("altitude_m", got=altitude_m, expected="-500 to 11000 m")
    radius = 6_356_766.0
    height = radius * altitude_m / (radius + altitude_m)
    power = 9.80665 * 0.0289644 / (8.31432 * 0.0065)
    return float(101.325 * (1.0 - 0.0065 * height / 288.15) ** power)


class SaturationTable:
    """Saturation pressure and its slope by look-up, for the inner loop."""

    def __init__(self) -> None:
        self._grid = np.linspace(-20.0, 240.0, 2601)
        self._pressure = saturation_pressure_pa(self._grid)
        self._slope = np.gradient(self._pressure, self._grid)

    def pressure_pa(self, temp_c: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pressure, held at the ends of the table."""
        return np.interp(temp_c, self._grid, self._pressure)

    def slope_pa_k(self, temp_c: NDArray[np.float64]) -> NDArray[np.float64]:
        """Rise of the pressure per kelvin."""
        return np.interp(temp_c, self._grid, self._slope)
