"""Error terms and restatement held against published figures; the source stands beside each."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.conditioning.condition import condition
from ovenwright.domain.plan import ChamberOven, Channel, Plan, Product, Recording, SensorType
from ovenwright.domain.profile import ErrorTerm
from ovenwright.domain.run import Instrument, Role, Run, Series


def profile_terms(
    temp_c: list[float],
    sensor: str,
    *,
    tolerance: str = "",
    recorded_as: str | None = None,
    reference_uncertainty_k: float | None = None,
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]], dict[str, ErrorTerm]]:
    n = len(temp_c)
    series = Series(
        np.arange(n, dtype=np.int64) * 10_000_000_000,
        np.array(temp_c),
        np.zeros(n, dtype=np.uint8),
    )
    run = Run(id="r", series={"a": series}, instrument=Instrument(reference_junction_c=25.0))
    plan = Plan(
        title="t",
        oven=ChamberOven(kind="chamber", name="o", width_m=1, depth_m=1, height_m=1),
        product=Product(name="p"),
        recording=Recording(interval_s=10),
        channels=(
            Channel(
                name="a",
                sensor=SensorType(sensor),
                tolerance=tolerance,
                role=Role.AMBIENT,
                recorded_as=SensorType(recorded_as) if recorded_as else None,
                reference_uncertainty_k=reference_uncertainty_k,
            ),
        ),
    )
    profile = condition(run, plan)
    return profile.temp_c[:, 0], {t.source: t for t in profile.errors[0]}


# NIST Monograph 175 reference functions, reference junction 25 °C: what one kelvin of
# reference-junction error does to the reading (computed from the published coefficients)
@pytest.mark.parametrize(
    ("sensor", "at_c", "effect"),
    [
        ("T", 100.0, 0.870),
        ("T", 200.0, 0.766),
        ("T", 250.0, 0.730),
        ("K", 100.0, 0.980),
        ("K", 200.0, 1.014),
        ("K", 250.0, 0.996),
        ("J", 100.0, 0.952),
        ("J", 200.0, 0.933),
        ("N", 100.0, 0.904),
        ("N", 250.0, 0.781),
    ],
)
def test_reference_junction_error_reaches_the_reading(
    sensor: str, at_c: float, effect: float
) -> None:
    _, terms = profile_terms(list(np.linspace(0.0, 300.0, 31)), sensor, reference_uncertainty_k=1.0)
    found = terms["reference junction"]
    # the published figure is for a whole kelvin, the term is its first-order slope
    assert float(np.interp(at_c, found.at_c, found.standard_k)) == pytest.approx(effect, abs=8e-3)


# IEC 60584-1:2013 and IEC 60751:2022 tolerance values; rectangular, divided by sqrt(3) (JCGM 100)
@pytest.mark.parametrize(
    ("sensor", "tolerance", "at_c", "half_k"),
    [
        ("T", "IEC 60584-1 class 1", 100.0, 0.5),
        ("T", "IEC 60584-1 class 1", 200.0, 0.8),
        ("T", "IEC 60584-1 class 1", 250.0, 1.0),
        ("K", "IEC 60584-1 class 1", 250.0, 1.5),
        ("K", "IEC 60584-1 class 2", 400.0, 3.0),
        ("Pt100", "IEC 60751 A", 300.0, 0.75),
        ("Pt100", "IEC 60751 B", 100.0, 0.8),
    ],
)
def test_class_becomes_a_rectangular_term(
    sensor: str, tolerance: str, at_c: float, half_k: float
) -> None:
    _, terms = profile_terms(
        list(np.linspace(0.0, 480.0 if sensor != "T" else 300.0, 25)), sensor, tolerance=tolerance
    )
    found = terms["sensor class"]
    standard = float(np.interp(at_c, found.at_c, found.standard_k))
    assert standard == pytest.approx(half_k / np.sqrt(3.0), rel=0.01)


# NIST SRD 60 reference functions, reference junction 25 °C: what an instrument set to the wrong
# type shows (computed from the published coefficients)
@pytest.mark.parametrize(
    ("wire", "recorded", "shown_c", "true_c"),
    [
        ("K", "T", [20.01, 95.91, 138.47, 177.95, 215.99], [20.0, 100.0, 150.0, 200.0, 250.0]),
        ("T", "K", [19.99, 104.61, 164.30, 228.85, 295.49], [20.0, 100.0, 150.0, 200.0, 250.0]),
        ("J", "K", [18.61, 121.76, 189.84, 258.54, 325.72], [20.0, 100.0, 150.0, 200.0, 250.0]),
    ],
)
def test_wrong_type_is_put_right(
    wire: str, recorded: str, shown_c: list[float], true_c: list[float]
) -> None:
    right, _ = profile_terms(shown_c, wire, recorded_as=recorded)
    np.testing.assert_allclose(right, true_c, atol=0.015)  # shown to 0.01 °C
