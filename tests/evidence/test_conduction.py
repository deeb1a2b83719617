"""Exact conduction solutions against printed tables and worked cases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from ovenwright.errors import OutOfRange
from ovenwright.physics import conduction
from ovenwright.physics.conduction import BodyShape

# Bi, then root and weight of the first term for slab, cylinder and sphere, four decimals.
# Source: Cengel & Ghajar, Heat and Mass Transfer, table 4-2.
PRINTED = [
    (0.01, 0.0998, 1.0017, 0.1412, 1.0025, 0.1730, 1.0030),
    (0.02, 0.1410, 1.0033, 0.1995, 1.0050, 0.2445, 1.0060),
    (0.04, 0.1987, 1.0066, 0.2814, 1.0099, 0.3450, 1.0120),
    (0.06, 0.2425, 1.0098, 0.3438, 1.0148, 0.4217, 1.0179),
    (0.08, 0.2791, 1.0130, 0.3960, 1.0197, 0.4860, 1.0239),
    (0.1, 0.3111, 1.0161, 0.4417, 1.0246, 0.5423, 1.0298),
    (0.2, 0.4328, 1.0311, 0.6170, 1.0483, 0.7593, 1.0592),
    (0.3, 0.5218, 1.0450, 0.7465, 1.0712, 0.9208, 1.0880),
    (0.4, 0.5932, 1.0580, 0.8516, 1.0931, 1.0528, 1.1164),
    (0.5, 0.6533, 1.0701, 0.9408, 1.1143, 1.1656, 1.1441),
    (0.6, 0.7051, 1.0814, 1.0184, 1.1345, 1.2644, 1.1713),
    (0.7, 0.7506, 1.0918, 1.0873, 1.1539, 1.3525, 1.1978),
    (0.8, 0.7910, 1.1016, 1.1490, 1.1724, 1.4320, 1.2236),
    (0.9, 0.8274, 1.1107, 1.2048, 1.1902, 1.5044, 1.2488),
    (1.0, 0.8603, 1.1191, 1.2558, 1.2071, 1.5708, 1.2732),
    (2.0, 1.0769, 1.1785, 1.5995, 1.3384, 2.0288, 1.4793),
    (3.0, 1.1925, 1.2102, 1.7887, 1.4191, 2.2889, 1.6227),
    (4.0, 1.2646, 1.2287, 1.9081, 1.4698, 2.4556, 1.7202),
    (5.0, 1.3138, 1.2403, 1.9898, 1.5029, 2.5704, 1.7870),
    (6.0, 1.3496, 1.2479, 2.0490, 1.5253, 2.6537, 1.8338),
    (7.0, 1.3766, 1.2532, 2.0937, 1.5411, 2.7165, 1.8673),
    (8.0, 1.3978, 1.2570, 2.1286, 1.5526, 2.7654, 1.8920),
    (9.0, 1.4149, 1.2598, 2.1566, 1.5611, 2.8044, 1.9106),
    (10.0, 1.4289, 1.2620, 2.1795, 1.5677, 2.8363, 1.9249),
]  # fmt: skip
SHAPES: tuple[BodyShape, ...] = ("slab", "cylinder", "sphere")


@pytest.mark.parametrize("row", PRINTED, ids=lambda row: f"Bi {row[0]:g}")
def test_first_roots_and_weights_of_the_printed_table(row: tuple[float, ...]) -> None:
    for i, shape in enumerate(SHAPES):
        found = conduction.first_root(shape, row[0])
        assert found == pytest.approx(row[1 + 2 * i : 3 + 2 * i], abs=1e-4), shape


def test_every_printed_number_was_compared() -> None:
    assert sum(len(row) - 1 for row in PRINTED) == 144


# Limits for a held face. Source: first zeros of cos, J0 and sin with their weights (Carslaw &
# Jaeger 1959, ch. 3, 7, 9): pi/2 and 4/pi, 2.4048 and 1.6020, pi and 2.
@pytest.mark.parametrize(
    ("shape", "root", "weight"),
    [
        ("slab", np.pi / 2, 4 / np.pi),
        ("cylinder", 2.404825557695773, 1.6019746969),
        ("sphere", np.pi, 2.0),
    ],
)
def test_held_face(shape: BodyShape, root: float, weight: float) -> None:
    assert conduction.first_root(shape, np.inf) == pytest.approx((root, weight), abs=1e-10)
    assert conduction.first_root(shape, 1e9) == pytest.approx((root, weight), abs=1e-7)


# Source: Cengel & Ghajar ch. 4, the brass plate, steel shaft and potato cases, five roots each as
# worked by the open-source library pychemengg.
@pytest.mark.parametrize(
    ("shape", "biot", "five"),
    [
        ("slab", 0.02 * 120 / 110, (0.14717481, 3.1485222, 6.28665585, 9.42709237, 12.56810661)),
        ("cylinder", 0.1 * 80 / 14.9, (0.97061535, 3.96852663, 7.0915602, 10.22605944, 13.36390715)),
        ("sphere", 0.0275 * 1400 / 0.6, (3.09267122, 6.1855719, 9.27892517, 12.37294192, 15.46781574)),
    ],
)  # fmt: skip
def test_five_roots(shape: BodyShape, biot: float, five: tuple[float, ...]) -> None:
    assert conduction.roots(shape, biot, 5) == pytest.approx(five, abs=1e-7)


# Source: Cengel & Ghajar ch. 4 as above; full series.
CASES: list[tuple[BodyShape, float, dict[str, float], float]] = [
    (
        "cylinder",
        0.0,
        {
            "half_size_m": 0.10,
            "conductivity_w_m_k": 14.9,
            "density_kg_m3": 7900,
            "heat_capacity_j_kg_k": 477,
            "coefficient_w_m2_k": 80,
            "start_c": 600,
            "surroundings_c": 200,
        },
        578.83999,
    ),
    (
        "sphere",
        0.0,
        {
            "half_size_m": 0.0275,
            "conductivity_w_m_k": 0.6,
            "density_kg_m3": 1100,
            "heat_capacity_j_kg_k": 3900,
            "coefficient_w_m2_k": 1400,
            "start_c": 8,
            "surroundings_c": 97,
        },
        21.27404,
    ),
    (
        "slab",
        1.0,
        {
            "half_size_m": 0.02,
            "conductivity_w_m_k": 110,
            "density_kg_m3": 8530,
            "heat_capacity_j_kg_k": 380,
            "coefficient_w_m2_k": 120,
            "start_c": 20,
            "surroundings_c": 500,
        },
        279.76431,
    ),
]


@pytest.mark.parametrize(("shape", "place", "data", "found_c"), CASES)
def test_full_series_case(
    shape: BodyShape, place: float, data: dict[str, float], found_c: float
) -> None:
    at = conduction.series_temperature(shape, position=place, time_s=420.0, **data)
    assert float(at) == pytest.approx(found_c, abs=1e-3)


def test_one_term_is_refused_where_it_would_be_badly_wrong() -> None:
    # Source: as above; in the sphere case (Fo 0.0777) one term gives 12.42 instead of 21.27 °C
    fourier = 0.6 / (1100 * 3900) * 420 / 0.0275**2
    biot = 0.0275 * 1400 / 0.6
    with pytest.raises(OutOfRange, match="full series"):
        conduction.first_term("sphere", biot=biot, fourier=fourier, position=0.0)
    root, weight = conduction.first_root("sphere", biot)
    assert 97 + (8 - 97) * weight * np.exp(-(root**2) * fourier) == pytest.approx(12.42, abs=0.01)
    later = conduction.first_term("sphere", biot=biot, fourier=0.6, position=0.0)
    full = conduction.series_ratio("sphere", biot=biot, fourier=0.6, position=0.0)
    assert float(later) == pytest.approx(float(full), abs=1e-6)


def test_shaft_later_on() -> None:
    # Source: exact series for the same shaft at 2700 s, computed by an independent program
    data = CASES[0][2]
    at = conduction.series_temperature(
        "cylinder", position=np.array([0.0, 1.0]), time_s=2700.0, **data
    )
    assert at == pytest.approx([364.129, 327.690], abs=2e-3)


def test_pipe_wall() -> None:
    # Source: Incropera & DeWitt, steel pipe wall example: inputs from memory, full series by an
    # independent program; the book's one-term figures are 42.9 and 45.2 °C.
    at = conduction.series_temperature(
        "slab",
        position=np.array([0.0, 1.0]),
        half_size_m=0.04,
        conductivity_w_m_k=63.9,
        density_kg_m3=7832,
        heat_capacity_j_kg_k=434,
        coefficient_w_m2_k=500,
        start_c=-20,
        surroundings_c=60,
        time_s=480.0,
    )
    assert at == pytest.approx([43.016, 45.363], abs=5e-3)


def test_egg_reaches_70_degrees() -> None:
    # Source: Cengel & Ghajar, boiled egg example: inputs from memory, answer by an independent
    # program; the book's one-term figure is 865 s.
    at = conduction.series_temperature(
        "sphere",
        position=0.0,
        half_size_m=0.025,
        conductivity_w_m_k=0.627,
        density_kg_m3=0.627 / 0.151e-6 / 4000,
        heat_capacity_j_kg_k=4000,
        coefficient_w_m2_k=1200,
        start_c=5,
        surroundings_c=95,
        time_s=861.47,
    )
    assert float(at) == pytest.approx(70.0, abs=5e-3)


SHORT = {
    "radius_m": 0.05,
    "half_height_m": 0.06,
    "conductivity_w_m_k": 110.0,
    "density_kg_m3": 110 / 33.9e-6 / 380,
    "heat_capacity_j_kg_k": 380.0,
    "coefficient_w_m2_k": 60.0,
    "start_c": 120.0,
    "surroundings_c": 25.0,
}


def test_short_cylinder() -> None:
    # Source: Cengel & Ghajar, short brass cylinder: inputs from memory, answer by an independent
    # program
    centre = conduction.short_cylinder_temperature(
        radial_position=0.0, axial_position=0.0, time_s=900.0, **SHORT
    )
    top = conduction.short_cylinder_temperature(
        radial_position=0.0, axial_position=1.0, time_s=900.0, **SHORT
    )
    assert float(centre) == pytest.approx(62.732, abs=5e-3)
    assert float(top) == pytest.approx(62.123, abs=5e-3)


def test_can_heating_index() -> None:
    # Source: Ball & Olson form fh = 0.398 / ((1/a² + 0.427/b²) alpha) = 53.311 min, and j = 2.0397
    alpha, a, b = 1.4e-7, 0.0365, 0.0555
    left = []
    for minutes in (200.0, 253.311):  # late enough for the first term alone
        at = conduction.short_cylinder_temperature(
            radial_position=0.0,
            axial_position=0.0,
            radius_m=a,
            half_height_m=b,
            conductivity_w_m_k=0.5,
            density_kg_m3=1000.0,
            heat_capacity_j_kg_k=0.5 / alpha / 1000.0,
            coefficient_w_m2_k=np.inf,
            start_c=1.0,
            surroundings_c=0.0,
            time_s=minutes * 60,
        )
        left.append(float(at))
    assert np.log10(left[0] / left[1]) == pytest.approx(1.0, abs=1e-3)
    decade_min = 53.311 / np.log10(left[0] / left[1])
    assert left[0] * 10 ** (200.0 / decade_min) == pytest.approx(2.0397, abs=1e-3)


def test_brick_is_the_product_of_its_slabs() -> None:
    data = {k: v for k, v in CASES[2][2].items() if k != "half_size_m"}
    brick = conduction.brick_temperature(
        positions=(0.0, 0.5, 1.0), half_sizes_m=(0.02, 0.03, 0.05), time_s=420.0, **data
    )
    ratio = 1.0
    for place, half in ((0.0, 0.02), (0.5, 0.03), (1.0, 0.05)):
        at = conduction.series_temperature(
            "slab", position=place, half_size_m=half, time_s=420.0, **data
        )
        ratio *= (float(at) - 500) / (20 - 500)
    assert float(brick) == pytest.approx(500 + (20 - 500) * ratio, abs=1e-9)
    # a brick is warmer than any of its slabs alone
    assert ratio < 1.0
    assert float(brick) > 279.76


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("biot", [0.05, 1.0, 30.0])
def test_series_against_a_numerical_solution(shape: BodyShape, biot: float) -> None:
    # Source: the heat equation itself, solved by finite volumes with scipy's LSODA
    n, m = 200, {"slab": 0, "cylinder": 1, "sphere": 2}[shape]
    face = np.linspace(0, 1, n + 1)
    volume = np.diff(face ** (m + 1)) / (m + 1)
    middle = 0.5 * (face[1:] + face[:-1])
    dr = 1.0 / n

    def rate(_: float, u: np.ndarray) -> np.ndarray:
        flow = np.zeros(n + 1)
        flow[1:-1] = face[1:-1] ** m * np.diff(u) / dr
        flow[-1] = -u[-1] / (1.0 / biot + dr / 2)
        return np.diff(flow) / volume

    times = np.array([0.02, 0.1, 0.5])
    solved = solve_ivp(
        rate, (0, 0.5), np.ones(n), method="LSODA", t_eval=times, lband=1, uband=1, rtol=1e-8,
        atol=1e-10,
    )  # fmt: skip
    ours = conduction.series_ratio(
        shape, biot=biot, fourier=times[:, None], position=middle[None, :]
    )
    assert np.max(np.abs(ours - solved.y.T)) < 3e-4
    mean = conduction.mean_ratio(shape, biot=biot, fourier=times)
    assert mean == pytest.approx((m + 1) * solved.y.T @ volume, abs=3e-4)


@settings(max_examples=40, deadline=None)
@given(
    shape=st.sampled_from(SHAPES),
    biot=st.floats(1e-3, 1e4),
    fourier=st.floats(1e-4, 2.0),
    place=st.floats(0, 1),
)
def test_body_warms_from_outside_in_and_never_overshoots(
    shape: BodyShape, biot: float, fourier: float, place: float
) -> None:
    def ratio(fo: float, x: float) -> float:
        return float(conduction.series_ratio(shape, biot=biot, fourier=fo, position=x))

    here = ratio(fourier, place)
    assert -1e-9 <= here <= 1 + 1e-9
    assert ratio(fourier * 1.1, place) <= here + 1e-9
    assert ratio(fourier, 1.0) - 1e-9 <= here <= ratio(fourier, 0.0) + 1e-9


@settings(max_examples=40, deadline=None)
@given(shape=st.sampled_from(SHAPES), biot=st.floats(1e-6, 1e8))
def test_roots_fulfil_the_boundary_condition(shape: BodyShape, biot: float) -> None:
    z = conduction.roots(shape, biot, 30)
    assert np.all(np.diff(z) > 0)
    residual = conduction._FORMS[shape].balance(z, biot / (1 + biot), 1 / (1 + biot))
    assert np.max(np.abs(residual)) < 1e-11
