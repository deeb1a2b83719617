"""What is known of a heated body before its readings are looked at, each number with its source.

Every parameter is a function of a standard normal coordinate, so that a prior is one unit wide
whatever its law: a least-squares step, a jitter and "how much the data told" are all in the same
measure. A family is a kind of body with or without something around it (a tin, a sleeve, a can).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from scipy.special import betaincinv, ndtr, ndtri

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.errors import OutOfRange


class Law(StrEnum):
    """Distribution of a prior."""

    LOGNORMAL = "lognormal"
    BETA = "beta"
    HALF_NORMAL = "half-normal"
    UNIFORM = "uniform"


@dataclass(frozen=True, slots=True)
class Prior:
    """One parameter before the data.

    ``a`` and ``b``: median and standard deviation of the logarithm (lognormal), the two exponents
    (beta), unused and scale (half-normal), lower and upper end (uniform).
    """

    law: Law
    a: float
    b: float
    source: str

    def value(self, z: FloatArray) -> FloatArray:
        """Return the parameter at standard normal coordinates."""
        if self.law is Law.LOGNORMAL:
            return np.asarray(self.a * np.exp(self.b * z))
        if self.law is Law.BETA:
            return np.asarray(betaincinv(self.a, self.b, _inside(ndtr(z))))
        if self.law is Law.HALF_NORMAL:
            return np.asarray(self.b * ndtri(_inside(0.5 + 0.5 * ndtr(z))))
        return np.asarray(self.a + (self.b - self.a) * ndtr(z))

    def coordinate(self, value: float) -> float:
        """Return the standard normal coordinate of a value; inverse of `value` for two laws.

        Raises
        ------
        OutOfRange : if the law does not hold the value
        """
        if self.law is Law.LOGNORMAL and value > 0:
            return float(np.log(value / self.a) / self.b)
        if self.law is Law.UNIFORM and self.a <= value <= self.b:
            return float(ndtri(_inside(np.asarray((value - self.a) / (self.b - self.a)))))
        raise OutOfRange("a known parameter", got=value, expected=f"inside its {self.law} prior")


def _inside(share: FloatArray) -> FloatArray:
    return np.clip(share, 1e-12, 1.0 - 1e-12)


@dataclass(frozen=True, slots=True)
class Parameter:
    """A parameter as people read of it."""

    name: str
    unit: str
    words: str
    own: bool
    """True for the sensor's own place and exchange, False for what all pieces have in common."""


PARAMETERS: tuple[Parameter, ...] = (
    Parameter("half_size_m", "m", "half thickness or radius", False),
    Parameter("heat_capacity_j_m3_k", "J/m³/K", "heat capacity per volume", False),
    Parameter("conductivity_w_m_k", "W/m/K", "conductivity", False),
    Parameter("coefficient_w_m2_k", "W/m²/K", "surface coefficient of the air", True),
    Parameter("emissivity", "1", "emissivity", False),
    Parameter("unseen_share", "1", "share of the surroundings as cool as the start", True),
    Parameter("shape", "1", "0 slab, 1 cylinder, 2 sphere", False),
    Parameter("position", "1", "place of the sensor, 0 centre to 1 surface", True),
    Parameter("sleeve_j_m2_k", "J/m²/K", "heat capacity of what is around", False),
    Parameter("gap_w_m2_k", "W/m²/K", "conductance from sleeve to body", True),
    Parameter("gap_emissivity", "1", "emissivity across the gap", False),
    Parameter("water_kg_m3", "kg/m³", "free water per volume", False),
)
"""In the order of the coordinates."""

INDEX = {p.name: i for i, p in enumerate(PARAMETERS)}

_POOR = "plastics, wood, dry food 0.1 to 0.6 W/m/K, from memory"
_H = (
    "still to fan-stirred oven air 5 to 30 W/m²/K: still 5 to 12 from memory, tunnel ovens 20 to 48 "
    "with radiation (Baik et al., J Food Sci 64(4):688, 1999)"
)
_ROOM = "no direction favoured: anything between"
_SLEEVE = "tin of 0.5 mm to cast iron of 5 mm, 2 to 20 kJ/m²/K; from densities and heat capacities, from memory"
_GAP = "still gas gap of 2 to 20 mm up to good contact, 1.5 to 60 W/m²/K, from memory"
_TIN = (
    "steel or aluminium tin of 0.4 to 1.5 mm, pan of up to 3 mm, 1 to 12 kJ/m²/K; from densities and heat "
    "capacities, from memory"
)
_TOUCH = (
    "moist food lies against the metal: from a film of vapour or fat (0.1 to 0.3 mm of steam, 80 to 250 "
    "W/m²/K, from its conductivity) to a crust that has come away (gas gap of 2 mm, 12 W/m²/K); from memory"
)


def _priors(
    *,
    size: tuple[float, float],
    capacity: tuple[float, float],
    k: tuple[float, float],
    sources: tuple[str, str, str],
    water: tuple[float, float] = (50.0, 900.0),
    touches: bool = False,
) -> dict[str, Prior]:
    return {
        "half_size_m": Prior(Law.LOGNORMAL, *size, sources[0]),
        "heat_capacity_j_m3_k": Prior(Law.LOGNORMAL, *capacity, sources[1]),
        "conductivity_w_m_k": Prior(Law.LOGNORMAL, *k, sources[2]),
        "coefficient_w_m2_k": Prior(Law.LOGNORMAL, 10.0, 0.6, _H),
        "emissivity": Prior(
            Law.BETA, 8.0, 2.0, "non-metals and coated or oxidised metal 0.6 to 0.95, from memory"
        ),
        "unseen_share": Prior(
            Law.HALF_NORMAL,
            0.0,
            0.2,
            "openings, supports, neighbours that start as cold; common practice, no source",
        ),
        "shape": Prior(Law.UNIFORM, 0.0, 2.0, _ROOM),
        "position": Prior(Law.UNIFORM, 0.0, 1.0, _ROOM),
        "sleeve_j_m2_k": (
            Prior(Law.LOGNORMAL, 3.5e3, 0.75, _TIN)
            if touches
            else Prior(Law.LOGNORMAL, 8.0e3, 1.0, _SLEEVE)
        ),
        "gap_w_m2_k": (
            Prior(Law.LOGNORMAL, 60.0, 1.0, _TOUCH)
            if touches
            else Prior(Law.LOGNORMAL, 12.0, 1.0, _GAP)
        ),
        "gap_emissivity": Prior(Law.BETA, 6.0, 2.0, "oxidised metal and non-metal, from memory"),
        "water_kg_m3": Prior(
            Law.UNIFORM, *water, "mass share of water times density; common practice, no source"
        ),
    }


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of body: how it conducts, whether it boils, and its priors."""

    name: str
    words: str
    moist: bool
    risen: bool
    """True where vapour in pores carries heat inward as it gets hot."""
    share: float
    """How likely it is before anything is known."""
    priors: dict[str, Prior] = field(repr=False)


_CAPACITY = "Choi & Okos components (ASHRAE Refrigeration Handbook 2006, ch. 9) at food porosities"

KINDS: tuple[Kind, ...] = (
    Kind(
        "risen",
        "moist and porous, such as dough",
        moist=True,
        risen=True,
        share=1 / 6,
        priors=_priors(
            size=(0.025, 0.6),
            capacity=(1.3e6, 0.4),
            k=(0.25, 0.4),
            water=(60.0, 450.0),
            touches=True,
            sources=(
                "bun to tin loaf, 10 to 60 mm; common practice, no source",
                _CAPACITY,
                "crumb at rest 0.1 to 0.5 W/m/K, from memory (Purlis & Salvadori 2009)",
            ),
        ),
    ),
    Kind(
        "dense",
        "moist and dense, such as meat",
        moist=True,
        risen=False,
        share=1 / 6,
        priors=_priors(
            size=(0.025, 0.6),
            capacity=(3.4e6, 0.15),
            k=(0.45, 0.2),
            water=(400.0, 850.0),
            touches=True,
            sources=("10 to 60 mm; common practice, no source", _CAPACITY, _CAPACITY),
        ),
    ),
    Kind(
        "dry",
        "dry poor conductor, such as nuts, wood or plastic",
        moist=False,
        risen=False,
        share=1 / 3,
        priors=_priors(
            size=(0.012, 0.8),
            capacity=(2.2e6, 0.4),
            k=(0.3, 0.6),
            sources=(
                "3 to 45 mm; common practice, no source",
                "plastics and dry food 1.2 to 4 MJ/m³/K, from memory",
                _POOR,
            ),
        ),
    ),
    Kind(
        "metal",
        "metal, such as coated parts",
        moist=False,
        risen=False,
        share=1 / 3,
        priors=_priors(
            size=(0.004, 0.8),
            capacity=(3.3e6, 0.2),
            k=(40.0, 0.8),
            sources=(
                "1 to 15 mm; common practice, no source",
                "steel 3.7, aluminium 2.4, brass 3.2 MJ/m³/K, from memory",
                "stainless 15 to aluminium 200 W/m/K, from memory",
            ),
        ),
    ),
)

SLEEVED_SHARE = 0.5  # nothing said: as likely as not that something stands around the body

KNOWN_KINDS: dict[str, tuple[str, ...]] = {
    "any": tuple(k.name for k in KINDS),
    "moist": ("risen", "dense"),
    "dry": ("dry", "metal"),
    **{k.name: (k.name,) for k in KINDS},
}
"""What a person may say of the body, and the kinds that fit."""


def family_of(kind: int, sleeved: bool) -> int:
    """Return the number of a family."""
    return 2 * kind + int(sleeved)


def kind_of(family: IntArray) -> IntArray:
    """Return the place in `KINDS` of each family."""
    return np.asarray(family // 2)


def sleeved(family: IntArray) -> BoolArray:
    """Return which families have something around the body."""
    return np.asarray(family % 2 == 1)


def family_words(family: int) -> str:
    """Return a family in words."""
    kind = KINDS[family // 2]
    return kind.words + (", in a tin, can or sleeve" if family % 2 else "")
