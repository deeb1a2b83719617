"""Two solvers that share no code: the product model and the virtual oven's body.

Same body, same surroundings that change in time. What they agree on is not proved by it, but a
slip in either would show.
"""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.physics.body_march import march
from ovenwright.physics.body_parameters import BodyParameters
from ovenwright.physics.body_surroundings import Surroundings
from ovenwright.virtual.body import Bodies, BodySpec
from ovenwright.virtual.face import Around
from ovenwright.virtual.grid import Section
from ovenwright.virtual.material import Material, solid

KINDS = {"long": 0.0, "round": 1.0, "ball": 2.0}
MINUTES = np.array([0.0, 5.0, 15.0, 25.0])
AIR_C = np.array([120.0, 210.0, 230.0, 190.0])
WALL_C = np.array([160.0, 230.0, 260.0, 230.0])


def virtual_run(
    kind: str, material: Material, *, size_m: float, cells: int, evaporates: bool, h: float
) -> tuple[np.ndarray, np.ndarray, Bodies]:
    bodies = Bodies(
        BodySpec(
            Section(kind, size_m, 1.0, 1.0, cells_r=cells, cells_z=1),
            material,
            25.0,
            top="insulated",
            bottom="insulated",
            emissivity=0.9,
            evaporates=evaporates,
            dries=False,
        ),
        1,
    )
    core, face = [], []
    for second in range(25 * 60):
        minute = (second + 1.0) / 60.0
        around = Around.uniform(
            1,
            air_c=float(np.interp(minute, MINUTES, AIR_C)),
            wall_c=float(np.interp(minute, MINUTES, WALL_C)),
            convection_w_m2_k=h,
        )
        bodies.step(1.0, around)
        if (second + 1) % 60 == 0:
            core.append(float(bodies.temp_c[0, 0, 0]))
            face.append(float(bodies.surface_c("side")[0, 0]))
    return np.array(core), np.array(face), bodies


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_dry_bodies_in_air_and_walls_that_change(kind: str) -> None:
    material = solid("dry", density=600.0, heat_capacity=2200.0, conductivity=0.25)
    core, face, _ = virtual_run(kind, material, size_m=0.02, cells=60, evaporates=False, h=14.0)
    run = march(
        BodyParameters(
            half_size_m=0.02,
            conductivity_w_m_k=0.25,
            heat_capacity_j_m3_k=600.0 * 2200.0,
            shape=KINDS[kind],
            coefficient_w_m2_k=14.0,
            emissivity=0.9,
        ),
        Surroundings(60.0 * MINUTES, AIR_C, WALL_C),
        start_c=25.0,
        out_times_s=60.0 * np.arange(1.0, 26.0),
        nodes=61,
    )
    assert run.temp_c[:, 0, 0] == pytest.approx(core, abs=0.2)
    assert run.surface_c[:, 0] == pytest.approx(face, abs=0.3)


def test_moist_cylinder_boils_and_dries_alike() -> None:
    water, solids, heat = 150.0, 250.0, 1800.0
    material = Material(
        name="moist",
        solids_kg_m3=solids,
        heat_0=heat,
        water_kg_m3=water,
        k_dry=0.2,
        k_wet=0.5,
        boiling_rise_k=0.0,
        bound_water=0.0,
    )
    core, face, bodies = virtual_run(
        "round", material, size_m=0.03, cells=60, evaporates=True, h=14.0
    )
    body = BodyParameters(
        half_size_m=0.03,
        conductivity_w_m_k=0.5,
        dry_conductivity_w_m_k=0.2,
        heat_capacity_j_m3_k=solids * heat + water * 4190.0,
        dry_heat_capacity_j_m3_k=solids * heat,
        water_kg_m3=water,
        density_kg_m3=solids + water,
        shape=1.0,
        coefficient_w_m2_k=14.0,
        emissivity=0.9,
    )
    run = march(
        body, Surroundings(60.0 * MINUTES, AIR_C, WALL_C), start_c=25.0,
        out_times_s=60.0 * np.arange(1.0, 26.0), nodes=61,
    )  # fmt: skip
    lost = 1.0 - float(bodies.mass_kg[0]) / (np.pi * 0.03**2 * (solids + water))
    assert run.temp_c[:, 0, 0] == pytest.approx(core, abs=0.25)
    assert run.surface_c[:, 0] == pytest.approx(face, abs=1.0)
    assert run.mass_loss[-1, 0] == pytest.approx(lost, rel=0.005)
