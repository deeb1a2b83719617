"""Metal: a reference body of one temperature, and plates that carry heat along themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgtsv

from ovenwright.errors import OutOfRange
from ovenwright.virtual.face import STEFAN_BOLTZMANN
from ovenwright.virtual.water import ZERO_C_K

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BlockSpec:
    """A reference body: metal that is all at one temperature. The default is aluminium."""

    mass_kg: float = 0.35
    heat_capacity_j_kg_k: float = 900.0
    area_m2: float = 0.0163
    emissivity: float = 0.2
    convection_factor: float = 1.0

    def __post_init__(self) -> None:
        for name in ("mass_kg", "heat_capacity_j_kg_k", "area_m2"):
            if not getattr(self, name) > 0:
                raise OutOfRange(f"block.{name}", got=getattr(self, name), expected="above 0")


class Block:
    """The body's state."""

    def __init__(self, spec: BlockSpec, start_c: float) -> None:
        self.spec = spec
        self.temp_c = float(start_c)
        self.heat_in_j = 0.0

    def step(self, air_c: float, wall_c: float, h: float, dt_s: float) -> None:
        """Advance, with radiation made linear about the last temperature."""
        s = self.spec
        kelvin = self.temp_c + ZERO_C_K
        radiant = s.emissivity * STEFAN_BOLTZMANN
        h = h * s.convection_factor
        gain = h * (air_c - self.temp_c) + radiant * ((wall_c + ZERO_C_K) ** 4 - kelvin**4)
        slope = h + 4.0 * radiant * kelvin**3
        capacity = s.mass_kg * s.heat_capacity_j_kg_k
        rise = gain * s.area_m2 / (capacity / dt_s + slope * s.area_m2)
        self.temp_c += rise
        self.heat_in_j += capacity * rise


@dataclass(frozen=True, slots=True)
class PlateSpec:
    """A bracket as a strip of pieces of unlike thickness, heated from both faces.

    ``thickness_m`` gives one number a piece. The default metal is mild steel.
    """

    thickness_m: tuple[float, ...]
    piece_m: float = 0.03
    width_m: float = 0.06
    density_kg_m3: float = 7850.0
    heat_capacity_j_kg_k: float = 490.0
    conductivity_w_m_k: float = 50.0
    emissivity: float = 0.88
    start_c: float = 24.0

    def __post_init__(self) -> None:
        if not self.thickness_m or min(self.thickness_m) <= 0:
            raise OutOfRange("plate.thickness_m", got=self.thickness_m, expected="all above 0")

    @property
    def mass_kg(self) -> float:
        """Mass of one bracket."""
        return sum(self.thickness_m) * self.piece_m * self.width_m * self.density_kg_m3


class Plates:
    """Several equal brackets, (b, pieces)."""

    def __init__(self, spec: PlateSpec, count: int) -> None:
        self.spec = spec
        thick = np.array(spec.thickness_m)
        face = spec.piece_m * spec.width_m
        self._face = 2.0 * face
        self._capacity = thick * face * spec.density_kg_m3 * spec.heat_capacity_j_kg_k
        half = spec.piece_m / (2.0 * spec.conductivity_w_m_k * thick * spec.width_m)
        self._link = 1.0 / (half[:-1] + half[1:])
        self.temp_c: Float = np.full((count, thick.size), float(spec.start_c))
        self.heat_in_j: Float = np.zeros(count)

    def stored_j(self) -> Float:
        """Warmth, from 0 °C, (b,)."""
        return np.asarray((self._capacity * self.temp_c).sum(axis=1))

    def step(self, air_c: Float, wall_c: Float, h: Float, dt_s: float) -> Float:
        """Advance in the surroundings (b,) given; return W taken from the oven, (b,)."""
        t = self.temp_c
        kelvin = t + ZERO_C_K
        radiant = self.spec.emissivity * STEFAN_BOLTZMANN
        gain = self._face * (
            h[:, None] * (air_c[:, None] - t)
            + radiant * ((wall_c[:, None] + ZERO_C_K) ** 4 - kelvin**4)
        )
        slope = self._face * (h[:, None] + 4.0 * radiant * kelvin**3)
        off = np.zeros_like(t)
        off[:, :-1] = self._link
        total = slope + off
        total[:, 1:] += self._link
        along = self._link * np.diff(t, axis=1)
        net = gain.copy()
        net[:, :-1] += along
        net[:, 1:] -= along
        if t.size > 1:
            between = -off.ravel()[:-1]
            diagonal = (self._capacity / dt_s + total).ravel()
            rise = dgtsv(between, diagonal, between, net.ravel())[3].reshape(t.shape)
        else:
            rise = net / (self._capacity / dt_s + total)
        taken = np.asarray((gain - slope * rise).sum(axis=1))
        self.temp_c = t + rise
        self.heat_in_j = self.heat_in_j + taken * dt_s
        return taken
