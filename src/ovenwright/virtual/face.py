"""What a body's faces touch: open air and walls, a tin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange
from ovenwright.virtual.grid import Cells
from ovenwright.virtual.water import ZERO_C_K, SaturationTable, latent_heat_j_kg

Float = NDArray[np.float64]

STEFAN_BOLTZMANN = 5.670374419e-8  # W/m2/K4, CODATA 2018, exact by definition of the SI
# air near 100 °C: density times heat capacity times Lewis number to 2/3 (from memory, within 10 %)
_LEWIS_J_M3_K = 1.0e3
_VAPOUR_GAS = 461.5  # J/kg/K, gas constant of water vapour
_DRYING = 6.0  # invented: how fast a surface cell stops acting as free water while it dries


@dataclass(frozen=True, slots=True)
class Around:
    """Surroundings of each body, (b,) each: air, walls, coefficient, vapour, belt or deck."""

    air_c: Float
    wall_c: Float
    convection_w_m2_k: Float
    vapour_pa: Float
    sole_c: Float

    @classmethod
    def uniform(
        cls,
        count: int,
        *,
        air_c: float,
        wall_c: float | None = None,
        convection_w_m2_k: float,
        vapour_pa: float = 0.0,
        sole_c: float | None = None,
    ) -> Around:
        """Return the same surroundings for ``count`` bodies."""
        wall = air_c if wall_c is None else wall_c
        return cls(
            np.full(count, float(air_c)),
            np.full(count, float(wall)),
            np.full(count, float(convection_w_m2_k)),
            np.full(count, float(vapour_pa)),
            np.full(count, float(air_c if sole_c is None else sole_c)),
        )


class OpenFace:
    """A face in air, facing walls: convection, radiation, drying, condensation.

    The balance at the face is made linear about the last surface temperature, so that the face
    pulls the cell towards ``towards`` with coefficient ``u``; what was assumed is what is booked.
    """

    def __init__(
        self,
        temp_c: Float,
        area_m2: Float,
        *,
        emissivity: float,
        exposure: float,
        table: SaturationTable,
        evaporates: bool,
    ) -> None:
        self.temp_c = temp_c
        self._area = area_m2
        self._emissivity = emissivity
        self._exposure = exposure
        self._table = table
        self._evaporates = evaporates
        self._u: Float = np.zeros_like(temp_c)
        self._towards: Float = np.zeros_like(temp_c)
        self._flux: Float = np.zeros_like(temp_c)
        self._flux_slope: Float = np.zeros_like(temp_c)
        self._latent: Float = np.zeros_like(temp_c)

    def prepare(
        self, around: Around, reach: Float, free_kg: Float, full_kg: Float, dt_s: float
    ) -> tuple[Float, Float]:
        """Return ``(u, towards)`` in W/m2/K and °C, (b, n)."""
        t = self.temp_c
        kelvin = t + ZERO_C_K
        h = around.convection_w_m2_k[:, None]
        radiant = self._emissivity * STEFAN_BOLTZMANN
        wall4 = (around.wall_c[:, None] + ZERO_C_K) ** 4
        gain = self._exposure * (h * (around.air_c[:, None] - t) + radiant * (wall4 - kelvin**4))
        slope = self._exposure * (h + 4.0 * radiant * kelvin**3)
        if self._evaporates:
            flux, flux_slope = self._drying(around, free_kg, full_kg, dt_s)
            self._latent = latent_heat_j_kg(t)
            self._flux, self._flux_slope = flux, flux_slope
            gain = gain - self._latent * flux
            slope = slope + self._latent * flux_slope
        self._towards = t + gain / slope
        self._u = 1.0 / (1.0 / slope + 1.0 / reach)
        return self._u, self._towards

    def _drying(
        self, around: Around, free_kg: Float, full_kg: Float, dt_s: float
    ) -> tuple[Float, Float]:
        """Vapour flux off the face, kg/m2/s, and its slope; negative where vapour condenses.

        Mass transfer by the analogy of Lewis. A drying cell holds its water ever more tightly.
        """
        t = self.temp_c
        transfer = (
            self._exposure
            * around.convection_w_m2_k[:, None]
            / (_LEWIS_J_M3_K * _VAPOUR_GAS * (t + ZERO_C_K))
        )
        saturated = self._table.pressure_pa(t)
        steam = around.vapour_pa[:, None]
        activity = -np.expm1(-_DRYING * free_kg / full_kg)
        condenses = saturated < steam
        activity = np.where(condenses, 1.0, activity)
        drive = activity * saturated - steam
        acts = condenses | (drive > 0.0)
        # never more in one step than half of what the cell still has
        most = 0.5 * free_kg / (self._area * dt_s)
        limit = np.where(
            drive > 0.0, np.minimum(1.0, most / np.maximum(transfer * drive, 1e-30)), 1.0
        )
        transfer = np.where(acts, transfer * limit, 0.0)
        return transfer * drive, transfer * activity * self._table.slope_pa_k(t)

    def settle(self, cell_c: Float, reach: Float, dt_s: float) -> tuple[Float, Float, Float]:
        """Book the step: kg dried, J of latent heat, J the oven gave, each (b, n)."""
        into = self._u * (self._towards - cell_c)  # W/m2 into the cell
        before = self.temp_c
        self.temp_c = cell_c + into / reach
        if not self._evaporates:
            zero = np.zeros_like(into)
            return zero, zero, into * self._area * dt_s
        flux = self._flux + self._flux_slope * (self.temp_c - before)
        dried = flux * self._area * dt_s
        latent = self._latent * dried
        return dried, latent, into * self._area * dt_s + latent


@dataclass(frozen=True, slots=True)
class Tin:
    """A tin or pan around side and bottom."""

    mass_kg: float
    heat_capacity_j_kg_k: float = 490.0
    emissivity: float = 0.85
    contact_w_m2_k: float = 120.0
    """Between tin and product."""
    side_exposure: float = 0.6
    """Share of the oven that the side sees past its neighbours."""
    belt_w_m2_k: float = 25.0
    """Between the belt and the tin's bottom."""
    between_w_k: float = 0.6
    """Along the metal, from side to bottom."""

    def __post_init__(self) -> None:
        for name in ("mass_kg", "heat_capacity_j_kg_k", "contact_w_m2_k"):
            if not getattr(self, name) > 0:
                raise OutOfRange(f"tin.{name}", got=getattr(self, name), expected="above 0")


class TinWall:
    """The tin's metal: one lump for the side, one for the bottom, per body."""

    def __init__(self, spec: Tin, cells: Cells, count: int, start_c: float) -> None:
        self.spec = spec
        side = float(cells.r_area[:, -1].sum())
        bottom = float(cells.z_area.sum())
        self._area = np.array([side, bottom])
        self._exposure = np.array([spec.side_exposure, 1.0])
        self._belt = np.full(count, spec.belt_w_m2_k)
        self._capacity = spec.mass_kg * spec.heat_capacity_j_kg_k * self._area / self._area.sum()
        self.temp_c: Float = np.full((count, 2), float(start_c))
        self.next_c: Float = self.temp_c.copy()
        self.given_w: Float = np.zeros((count, 2))
        self._taken_w: Float = np.zeros((count, 2))
        self._across_w: Float = np.zeros((count, 2))

    def stored_j(self) -> Float:
        """Warmth in the metal, from 0 °C, (b,)."""
        return np.asarray((self._capacity * self.temp_c).sum(axis=1))

    def begin(self, dt_s: float, around: Around, touch: Float) -> None:
        """Estimate the metal's temperature at the end of the step; fix what the oven gives it.

        ``touch`` (b, 2) is the product's temperature next to side and bottom.
        """
        spec, t = self.spec, self.temp_c
        kelvin = t + ZERO_C_K
        radiant = spec.emissivity * STEFAN_BOLTZMANN
        exposed = self._area * self._exposure
        air = np.array([around.air_c, around.sole_c]).T
        h = np.array([around.convection_w_m2_k, self._belt]).T
        wall4 = ((around.wall_c + ZERO_C_K) ** 4)[:, None]
        gain = exposed * (h * (air - t) + radiant * (wall4 - kelvin**4))
        slope = exposed * (h + 4.0 * radiant * kelvin**3)
        across = spec.between_w_k * (t[:, ::-1] - t)
        held = self._area * spec.contact_w_m2_k
        rise = (gain + across + held * (touch - t)) / (self._capacity / dt_s + slope + held)
        self.next_c = t + rise
        self._taken_w = gain - slope * rise
        self._across_w = across
        self.given_w = np.zeros_like(t)

    def finish(self, dt_s: float) -> Float:
        """Book what the oven gave and the product took; return J from the oven, (b,)."""
        net = self._taken_w + self._across_w - self.given_w
        self.temp_c = self.temp_c + net * dt_s / self._capacity
        return np.asarray(self._taken_w.sum(axis=1) * dt_s)
