"""Thermal properties of food from its composition.

Each component has a polynomial in temperature; a food is a mixture of them. The numbers are those
of unfrozen food: water below 0 °C is taken as liquid.
"""

from __future__ import annotations

from typing import NamedTuple, TypedDict, Unpack

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray, N, as_given

LOW_C, HIGH_C = -40.0, 150.0
_SUM_TOLERANCE = 0.005  # declared compositions are rounded


class Composition(TypedDict, total=False):
    """Mass shares of a food, summing to 1; what is left out is 0."""

    water: float
    protein: float
    fat: float
    carbohydrate: float
    fibre: float
    ash: float


class _Component(NamedTuple):
    """Polynomials in °C, powers rising."""

    heat_capacity: tuple[float, float, float]  # J/kg/K
    conductivity: tuple[float, float, float]  # W/m/K
    density: tuple[float, float, float]  # kg/m3


_COMPONENTS: dict[str, _Component] = {
    "water": _Component(
        (4128.9, -0.090864, 0.0054731),
        (0.57109, 0.0017625, -6.7036e-06),
        (997.18, 0.0031439, -0.0037574),
    ),
    "protein": _Component(
        (2008.2, 1.2089, -0.0013129),
        (0.17881, 0.0011958, -2.7178e-06),
        (1329.9, -0.5184, 0.0),
    ),
    "fat": _Component(
        (1984.2, 1.4733, -0.0048008),
        (0.18071, -0.00027604, -1.7749e-07),
        (925.59, -0.41757, 0.0),
    ),
    "carbohydrate": _Component(
        (1548.8, 1.9625, -0.0059399),
        (0.20141, 0.0013874, -4.3312e-06),
        (1599.1, -0.31046, 0.0),
    ),
    "fibre": _Component(
        (1845.9, 1.8306, -0.0046509),
        (0.18331, 0.0012497, -3.1683e-06),
        (1311.5, -0.36589, 0.0),
    ),
    "ash": _Component(
        (1092.6, 1.8896, -0.0036817),
        (0.32962, 0.0014011, -2.9069e-06),
        (2423.8, -0.28063, 0.0),
    ),
}
COMPONENTS: tuple[str, ...] = tuple(_COMPONENTS)


def _at(temp_c: FloatArray, coefficients: tuple[float, float, float]) -> FloatArray:
    c0, c1, c2 = coefficients
    out: FloatArray = c0 + temp_c * (c1 + c2 * temp_c)
    return out


def _shares(composition: Composition) -> dict[str, float]:
    shares = {name: float(composition.get(name, 0.0)) for name in _COMPONENTS}  # type: ignore[arg-type]
    wrong = {name: s for name, s in shares.items() if not 0.0 <= s <= 1.0}
    if wrong:
        name, share = next(iter(wrong.items()))
        raise OutOfRange(name, got=share, expected="a mass share from 0 to 1")
    total = sum(shares.values())
    if abs(total - 1.0) > _SUM_TOLERANCE:
        raise OutOfRange(
            "sum of the mass shares",
            got=f"{total:.6g}",
            expected="1",
            remedy="name every component: " + ", ".join(COMPONENTS),
        )
    return {name: s / total for name, s in shares.items()}


def _given(temp_c: N) -> FloatArray:
    given = np.asarray(temp_c, dtype=np.float64)
    outside = (given < LOW_C) | (given > HIGH_C)
    if bool(np.any(outside)):
        raise OutOfRange(
            "temperature",
            got=f"{float(given[outside].ravel()[0]):.7g} °C",
            expected=f"{LOW_C:g} to {HIGH_C:g} °C",
            where="properties of food components",
        )
    return given


def composition_heat_capacity(temp_c: N, **composition: Unpack[Composition]) -> N:
    """Specific heat capacity of a food, by mass shares; no latent heat.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN
    **composition : mass shares of water, protein, fat, carbohydrate, fibre and ash, summing to 1

    Returns
    -------
    same shape, J/kg/K

    Raises
    ------
    OutOfRange : outside -40 to 150 °C, or if the shares do not sum to 1

    Water by itself comes out 1 to 2 % low: most copies of the source begin its heat capacity with
    4176.2 instead of 4128.9, which would meet it within 0.2 % from 25 °C on.

    Source: CHOI1986, as in ASHRAE2006, ch. 9. Checked in tests/evidence/test_food_properties.py.
    """
    given = _given(temp_c)
    shares = _shares(composition)
    mixed = sum(s * _at(given, _COMPONENTS[name].heat_capacity) for name, s in shares.items())
    return as_given(temp_c, np.asarray(mixed))


def composition_density(
    temp_c: N, *, gas_share: float = 0.0, **composition: Unpack[Composition]
) -> N:
    """Density of a food, by specific volumes.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN
    gas_share : volume of gas per volume of food, 0 to below 1
    **composition : as for `composition_heat_capacity`

    Returns
    -------
    same shape, kg/m³

    Raises
    ------
    OutOfRange : as for `composition_heat_capacity`, or if `gas_share` is not in 0 to 1

    Source: as for `composition_heat_capacity`.
    """
    if not 0.0 <= gas_share < 1.0:
        raise OutOfRange("gas_share", got=gas_share, expected="0 to below 1")
    given = _given(temp_c)
    shares = _shares(composition)
    volume = np.asarray(sum(s / _at(given, _COMPONENTS[n].density) for n, s in shares.items()))
    return as_given(temp_c, (1.0 - gas_share) / volume)


def composition_conductivity(temp_c: N, **composition: Unpack[Composition]) -> N:
    """Thermal conductivity of a gas-free food, components side by side by volume.

    A proofed dough or a crumb conducts far less than this; side by side is the upper bound.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN
    **composition : as for `composition_heat_capacity`

    Returns
    -------
    same shape, W/m/K

    Raises
    ------
    OutOfRange : as for `composition_heat_capacity`

    Source: as for `composition_heat_capacity`.
    """
    given = _given(temp_c)
    shares = _shares(composition)
    volumes = {n: s / _at(given, _COMPONENTS[n].density) for n, s in shares.items()}
    whole = np.asarray(sum(volumes.values()))
    carried = sum(v * _at(given, _COMPONENTS[n].conductivity) for n, v in volumes.items())
    return as_given(temp_c, np.asarray(carried / whole))


def composition_diffusivity(temp_c: N, **composition: Unpack[Composition]) -> N:
    """Thermal diffusivity of a gas-free food.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN
    **composition : as for `composition_heat_capacity`

    Returns
    -------
    same shape, m²/s

    Raises
    ------
    OutOfRange : as for `composition_heat_capacity`

    Source: conductivity over density and heat capacity, as for `composition_heat_capacity`.
    """
    conductivity = np.asarray(composition_conductivity(temp_c, **composition))
    density = np.asarray(composition_density(temp_c, **composition))
    heat_capacity = np.asarray(composition_heat_capacity(temp_c, **composition))
    return as_given(temp_c, np.asarray(conductivity / (density * heat_capacity)))
