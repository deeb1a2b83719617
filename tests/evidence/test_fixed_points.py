"""Ice bath and boiling water against published values.

Boiling points: IAPWS-95 / IAPWS-IF97 saturation temperatures (99.974 °C at 101.325 kPa, 93.486 at
80 kPa). Altitude: U.S. Standard Atmosphere 1976. Wrong wires: NIST Monograph 175
reference functions, reference junction at 25 °C. Classes: IEC 60584-1:2013.
"""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.conditioning.proof.fixed_point import (
    boiling_point,
    certificate_toml,
    check_fixed_point,
    ice_point,
    shown_by_wire_c,
)
from ovenwright.conditioning.proof.windows import Window
from ovenwright.domain.plan import Certificate, Channel, SensorType
from ovenwright.domain.proof import Grade
from ovenwright.domain.run import Role


def held(
    at_c: float,
    *,
    sensor: SensorType = SensorType.T,
    tolerance: str = "IEC 60584-1 class 1",
    name: str = "a",
    drift_k_min: float = 0.0,
    reference_k: float | None = 0.1,
    seed: int = 3,
) -> Window:
    rng = np.random.default_rng(seed)
    time_s = np.linspace(0.0, 59.0, 60)
    value = np.round(at_c + drift_k_min * (time_s - 59.0) / 60.0 + 0.03 * rng.normal(size=60), 2)
    channel = Channel(
        name=name, sensor=sensor, tolerance=tolerance, role=Role.CORE,
        reference_uncertainty_k=reference_k,
    )  # fmt: skip
    return Window(channel, time_s, value, np.full(60, 25.0))


@pytest.mark.parametrize(
    ("pressure_kpa", "boiling_c"),
    [(101.325, 99.974), (80.0, 93.486), (95.0, 98.178), (105.0, 100.976)],
)
def test_boiling_point_is_that_of_the_pressure_on_the_spot(
    pressure_kpa: float, boiling_c: float
) -> None:
    point = boiling_point(pressure_kpa=pressure_kpa, measured=True)
    assert point.true_c == pytest.approx(boiling_c, abs=0.002)


def test_altitude_alone_leaves_the_weather_open() -> None:
    """±3 kPa of weather is ±0.8 K of boiling point (slope 0.2765 K/kPa at 101.325 kPa)."""
    by_altitude = boiling_point(pressure_kpa=101.325, measured=False)
    by_barometer = boiling_point(pressure_kpa=101.325, measured=True)
    assert by_altitude.standard_k == pytest.approx(3.0 * 0.2765 / np.sqrt(3.0), rel=0.06)
    assert by_barometer.standard_k < 0.15


@pytest.mark.parametrize(
    ("wire", "setting", "shown_c"), [("T", "K", 104.61), ("K", "T", 95.91), ("J", "K", 121.76), ("N", "K", 76.37)]
)  # fmt: skip
def test_wrong_wire_in_boiling_water_shows_its_published_error(
    wire: str, setting: str, shown_c: float
) -> None:
    """What the wire shows at 100 °C under the wrong setting, from Monograph 175."""
    got = shown_by_wire_c(100.0, wire=wire, setting=setting, reference_c=25.0)
    assert got == pytest.approx(shown_c, abs=0.006)


@pytest.mark.parametrize(
    ("shown_c", "sensor", "wire"), [(104.58, SensorType.K, "T"), (95.88, SensorType.T, "K")]
)
def test_boiling_water_names_the_wire(shown_c: float, sensor: SensorType, wire: str) -> None:
    point = boiling_point(pressure_kpa=101.325, measured=True)
    cls = "IEC 60584-1 class 1"
    (result,), remarks = check_fixed_point([held(shown_c, sensor=sensor, tolerance=cls)], point)
    assert (result.within, result.wire_guess) == (False, wire)
    assert [r.grade for r in remarks] == [Grade.FAULT]
    assert f"type {wire} wire read as type {sensor.value}" in remarks[0].what


def test_ice_does_not_show_the_wrong_wire() -> None:
    """T wire read as K at 0 °C, junction at 25 °C: a fifth of a kelvin, no more than a class allows."""
    shown = shown_by_wire_c(0.0, wire="T", setting="K", reference_c=25.0)
    assert abs(shown) < 0.3
    (result,), _ = check_fixed_point([held(shown, sensor=SensorType.K)], ice_point())
    assert result.within


def test_within_class_is_a_note_with_its_correction() -> None:
    """Class 1 type T: ±0.5 K at 100 °C (IEC 60584-1)."""
    point = boiling_point(pressure_kpa=101.325, measured=True)
    (result,), remarks = check_fixed_point([held(100.32)], point)
    assert result.within
    assert result.correction_k == pytest.approx(-0.346, abs=0.02)
    assert [r.grade for r in remarks] == [Grade.NOTE]
    # ±0.3 kPa · 0.277 K/kPa, 5 cm of water, ±0.1 K: 0.19 K, over √3, times 2
    assert result.expanded_uncertainty_k == pytest.approx(0.22, abs=0.03)


def test_beyond_class_wants_attention_and_far_beyond_forbids() -> None:
    point = boiling_point(pressure_kpa=101.325, measured=True)
    (little,), said = check_fixed_point([held(101.2)], point)
    assert (little.within, said[0].grade) == (False, Grade.REMARK)
    (much,), said = check_fixed_point([held(111.0)], point)
    assert (much.wire_guess, said[0].grade) == ("", Grade.FAULT)


def test_what_still_moves_or_never_came_near_proves_nothing() -> None:
    point = ice_point()
    (result,), remarks = check_fixed_point([held(1.0, drift_k_min=-3.0)], point)
    assert np.isnan(result.indicated_c)
    assert "still moves" in result.reason
    assert remarks[0].grade is Grade.FAULT
    none, remarks = check_fixed_point([held(60.0)], point)
    assert none == ()
    assert remarks[0].grade is Grade.FAULT
    named, remarks = check_fixed_point([held(30.0)], point, only=["a"])
    assert [r.channel for r in named] == ["a"]
    assert "30.0 K off" in remarks[0].what
    assert certificate_toml(named, date="2026-03-04") == ""  # nothing to paste into a plan


def test_ice_and_boiling_make_a_calibration_record_the_plan_understands() -> None:
    import tomllib

    (boil,), _ = check_fixed_point(
        [held(100.3)], boiling_point(pressure_kpa=101.325, measured=True)
    )
    (ice,), _ = check_fixed_point([held(0.12)], ice_point())
    text = certificate_toml([boil, ice], date="2026-02-03")
    table = tomllib.loads("[[channels]]\n" + text)["channels"][0]["certificate"]
    record = Certificate(**table)
    assert [p.at_c for p in record.points] == sorted(p.at_c for p in record.points)
    assert record.points[0].correction_k == pytest.approx(-0.12, abs=0.02)
    assert record.points[0].expanded_uncertainty_k >= 2 * 0.05 / np.sqrt(3.0) - 1e-3
