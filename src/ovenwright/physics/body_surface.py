"""What a face takes up from air and walls, and what it gives off as vapour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.water import saturation_pressure_kpa

STEFAN_BOLTZMANN_W_M2_K4 = 5.670374419e-8
"""CODATA 2018, exact since the SI of 2019."""

ZERO_C_K = 273.15
LATENT_FALL_J_KG_K = 2500.0
"""By this the heat of evaporation falls for each kelvin between 60 and 100 °C (IAPWS-SR1)."""

_VAPOUR_J_KG_K = 461.5  # gas constant of water vapour


@dataclass(frozen=True, slots=True)
class Exchange:
    """A flux into a face as a straight line in its temperature: level - slope · T.

    The two parts of the level and slope that belong to radiation are kept apart for the ledger.
    """

    level: FloatArray
    slope: FloatArray
    radiant_level: FloatArray
    radiant_slope: FloatArray


def face_exchange(
    face_c: FloatArray,
    *,
    air_c: float | FloatArray,
    wall_c: float | FloatArray,
    coefficient_w_m2_k: FloatArray,
    emissivity: FloatArray,
) -> Exchange:
    """Convection plus radiation, the fourth power laid as a tangent at `face_c`."""
    face_k = face_c + ZERO_C_K
    wall_k = wall_c + ZERO_C_K
    grey = emissivity * STEFAN_BOLTZMANN_W_M2_K4
    cube = grey * face_k * face_k * face_k
    square = wall_k * wall_k
    radiant_slope = 4.0 * cube
    radiant_level = grey * square * square - cube * face_k + radiant_slope * face_c
    return Exchange(
        level=coefficient_w_m2_k * air_c + radiant_level,
        slope=coefficient_w_m2_k + radiant_slope,
        radiant_level=radiant_level,
        radiant_slope=radiant_slope,
    )


def vapour_flux_kg_m2_s(
    temp_c: FloatArray,
    *,
    boiling_c: FloatArray,
    water_activity: FloatArray,
    vapour_pressure_pa: float | FloatArray,
    resistance_m2_s_pa_kg: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Vapour that leaves a moist plane through a resistance, and its slope with temperature.

    Below 0 where the air is so moist that it condenses.
    """
    held_c = np.clip(temp_c, 0.01, boiling_c)
    pressure_pa = water_activity * 1e3 * saturation_pressure_kpa(held_c)
    kelvin = held_c + ZERO_C_K
    latent = 2.5e6 - 2.4e3 * held_c  # for the slope alone
    flux = (pressure_pa - vapour_pressure_pa) / resistance_m2_s_pa_kg
    slope = pressure_pa * latent / (_VAPOUR_J_KG_K * kelvin * kelvin) / resistance_m2_s_pa_kg
    return np.asarray(flux), np.where(temp_c < boiling_c, slope, 0.0)
