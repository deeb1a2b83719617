"""A heated body in two dimensions: conduction, boiling inside, drying at the surface.

Enthalpy form. Each step is split along r and along z; both halves are implicit and pass heat
between cells as fluxes, so what leaves one cell enters the next to the last bit. A wet cell that
reaches the boiling point stays there until its free water is gone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgtsv

from ovenwright.errors import OutOfRange
from ovenwright.virtual.face import Around, OpenFace, Tin, TinWall
from ovenwright.virtual.grid import Cells, Section
from ovenwright.virtual.material import Material
from ovenwright.virtual.water import (
    WATER_HEAT_CAPACITY,
    ZERO_C_K,
    SaturationTable,
    boiling_point_c,
    latent_heat_j_kg,
)

Float = NDArray[np.float64]
_DRY = 1e-6  # share of the free water below which a cell counts as dry
_BEGUN = 0.05  # share of the free water gone at which a front cell is counted in full
_NEAR_K = 4.0  # from this far below boiling on a cell is counted a front cell by degrees
_HELD = 1e15  # capacity of a boiling cell: it takes heat without warming


@dataclass(frozen=True, slots=True)
class BodySpec:
    """A body: shape, material, what each face touches.

    ``side``, ``top`` and ``bottom`` are ``"open"`` (air and walls), ``"insulated"``, ``"tin"``
    (side and bottom) or ``"sole"`` (bottom, in contact with the belt or deck).
    """

    section: Section
    material: Material
    start_c: float
    side: str = "open"
    top: str = "open"
    bottom: str = "open"
    emissivity: float = 0.9
    side_exposure: float = 1.0
    """Share of the open heat exchange that the side sees, the rest is hidden by neighbours."""
    tin: Tin | None = None
    sole_w_m2_k: float = 80.0
    evaporates: bool = True
    dries: bool = True
    """Whether open faces dry into the air below the boiling point."""
    implicitness: float = 1.0
    """1 damps every ripple, 0.5 is second order in time."""

    def __post_init__(self) -> None:
        allowed = {
            "side": ("open", "insulated", "tin"),
            "top": ("open", "insulated"),
            "bottom": ("open", "insulated", "tin", "sole"),
        }
        for name, choices in allowed.items():
            if getattr(self, name) not in choices:
                raise OutOfRange(
                    f"body.{name}", got=getattr(self, name), expected=" or ".join(choices)
                )
        if "tin" in (self.side, self.bottom) and self.tin is None:
            raise OutOfRange("body.tin", got=None, expected="a Tin, as a face touches one")
        if not 0.5 <= self.implicitness <= 1.0:
            raise OutOfRange("body.implicitness", got=self.implicitness, expected="0.5 to 1")


class Bodies:
    """Several equal bodies stepped together, each in its own surroundings.

    Fields are (b, nz, nr) with b bodies. ``heat_in_j`` (b,) is what the oven gave, by the fluxes
    at the outer faces; ``vapour_kg`` and ``vapour_j`` (b,) what left as vapour.
    """

    def __init__(self, spec: BodySpec, count: int, *, pressure_kpa: float = 101.325) -> None:
        self.spec = spec
        self.cells = Cells(spec.section)
        self.count = count
        m = spec.material
        shape = (count, *self.cells.shape)
        self._table = SaturationTable()
        self.boiling_c = boiling_point_c(pressure_kpa) + m.boiling_rise_k
        self._latent = float(latent_heat_j_kg(self.boiling_c))
        self.temp_c: Float = np.full(shape, float(spec.start_c))
        volume = np.broadcast_to(self.cells.volume, shape)
        self._solids_kg = volume * m.solids_kg_m3
        self._full_kg: Float = np.array(volume * m.water_kg_m3)
        self.water_kg: Float = self._full_kg.copy()
        self._bound_kg = self._full_kg * m.bound_water
        self._wet = m.water_kg_m3 > 0
        self.heat_in_j: Float = np.zeros(count)
        self.vapour_kg: Float = np.zeros(count)
        self.vapour_j: Float = np.zeros(count)
        self._enthalpy = self._enthalpy_of(self.temp_c, self.water_kg)
        self.tin = TinWall(spec.tin, self.cells, count, spec.start_c) if spec.tin else None
        self._start_j = self._total_j()
        z = self.cells.z
        # with a closed bottom the outside is above everywhere, and the other way round
        middle = {(True, False): -1.0, (False, True): float(z[-1]) + 1.0}.get(
            (spec.top != "insulated", spec.bottom != "insulated"),
            0.5 * float(self.cells.z_edge[-1]),
        )
        self._upper = z >= middle
        self._upright = self.cells.z.size > 1 or (spec.top, spec.bottom) != ("insulated",) * 2
        cells = self.cells
        self._faces: dict[str, OpenFace] = {}
        for name, size, area, kind in (
            ("side", cells.z.size, cells.r_area[:, -1], spec.side),
            ("top", cells.r.size, cells.z_area, spec.top),
            ("bottom", cells.r.size, cells.z_area, spec.bottom),
        ):
            if kind == "open":
                exposure = spec.side_exposure if name == "side" else 1.0
                self._faces[name] = OpenFace(
                    np.full((count, size), float(spec.start_c)),
                    np.asarray(area),
                    emissivity=spec.emissivity,
                    exposure=exposure,
                    table=self._table,
                    evaporates=spec.evaporates and spec.dries and self._wet,
                )

    # -- what is asked of a body ------------------------------------------------------------

    def surface_c(self, face: str) -> Float:
        """Temperature of an open face, (b, n); of the cells next to it for any other face."""
        if face in self._faces:
            return self._faces[face].temp_c
        return {
            "side": self.temp_c[:, :, -1],
            "top": self.temp_c[:, -1],
            "bottom": self.temp_c[:, 0],
        }[face]

    @property
    def mass_kg(self) -> Float:
        """Mass of each body now, without its tin."""
        return np.asarray((self._solids_kg + self.water_kg).sum(axis=(1, 2)))

    def energy_residual_j(self) -> Float:
        """Heat given, less warmth gained, less vapour's enthalpy: the books' error, (b,)."""
        return np.asarray(self.heat_in_j - (self._total_j() - self._start_j) - self.vapour_j)

    # -- one step ---------------------------------------------------------------------------

    def step(self, dt_s: float, around: Around) -> None:
        """Advance all bodies by one step in the surroundings given."""
        paths = self._paths()
        if self.tin is not None:
            touch = [self.temp_c[:, :, -1].mean(axis=1), self.temp_c[:, 0].mean(axis=1)]
            self.tin.begin(dt_s, around, np.column_stack(touch))
        self._sweep_r(dt_s, around, *paths)
        if self._upright:
            self._sweep_z(dt_s, around, *paths)
        if self.tin is not None:
            self.heat_in_j = self.heat_in_j + self.tin.finish(dt_s)

    def _paths(self) -> tuple[Float, Float]:
        """Resistance per metre (m K/W) from a cell's temperature outwards and inwards, times 1/2.

        In a boiling cell the front has come as far in as water is gone: outwards there is crust
        of that depth, inwards crumb for the rest. Without this the surface would move in steps,
        one for each cell that dries. A cell a few kelvin short of boiling takes part by degrees,
        or it would flicker between two states.
        """
        share = self._wet_share()
        k = self.spec.material.conductivity(self.temp_c, share)
        plain = 0.5 / k
        if not (self._wet and self.spec.evaporates):
            return plain, plain
        near = np.clip(1.0 + (self.temp_c - self.boiling_c) / _NEAR_K, 0.0, 1.0)
        begun = np.clip((1.0 - share) / _BEGUN, 0.0, 1.0)
        near = np.where(share > _DRY, near * begun, 0.0)
        depth = np.clip(1.0 - share, 0.02, 0.98)
        wet = self.spec.material.conductivity(self.temp_c, np.ones_like(share))
        inwards = plain + near * ((1.0 - depth) / wet - plain)
        outwards = plain + near * (depth / self.spec.material.k_dry - plain)
        return outwards, inwards

    def _sweep_r(self, dt_s: float, around: Around, outwards: Float, inwards: Float) -> None:
        cells, spec = self.cells, self.spec
        out, back = cells.r_width * outwards, cells.r_width * inwards
        link = cells.r_area[:, 1:-1] / (out[:, :, :-1] + back[:, :, 1:])
        pull = np.zeros_like(out)
        towards = np.zeros_like(out)
        area = cells.r_area[:, -1]
        reach = 1.0 / out[:, :, -1]
        if spec.side == "open":
            u, t = self._prepare("side", (slice(None), slice(None), -1), reach, dt_s, around)
            pull[:, :, -1], towards[:, :, -1] = u * area, t
        elif spec.side == "tin" and self.tin is not None:
            u = 1.0 / (1.0 / self.tin.spec.contact_w_m2_k + 1.0 / reach)
            pull[:, :, -1], towards[:, :, -1] = u * area, self.tin.next_c[:, 0, None]
        heat, theta = self._solve(
            dt_s,
            link=link,
            pull=pull,
            towards=towards,
            temp=self.temp_c,
            capacity=self._capacity(),
        )
        if spec.side == "open":
            self._settle("side", (slice(None), slice(None), -1), reach, theta[:, :, -1], dt_s)
        elif self.tin is not None and spec.side == "tin":
            given = pull[:, :, -1] * (towards[:, :, -1] - theta[:, :, -1])
            self.tin.given_w[:, 0] += given.sum(axis=1)
        self._absorb(heat * dt_s)

    def _sweep_z(self, dt_s: float, around: Around, outwards: Float, inwards: Float) -> None:
        cells, spec = self.cells, self.spec
        # outwards is up in the upper half, down in the lower
        high = self._upper[:, None]
        up = (cells.z_width[:, None] * np.where(high, outwards, inwards)).transpose(0, 2, 1)
        down = (cells.z_width[:, None] * np.where(high, inwards, outwards)).transpose(0, 2, 1)
        link = cells.z_area[:, None] / (up[:, :, :-1] + down[:, :, 1:])
        pull = np.zeros((self.count, *cells.shape[::-1]))
        towards = np.zeros_like(pull)
        top_reach = 1.0 / up[:, :, -1]
        low_reach = 1.0 / down[:, :, 0]
        single = cells.z.size == 1  # then top and bottom pull at the same cell
        if spec.top == "open":
            u, t = self._prepare("top", (slice(None), -1), top_reach, dt_s, around)
            pull[:, :, -1], towards[:, :, -1] = u * cells.z_area, t
        low_pull = low_towards = None
        if spec.bottom == "open":
            u, low_towards = self._prepare("bottom", (slice(None), 0), low_reach, dt_s, around)
            low_pull = u * cells.z_area
        elif spec.bottom == "sole":
            u = 1.0 / (1.0 / spec.sole_w_m2_k + 1.0 / low_reach)
            low_pull = u * cells.z_area
            low_towards = np.broadcast_to(around.sole_c[:, None], u.shape)
        elif spec.bottom == "tin" and self.tin is not None:
            u = 1.0 / (1.0 / self.tin.spec.contact_w_m2_k + 1.0 / low_reach)
            low_pull = u * cells.z_area
            low_towards = np.broadcast_to(self.tin.next_c[:, 1, None], u.shape)
        if low_pull is not None and low_towards is not None:
            if single:
                both = pull[:, :, 0] + low_pull
                towards[:, :, 0] = (
                    pull[:, :, 0] * towards[:, :, 0] + low_pull * low_towards
                ) / both
                pull[:, :, 0] = both
            else:
                pull[:, :, 0], towards[:, :, 0] = low_pull, low_towards
        heat, theta = self._solve(
            dt_s,
            link=link,
            pull=pull,
            towards=towards,
            temp=np.ascontiguousarray(self.temp_c.transpose(0, 2, 1)),
            capacity=np.ascontiguousarray(self._capacity().transpose(0, 2, 1)),
        )
        if spec.top == "open":
            self._settle("top", (slice(None), -1), top_reach, theta[:, :, -1], dt_s)
        if low_pull is not None and low_towards is not None:
            given = (low_pull * (low_towards - theta[:, :, 0])).sum(axis=1)
            if spec.bottom == "open":
                self._settle("bottom", (slice(None), 0), low_reach, theta[:, :, 0], dt_s)
            elif spec.bottom == "sole":
                self.heat_in_j = self.heat_in_j + given * dt_s
            elif self.tin is not None:
                self.tin.given_w[:, 1] += given
        self._absorb(heat.transpose(0, 2, 1) * dt_s)

    def _solve(
        self, dt_s: float, *, link: Float, pull: Float, towards: Float, temp: Float, capacity: Float
    ) -> tuple[Float, Float]:
        """Implicit conduction along the last axis: net heat into each cell (W), and where it acts.

        The unknown is the rise over the step, so that boiling cells of boundless capacity do no
        harm to the digits. All lines are one long tridiagonal system with empty links between.
        """
        theta = self.spec.implicitness
        n = temp.shape[-1]
        off = np.zeros_like(temp)
        off[..., :-1] = link
        total = pull + off
        total[..., 1:] += link
        flow = link * (temp[..., 1:] - temp[..., :-1])
        net = pull * (towards - temp)
        net[..., :-1] += flow
        net[..., 1:] -= flow
        diagonal = (capacity / dt_s + theta * total).ravel()
        between = (-theta * off).ravel()[:-1]
        if n > 1 or temp.size > 1:
            rise = dgtsv(between, diagonal, between, net.ravel())[3].reshape(temp.shape)
        else:
            rise = (net.ravel() / diagonal).reshape(temp.shape)
        acting = temp + theta * rise
        flow = link * (acting[..., 1:] - acting[..., :-1])
        heat = pull * (towards - acting)
        heat[..., :-1] += flow
        heat[..., 1:] -= flow
        return heat, acting

    # -- faces ------------------------------------------------------------------------------

    def _prepare(
        self, name: str, at: tuple[slice | int, ...], reach: Float, dt_s: float, around: Around
    ) -> tuple[Float, Float]:
        free = np.maximum(self.water_kg[at] - self._bound_kg[at], 0.0)
        return self._faces[name].prepare(around, reach, free, self._full_kg[at], dt_s)

    def _settle(
        self, name: str, at: tuple[slice | int, ...], reach: Float, acting: Float, dt_s: float
    ) -> None:
        """After the solve: the face's temperature, what dried there, what the oven gave."""
        face = self._faces[name]
        dried_kg, latent_j, oven_j = face.settle(acting, reach, dt_s)
        self.heat_in_j = self.heat_in_j + oven_j.sum(axis=1)
        if not self._wet:
            return
        cell_k = self.temp_c[at] + ZERO_C_K
        carried = dried_kg * WATER_HEAT_CAPACITY * cell_k
        self.water_kg[at] -= dried_kg
        self._enthalpy[at] -= carried
        self.vapour_kg = self.vapour_kg + dried_kg.sum(axis=1)
        self.vapour_j = self.vapour_j + (latent_j + carried).sum(axis=1)

    # -- enthalpy ---------------------------------------------------------------------------

    def _wet_share(self) -> Float:
        """Share of the free water still there; condensation can take it above 1."""
        if not self._wet:
            return np.zeros_like(self.temp_c)
        free = self.water_kg - self._bound_kg
        return np.asarray(np.maximum(free / (self._full_kg - self._bound_kg), 0.0))

    def _capacity(self) -> Float:
        m = self.spec.material
        kelvin = self.temp_c + ZERO_C_K
        capacity = (
            self._solids_kg * (m.heat_0 + m.heat_1 * kelvin) + self.water_kg * WATER_HEAT_CAPACITY
        )
        if self._wet and self.spec.evaporates:
            capacity = np.where(self._boils(), _HELD, capacity)
        return np.asarray(capacity)

    def _boils(self) -> NDArray[np.bool_]:
        return np.asarray((self.temp_c >= self.boiling_c - 1e-9) & (self._wet_share() > _DRY))

    def _enthalpy_of(self, temp_c: Float, water_kg: Float) -> Float:
        m = self.spec.material
        kelvin = temp_c + ZERO_C_K
        return np.asarray(
            self._solids_kg * (m.heat_0 + 0.5 * m.heat_1 * kelvin) * kelvin
            + water_kg * WATER_HEAT_CAPACITY * kelvin
        )

    def _total_j(self) -> Float:
        total = self._enthalpy_of(self.temp_c, self.water_kg).sum(axis=(1, 2))
        return np.asarray(total + (self.tin.stored_j() if self.tin is not None else 0.0))

    def _absorb(self, heat_j: Float) -> None:
        """Put heat into the cells: warm them, boil what can boil."""
        m = self.spec.material
        enthalpy = self._enthalpy + heat_j
        if self._wet and self.spec.evaporates:
            boiling_k = self.boiling_c + ZERO_C_K
            excess = enthalpy - self._enthalpy_of(
                np.asarray(self.boiling_c, dtype=np.float64), self.water_kg
            )
            free = np.maximum(self.water_kg - self._bound_kg, 0.0)
            gone = np.clip(excess / self._latent, 0.0, free)
            each = self._latent + WATER_HEAT_CAPACITY * boiling_k
            enthalpy = enthalpy - gone * each
            self.water_kg = self.water_kg - gone
            boiled = gone.sum(axis=(1, 2))
            self.vapour_kg = self.vapour_kg + boiled
            self.vapour_j = self.vapour_j + boiled * each
        self._enthalpy = enthalpy
        linear = self._solids_kg * m.heat_0 + self.water_kg * WATER_HEAT_CAPACITY
        square = self._solids_kg * m.heat_1
        # root of square/2 T^2 + linear T = H, in the form that also serves square = 0
        kelvin = 2.0 * enthalpy / (linear + np.sqrt(linear**2 + 2.0 * square * enthalpy))
        self.temp_c = kelvin - ZERO_C_K
