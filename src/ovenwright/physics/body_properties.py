"""Properties of a body from its composition, or from a published set."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Unpack, cast

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_curve import Property, PropertyCurve
from ovenwright.physics.body_parameters import BodyParameters, Number
from ovenwright.physics.food import (
    HIGH_C,
    Composition,
    composition_conductivity,
    composition_density,
    composition_heat_capacity,
)

AIR_CONDUCTIVITY_W_M_K = 0.031
"""Of dry air near 100 °C; common practice, no source."""

_FROM_C = 0.0


@dataclass(frozen=True, slots=True)
class BodyProperties:
    """What a body is made of, without its size or surroundings.

    Parameters
    ----------
    conductivity_w_m_k, heat_capacity_j_m3_k : as it is put in
    dry_conductivity_w_m_k, dry_heat_capacity_j_m3_k : once its free water has gone; None for a
        body without
    water_kg_m3 : free water, kg/m³
    density_kg_m3 : as it is put in
    source : where the numbers come from
    """

    conductivity_w_m_k: Property
    heat_capacity_j_m3_k: Property
    density_kg_m3: float
    source: str
    dry_conductivity_w_m_k: Property | None = None
    dry_heat_capacity_j_m3_k: Property | None = None
    water_kg_m3: float = 0.0

    def body(self, half_size_m: Number, **rest: Any) -> BodyParameters:
        """Return a body of this stuff; `rest` as for `BodyParameters`, which it overrides.

        Raises
        ------
        OutOfRange : if a number is not physical
        """
        given: dict[str, Any] = {
            "conductivity_w_m_k": self.conductivity_w_m_k,
            "heat_capacity_j_m3_k": self.heat_capacity_j_m3_k,
            "dry_conductivity_w_m_k": self.dry_conductivity_w_m_k,
            "dry_heat_capacity_j_m3_k": self.dry_heat_capacity_j_m3_k,
            "water_kg_m3": self.water_kg_m3,
            "density_kg_m3": self.density_kg_m3,
        }
        return BodyParameters(half_size_m=half_size_m, **(given | rest))


def porous_conductivity(
    matrix_w_m_k: FloatArray, gas_share: float, *, gas_w_m_k: float = AIR_CONDUCTIVITY_W_M_K
) -> FloatArray:
    """Conductivity of a matrix with separate gas cells.

    Parameters
    ----------
    matrix_w_m_k : any shape, W/m/K, of the matrix without gas
    gas_share : volume share of gas, 0 to below 1
    gas_w_m_k : W/m/K

    Returns
    -------
    same shape, W/m/K

    Raises
    ------
    OutOfRange : if the share is not from 0 to below 1

    Source: MAXWELL1873, art. 314, in the form of Eucken (from memory). Checked in
    tests/unit/physics/test_body_properties.py.
    """
    _checked_share(gas_share)
    gap = matrix_w_m_k - gas_w_m_k
    whole = 2.0 * matrix_w_m_k + gas_w_m_k
    out: FloatArray = matrix_w_m_k * (whole - 2.0 * gas_share * gap) / (whole + gas_share * gap)
    return out


def _checked_share(gas_share: float) -> None:
    if not 0.0 <= gas_share < 1.0:
        raise OutOfRange(
            "gas_share",
            got=gas_share,
            expected="0 to below 1",
            remedy="give the volume share of gas",
        )


def from_composition(
    *, gas_share: float = 0.0, evaporates: bool = True, **composition: Unpack[Composition]
) -> BodyProperties:
    """Properties of a food from its mass shares, with gas cells if it has any.

    The volume stays as it is while the food dries: where water was, there is gas. Above 150 °C,
    where the polynomials end, the last values are kept.

    Parameters
    ----------
    gas_share : volume share of gas as it is put in, 0 to below 1
    evaporates : whether its water boils off where it reaches the boiling point
    composition : water, protein, fat, carbohydrate, fibre, ash; mass shares that sum to 1

    Returns
    -------
    `BodyProperties`

    Raises
    ------
    OutOfRange : if the shares don't sum to 1, or leave no solids under free water

    Source: CHOI1986 as in ASHRAE2006, ch. 9; gas by MAXWELL1873. Checked in
    tests/evidence/test_food_properties.py.
    """
    _checked_share(gas_share)
    water = float(composition.get("water", 0.0))
    shares = cast("dict[str, float]", dict(composition))
    solid_share = sum(shares.values()) - water
    at_c = 25.0
    density = (1.0 - gas_share) * float(composition_density(at_c, **composition))

    def moist_k(temp_c: FloatArray) -> FloatArray:
        return porous_conductivity(composition_conductivity(temp_c, **composition), gas_share)

    def moist_heat(temp_c: FloatArray) -> FloatArray:
        return np.asarray(density * composition_heat_capacity(temp_c, **composition))

    plain = BodyProperties(
        conductivity_w_m_k=PropertyCurve.of(moist_k, low_c=_FROM_C, high_c=HIGH_C),
        heat_capacity_j_m3_k=PropertyCurve.of(moist_heat, low_c=_FROM_C, high_c=HIGH_C),
        density_kg_m3=density,
        source="CHOI1986",
    )
    if not (evaporates and water > 0.0):
        return plain
    if not solid_share > 0.01:
        raise OutOfRange(
            "solids", got=f"{solid_share:g}", expected="a mass share above 0.01",
            remedy="a body that dries must have something left",
        )  # fmt: skip
    others = {name: share / solid_share for name, share in shares.items() if name != "water"}
    dry = cast("Composition", others)
    solid_kg_m3 = density * solid_share
    dry_gas = 1.0 - solid_kg_m3 / float(composition_density(at_c, **dry))

    def dry_k(temp_c: FloatArray) -> FloatArray:
        return porous_conductivity(composition_conductivity(temp_c, **dry), dry_gas)

    def dry_heat(temp_c: FloatArray) -> FloatArray:
        return np.asarray(solid_kg_m3 * composition_heat_capacity(temp_c, **dry))

    return replace(
        plain,
        water_kg_m3=density * water,
        dry_conductivity_w_m_k=PropertyCurve.of(dry_k, low_c=_FROM_C, high_c=HIGH_C),
        dry_heat_capacity_j_m3_k=PropertyCurve.of(dry_heat, low_c=_FROM_C, high_c=HIGH_C),
    )


def bread_conductivity(temp_c: FloatArray) -> FloatArray:
    """Apparent conductivity of crumb, W/m/K, with what evaporation and condensation carry.

    Rises from 0.2 to 1.1 about 80 °C: vapour goes from warm to cold cell walls of the crumb and
    carries heat there, so heat goes in faster than by conduction alone.

    Source: PURLIS2009 (from memory).
    """
    return np.asarray(0.2 + 0.9 / (1.0 + np.exp(-0.1 * (temp_c - 80.01))))


def bread() -> BodyProperties:
    """Properties of white bread, dough to crust, as a two-part moving-boundary model uses them.

    Source: PURLIS2009 (all numbers from memory; whether its densities are of dry solids or of the
    whole is not clear, they are taken as dry solids, 0.65 kg water for each kg).
    """

    def solids(temp_c: FloatArray) -> FloatArray:
        return np.asarray(5.0 * (temp_c + 273.15) + 25.0)

    def moist_heat(temp_c: FloatArray) -> FloatArray:
        kelvin = temp_c + 273.15
        water = 1000.0 * (5.207 - 7.317e-3 * kelvin + 1.35e-5 * kelvin**2)
        return np.asarray(180.61 * (solids(temp_c) + 0.65 * water))

    def dry_heat(temp_c: FloatArray) -> FloatArray:
        return np.asarray(321.31 * solids(temp_c))

    return BodyProperties(
        conductivity_w_m_k=PropertyCurve.of(bread_conductivity, low_c=0.0, high_c=120.0),
        heat_capacity_j_m3_k=PropertyCurve.of(moist_heat, low_c=0.0, high_c=120.0),
        dry_conductivity_w_m_k=0.2,
        dry_heat_capacity_j_m3_k=PropertyCurve.of(dry_heat, low_c=80.0, high_c=280.0),
        water_kg_m3=180.61 * 0.65,
        density_kg_m3=180.61 * 1.65,
        source="PURLIS2009 (from memory)",
    )


def shape_exponent(*, area_m2: float, volume_m3: float, half_size_m: float) -> float:
    """Shape exponent of a finite body from the face that heats it: area · half size / volume - 1.

    A slab, cylinder or sphere gives 0, 1 and 2; a body between gives what heats its volume by
    the right area. That suits the heat it takes up, not its core: the core of a flat body hardly
    knows of the rim, and that of a disc three times as wide as high comes out up to 14 K of 75 K
    too warm, on the unsafe side (tests/evidence/test_body_exact.py).

    Parameters
    ----------
    area_m2, volume_m3 : of the whole body
    half_size_m : from the centre to the nearest face

    Returns
    -------
    0 to 2

    Raises
    ------
    OutOfRange : if the three don't fit a body

    Common practice, no source.
    """
    if not (area_m2 > 0 and volume_m3 > 0 and half_size_m > 0):
        raise OutOfRange("size", got=(area_m2, volume_m3, half_size_m), expected="all above 0")
    exponent = area_m2 * half_size_m / volume_m3 - 1.0
    if not -1e-9 <= exponent <= 2.0 + 1e-9:
        raise OutOfRange(
            "shape exponent", got=f"{exponent:.3g}", expected="0 to 2",
            remedy="give the distance from the centre to the nearest face as half_size_m",
        )  # fmt: skip
    return float(np.clip(exponent, 0.0, 2.0))
