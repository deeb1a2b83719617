"""What bodies are made of, as heat sees it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange


@dataclass(frozen=True, slots=True)
class Material:
    """A solid that may hold water.

    The solids' heat capacity is ``heat_0 + heat_1 * kelvin`` J/kg/K. Conductivity is ``k_dry``
    where the water is gone; with water it is ``k_wet`` plus a part that switches on around
    ``k_middle_c``, where vapour carries heat from warm pores to cold ones. Crust (dry cells) keeps
    ``k_dry``.
    """

    name: str
    solids_kg_m3: float
    heat_0: float
    heat_1: float = 0.0
    water_kg_m3: float = 0.0
    k_dry: float = 1.0
    k_wet: float = 1.0
    k_vapour: float = 0.0
    k_middle_c: float = 80.0
    k_width_k: float = 10.0
    boiling_rise_k: float = 0.0
    """How far dissolved matter lifts the boiling point."""
    bound_water: float = 0.0
    """Share of the water that is bound and never boils off here."""

    def __post_init__(self) -> None:
        for name in ("solids_kg_m3", "k_dry", "k_wet", "k_width_k"):
            if not getattr(self, name) > 0:
                raise OutOfRange(f"material.{name}", got=getattr(self, name), expected="above 0")
        if not self.heat_0 + self.heat_1 * 250.0 > 0:
            raise OutOfRange("material heat capacity", got=self.heat_0, expected="above 0")
        if not 0.0 <= self.bound_water < 1.0:
            raise OutOfRange("material.bound_water", got=self.bound_water, expected="0 up to 1")

    def conductivity(
        self, temp_c: NDArray[np.float64], wet_share: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Conductivity of cells at ``temp_c`` that still hold ``wet_share`` of their water."""
        if self.water_kg_m3 <= 0.0:
            return np.full_like(temp_c, self.k_dry)
        switch = 1.0 / (1.0 + np.exp((self.k_middle_c - temp_c) / self.k_width_k))
        # wetness counts until little is left, then the cell is crust
        wet = np.minimum(1.0, 2.0 * wet_share)
        return np.asarray(self.k_dry + wet * (self.k_wet - self.k_dry + self.k_vapour * switch))


def solid(name: str, *, density: float, heat_capacity: float, conductivity: float) -> Material:
    """Return a dry material with constant properties, a metal for one."""
    return Material(
        name=name, solids_kg_m3=density, heat_0=heat_capacity, k_dry=conductivity, k_wet=1.0
    )


def crumb(
    *,
    name: str = "rye dough",
    density: float = 480.0,
    moisture: float = 0.43,
    k_vapour: float = 1.0,
) -> Material:
    """Return dough that becomes crumb and crust, as one material of constant density.

    Heat capacity of the solids and the shape of the conductivity follow the two-part bread model
    of Purlis & Salvadori, J. Food Eng. 91 (2009) 428 (numbers from memory); the level of the
    conductivity is set for a denser rye crumb so that an 800 g tin loaf bakes in about half an
    hour (invented, see docs/explanation/virtual-oven.md).

    ``moisture`` is kg water per kg dough, ``density`` kg/m3 of the risen dough.
    """
    return Material(
        name=name,
        solids_kg_m3=density * (1.0 - moisture),
        heat_0=25.0,
        heat_1=5.0,
        water_kg_m3=density * moisture,
        k_dry=0.2,
        k_wet=0.35,
        k_vapour=k_vapour,
        boiling_rise_k=0.1,
        bound_water=0.04,
    )
