"""Books that balance, water that is accounted for, and what a body refuses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ovenwright.errors import OutOfRange
from ovenwright.virtual.body import Bodies, BodySpec
from ovenwright.virtual.face import STEFAN_BOLTZMANN, Around
from ovenwright.virtual.grid import Cells, Section
from ovenwright.virtual.lumps import Block, BlockSpec, Plates, PlateSpec
from ovenwright.virtual.material import crumb, solid
from ovenwright.virtual.scenarios import rye_tin_loaf


def hearth_loaf() -> BodySpec:
    section = Section("round", 0.06, 0.07, cells_r=14, cells_z=14, finest_m=1.5e-3)
    return BodySpec(section, crumb(density=350.0), 28.0, bottom="sole")


def bake(bodies: Bodies, minutes: float, *, dt_s: float = 2.0, vapour_pa: float = 12e3) -> None:
    around = Around.uniform(
        bodies.count,
        air_c=220.0,
        wall_c=235.0,
        convection_w_m2_k=12.0,
        vapour_pa=vapour_pa,
        sole_c=210.0,
    )
    for _ in range(round(minutes * 60 / dt_s)):
        bodies.step(dt_s, around)


@pytest.mark.parametrize("spec", [hearth_loaf(), rye_tin_loaf(fine=False)], ids=["hearth", "tin"])
def test_heat_given_is_heat_found(spec: BodySpec) -> None:
    bodies = Bodies(spec, 2)
    bake(bodies, 30.0)
    assert np.abs(bodies.energy_residual_j() / bodies.heat_in_j).max() < 1e-6


def test_enthalpy_worked_out_from_temperature_and_water_meets_the_books() -> None:
    """The same balance with enthalpy written out here, not by the body."""
    spec = hearth_loaf()
    bodies = Bodies(spec, 1)
    cells, m = bodies.cells, spec.material

    def stored() -> float:
        kelvin = bodies.temp_c[0] + 273.15
        solids = cells.volume * m.solids_kg_m3
        water = bodies.water_kg[0]
        return float(np.sum(solids * (25.0 * kelvin + 2.5 * kelvin**2) + water * 4190.0 * kelvin))

    before = stored()
    bake(bodies, 25.0)
    gained = stored() - before
    assert gained + float(bodies.vapour_j[0]) == pytest.approx(float(bodies.heat_in_j[0]), rel=1e-6)
    assert float(bodies.vapour_kg[0]) > 0.02


def test_mass_lost_is_vapour_gone() -> None:
    bodies = Bodies(rye_tin_loaf(fine=False), 1)
    before = float(bodies.mass_kg[0])
    assert before == pytest.approx(0.8, rel=1e-9)
    bake(bodies, 34.0)
    assert before - float(bodies.mass_kg[0]) == pytest.approx(float(bodies.vapour_kg[0]), rel=1e-9)
    assert float(bodies.water_kg.min()) >= 0.0


def test_wet_cells_never_pass_the_boiling_point() -> None:
    bodies = Bodies(rye_tin_loaf(fine=False), 1, pressure_kpa=90.0)
    bake(bodies, 60.0)
    bound = 0.04 * bodies.cells.volume * bodies.spec.material.water_kg_m3
    wet = bodies.water_kg[0] > bound * 1.001
    assert wet.any()
    # 96.687 °C at 90 kPa (IAPWS-95), with the rise dissolved matter gives
    assert float(bodies.temp_c[0][wet].max()) <= 96.69 + 0.1 + 1e-6
    assert float(bodies.temp_c[0][~wet].max()) > 110.0


def test_water_condenses_on_a_cold_surface_in_steam() -> None:
    bodies = Bodies(hearth_loaf(), 1)
    bake(bodies, 0.5, vapour_pa=60e3)
    assert float(bodies.vapour_kg[0]) < 0.0
    assert float(bodies.mass_kg[0]) > float(Bodies(hearth_loaf(), 1).mass_kg[0])


def test_without_evaporation_no_water_leaves() -> None:
    bodies = Bodies(replace(hearth_loaf(), evaporates=False), 1)
    bake(bodies, 20.0)
    assert float(bodies.vapour_kg[0]) == 0.0
    assert np.abs(bodies.energy_residual_j() / bodies.heat_in_j).max() < 1e-6


def test_grid_and_step_matter_little() -> None:
    coarse, fine = Bodies(rye_tin_loaf(fine=False), 1), Bodies(rye_tin_loaf(), 1)
    bake(coarse, 30.0, dt_s=4.0)
    bake(fine, 30.0, dt_s=2.0)
    flat, share = coarse.cells.weights(0.0, 0.039)
    rough = float(coarse.temp_c[0].ravel()[flat] @ share)
    flat, share = fine.cells.weights(0.0, 0.039)
    assert rough == pytest.approx(float(fine.temp_c[0].ravel()[flat] @ share), abs=1.5)
    assert float(coarse.vapour_kg[0]) == pytest.approx(float(fine.vapour_kg[0]), rel=0.03)


def test_equal_bodies_in_one_batch_stay_equal_and_do_not_touch() -> None:
    together, alone = Bodies(hearth_loaf(), 3), Bodies(hearth_loaf(), 1)
    air = np.array([150.0, 220.0, 250.0])
    same = np.full(3, 12.0)
    for _ in range(200):
        together.step(2.0, Around(air, air, same, same * 1e3, air))
        alone.step(2.0, Around.uniform(1, air_c=220.0, convection_w_m2_k=12.0, vapour_pa=12e3))
    assert together.temp_c[1] == pytest.approx(alone.temp_c[0], abs=1e-9)
    assert together.temp_c[0].mean() < together.temp_c[1].mean() < together.temp_c[2].mean()


def test_cells_fill_the_body() -> None:
    for kind, volume in (("round", np.pi * 0.05**2 * 0.08), ("long", 2 * 0.05 * 0.08 * 0.2)):
        cells = Cells(Section(kind, 0.05, 0.08, 0.2, 12, 10, 1e-3))
        assert cells.volume.sum() == pytest.approx(volume)
        assert cells.r_width[-1] == pytest.approx(1e-3, rel=1e-6)
        assert cells.z_width[[0, -1]] == pytest.approx(1e-3, rel=1e-6)
    ball = Cells(Section("ball", 0.05, cells_r=9, cells_z=1))
    assert ball.volume.sum() == pytest.approx(4 / 3 * np.pi * 0.05**3)
    assert ball.r_area[0, -1] == pytest.approx(4 * np.pi * 0.05**2)


def test_weights_read_a_straight_field_exactly() -> None:
    cells = Cells(Section("long", 0.05, 0.08, cells_r=12, cells_z=10, finest_m=2e-3))
    field = 3.0 * cells.r[None, :] - 7.0 * cells.z[:, None] + 1.0
    flat, share = cells.weights(0.021, 0.043)
    assert float(field.ravel()[flat] @ share) == pytest.approx(3 * 0.021 - 7 * 0.043 + 1.0)
    with pytest.raises(OutOfRange, match="place of a core sensor"):
        cells.weights(0.06, 0.04)


@pytest.mark.parametrize(
    "change",
    [
        {"side": "glued"},
        {"top": "tin"},
        {"bottom": "tin"},
        {"implicitness": 0.3},
    ],
)
def test_body_refuses_nonsense(change: dict[str, object]) -> None:
    with pytest.raises(OutOfRange):
        replace(hearth_loaf(), **change)  # type: ignore[arg-type]


def test_section_and_material_refuse_nonsense() -> None:
    with pytest.raises(OutOfRange, match="kind"):
        Section("cube", 0.1)
    with pytest.raises(OutOfRange, match="finest"):
        Section("round", 0.05, 0.08, finest_m=0.03)
    with pytest.raises(OutOfRange, match="cells_z"):
        Section("ball", 0.05)
    with pytest.raises(OutOfRange, match="k_dry"):
        solid("air", density=1.0, heat_capacity=1.0, conductivity=0.0)


def test_plates_balance_their_books_and_thin_metal_leads() -> None:
    plates = Plates(PlateSpec((0.010, 0.003)), 2)
    before = plates.stored_j()
    air = np.array([200.0, 180.0])
    for _ in range(300):
        plates.step(air, air, np.full(2, 20.0), 2.0)
    assert plates.heat_in_j == pytest.approx(plates.stored_j() - before, rel=1e-9)
    assert np.all(plates.temp_c[:, 1] > plates.temp_c[:, 0])


def test_block_settles_between_air_and_wall() -> None:
    """At rest convection and radiation cancel; the balance is solved here by itself."""
    block = Block(BlockSpec(0.1, 900.0, 0.02, emissivity=0.5), 20.0)
    for _ in range(4000):
        block.step(180.0, 240.0, 15.0, 5.0)
    t = block.temp_c
    lost = 15.0 * (t - 180.0)
    gained = 0.5 * STEFAN_BOLTZMANN * ((240.0 + 273.15) ** 4 - (t + 273.15) ** 4)
    assert lost == pytest.approx(gained, rel=1e-6)
    assert 180.0 < t < 240.0
