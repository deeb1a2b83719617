"""What a body is: shape, size, properties, how it meets its surroundings; for many at once.

Every number may be one for all members of an ensemble or an array (members,).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_curve import Property, PropertyCurve, members_of

Number = float | FloatArray

_BOUNDS: dict[str, tuple[float, float, bool, str, str]] = {
    # name: low, high, low itself allowed, unit, remedy
    "shape": (0.0, 2.0, True, "", "0 is a slab, 1 a cylinder, 2 a sphere"),
    "half_size_m": (0.0, 10.0, False, "m", "give half the thickness or the radius in metres"),
    "coefficient_w_m2_k": (0.0, 1e9, True, "W/m²/K", ""),
    "emissivity": (0.0, 1.0, True, "", "0 sends and takes no radiation, 1 is black"),
    "boiling_c": (0.0, 373.9, False, "°C", "take it from the pressure on the spot"),
    "water_kg_m3": (0.0, 1000.0, True, "kg/m³", "give kilograms of water per cubic metre of body"),
    "latent_j_kg": (1e5, 3e6, True, "J/kg", ""),
    "mass_transfer_kg_m2_s_pa": (0.0, 1e-3, True, "kg/m²/s/Pa", ""),
    "water_activity": (0.0, 1.0, True, "", ""),
    "crust_permeability_kg_m_s_pa": (0.0, 1.0, False, "kg/m/s/Pa", ""),
    "contact_w_m2_k": (0.0, 1e9, False, "W/m²/K", ""),
    "heat_capacity_j_m2_k": (0.0, 1e9, False, "J/m²/K", "mass times heat capacity of the pan over its area"),
}  # fmt: skip
_PROPERTIES: dict[str, tuple[float, str]] = {
    "conductivity_w_m_k": (1e4, "W/m/K"),
    "dry_conductivity_w_m_k": (1e4, "W/m/K"),
    "heat_capacity_j_m3_k": (1e9, "J/m³/K"),
    "dry_heat_capacity_j_m3_k": (1e9, "J/m³/K"),
}


def _check(owner: object) -> None:
    """Refuse what no body can be."""
    for field in fields(owner):  # type: ignore[arg-type]
        value = getattr(owner, field.name)
        if value is None:
            continue
        if field.name in _BOUNDS:
            low, high, closed, unit, remedy = _BOUNDS[field.name]
            numbers = np.asarray(value, dtype=np.float64)
            above = numbers >= low if closed else numbers > low
            if not bool(np.all(above & (numbers <= high))):
                worst = numbers[~(above & (numbers <= high))].ravel()[0]
                edge = f"{low:g}" if closed else f"above {low:g}"
                raise OutOfRange(
                    field.name,
                    got=f"{worst:.6g}",
                    expected=f"{edge} to {high:g} {unit}".rstrip(),
                    where="body",
                    remedy=remedy,
                )
        elif field.name in _PROPERTIES:
            high, unit = _PROPERTIES[field.name]
            scale = value.scale if isinstance(value, PropertyCurve) else value
            numbers = np.asarray(scale, dtype=np.float64)
            if not bool(np.all((numbers > 0) & (numbers <= high))):
                worst = numbers[~((numbers > 0) & (numbers <= high))].ravel()[0]
                raise OutOfRange(
                    field.name,
                    got=f"{worst:.6g}",
                    expected=f"above 0 to {high:g} {unit}",
                    where="body",
                    remedy="a property is a finite number above 0 in SI units",
                )


def _members(owner: object) -> int:
    """Return the one count of members that all numbers agree on."""
    found = 1
    for field in fields(owner):  # type: ignore[arg-type]
        value = getattr(owner, field.name)
        if value is None:
            continue
        count = value.members if isinstance(value, Underside) else members_of(value)
        if count not in (1, found) and found != 1:
            raise OutOfRange(
                field.name,
                got=f"{count} values",
                expected=f"1 or {found}",
                where="body",
                remedy="give each number once for all members, or once for each",
            )
        found = max(found, count)
    return found


@dataclass(frozen=True, slots=True)
class Underside:
    """The other face of a slab: a pan or band it lies on, or open surroundings of its own.

    Parameters
    ----------
    coefficient_w_m2_k, emissivity : exchange with the surroundings below
    contact_w_m2_k : conductance between slab and pan; None where the slab meets the surroundings
        below directly (a band whose temperature is measured: its temperature is the air below,
        its contact conductance the coefficient)
    heat_capacity_j_m2_k : of the pan, per area; without meaning where there is no pan

    Raises
    ------
    OutOfRange : if a number is not physical
    """

    coefficient_w_m2_k: Number
    emissivity: Number = 0.0
    contact_w_m2_k: Number | None = None
    heat_capacity_j_m2_k: Number = 4000.0

    def __post_init__(self) -> None:
        _check(self)

    @property
    def members(self) -> int:
        """How many members the numbers speak of."""
        return _members(self)


@dataclass(frozen=True, slots=True)
class BodyParameters:
    """One body, or an ensemble of bodies alike in kind.

    Parameters
    ----------
    half_size_m : half thickness of a slab, radius of a cylinder or sphere; whole thickness of a
        slab with an `under` side
    conductivity_w_m_k, heat_capacity_j_m3_k : of the body as it is put in (moist, if moist),
        heat capacity per volume
    shape : 0 slab, 1 cylinder, 2 sphere, anything between for a finite body
    coefficient_w_m2_k, emissivity : exchange of the outer face with air and with walls
    under : the face at position 0 of a slab; None where position 0 is the centre
    water_kg_m3 : free water per volume; 0 for a body that doesn't evaporate
    dry_conductivity_w_m_k, dry_heat_capacity_j_m3_k : once the free water has gone; None for no
        change
    boiling_c : at the pressure on the spot, °C
    latent_j_kg : heat of evaporation at `boiling_c`
    mass_transfer_kg_m2_s_pa : vapour given to the air below boiling, per area and difference of
        vapour pressure; 0 for none
    water_activity : of the moist body
    crust_permeability_kg_m_s_pa : of what has dried, to vapour
    density_kg_m3 : of the body as it is put in, for the share of mass lost; may be unknown (NaN)

    Raises
    ------
    OutOfRange : if a number is not physical, with what to do about it
    """

    half_size_m: Number
    conductivity_w_m_k: Property
    heat_capacity_j_m3_k: Property
    shape: Number = 0.0
    coefficient_w_m2_k: Number = 0.0
    emissivity: Number = 0.0
    under: Underside | None = None
    water_kg_m3: Number = 0.0
    dry_conductivity_w_m_k: Property | None = None
    dry_heat_capacity_j_m3_k: Property | None = None
    boiling_c: Number = 99.97
    latent_j_kg: Number = 2.2565e6
    mass_transfer_kg_m2_s_pa: Number = 0.0
    water_activity: Number = 0.98
    crust_permeability_kg_m_s_pa: Number = 5e-11
    density_kg_m3: Number = np.nan

    def __post_init__(self) -> None:
        _check(self)
        if self.under is not None and np.any(np.asarray(self.shape) != 0.0):
            raise OutOfRange(
                "shape",
                got=float(np.max(self.shape)),
                expected="0 where the body has an underside",
                where="body",
                remedy="only a slab has two unlike faces; leave out the underside or the shape",
            )
        _members(self)
        water = np.asarray(self.water_kg_m3)
        if bool(np.any(water > 0.0) and np.any(water == 0.0)):
            raise OutOfRange(
                "water_kg_m3",
                got="0 for some members only",
                expected="0 for all members or for none",
                where="body",
                remedy="march moist and dry bodies apart",
            )

    @property
    def members(self) -> int:
        """How many members the numbers speak of; 1 where all are single."""
        return _members(self)

    @property
    def moist(self) -> bool:
        """Whether any member has free water."""
        return bool(np.any(np.asarray(self.water_kg_m3) > 0.0))
