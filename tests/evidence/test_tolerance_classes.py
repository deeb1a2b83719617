"""Tolerance classes: worked values, change-over points and ranges."""

from __future__ import annotations

import pytest

from ovenwright.errors import OutOfRange
from ovenwright.physics import tolerance

IEC1, IEC2, IEC3 = (f"IEC 60584-1 class {n}" for n in (1, 2, 3))

# sensor, class, °C, half-width K. Sources: IEC 60584-1:2013 (as IEC 60584-2:1982 with Amendment
# 1:1989, table I), ASTM E230/E230M table 1, IEC 60751 and IEC 751:1995 (reprint), ASTM E1137.
WORKED = [
    ("T", IEC1, 100, 0.5),
    ("T", IEC1, 200, 0.8),
    ("T", IEC1, 250, 1.0),
    ("T", IEC1, -40, 0.5),
    ("T", IEC2, 100, 1.0),
    ("T", IEC2, 200, 1.5),
    ("T", IEC3, -100, 1.5),
    ("K", IEC1, 250, 1.5),
    ("K", IEC1, 1000, 4.0),
    ("K", IEC2, 400, 3.0),
    ("K", IEC2, 100, 2.5),
    ("N", IEC2, 1200, 9.0),
    ("J", IEC1, 750, 3.0),
    ("E", IEC3, -200, 3.0),
    ("R", IEC1, 1100, 1.0),
    ("R", IEC1, 1600, 2.5),
    ("S", IEC2, 1600, 4.0),
    ("B", IEC2, 600, 1.5),
    ("B", IEC3, 600, 4.0),
    ("B", IEC3, 1700, 8.5),
    ("T", "ASTM E230 standard", 100, 1.0),
    ("T", "ASTM E230 special", 200, 0.8),
    ("T", "ASTM E230 standard", -100, 1.5),
    ("K", "ASTM E230 standard", 100, 2.2),
    ("K", "ASTM E230 special", 400, 1.6),
    ("K", "ASTM E230 standard", -200, 4.0),
    ("J", "ASTM E230 standard", 400, 3.0),
    ("E", "ASTM E230 standard", 800, 4.0),
    ("R", "ASTM E230 special", 1000, 1.0),
    ("B", "ASTM E230 standard", 1000, 5.0),
    ("Pt100", "IEC 60751 A", -100, 0.35),
    ("Pt100", "IEC 60751 A", 0, 0.15),
    ("Pt100", "IEC 60751 A", 100, 0.35),
    ("Pt100", "IEC 60751 A", 200, 0.55),
    ("Pt100", "IEC 60751 A", 300, 0.75),
    ("Pt100", "IEC 60751 B", 100, 0.8),
    ("Pt100", "IEC 60751 B", 200, 1.3),
    ("Pt100", "IEC 60751 B", 400, 2.3),
    ("Pt100", "IEC 60751 AA", 100, 0.27),
    ("Pt1000", "IEC 60751 C", 200, 2.6),
    ("Pt100", "IEC 60751 B film", 500, 2.8),
    ("Pt100", "ASTM E1137 A", 100, 0.30),
    ("Pt100", "ASTM E1137 B", 100, 0.67),
]

# where the two terms are equal, °C. Source: IEC 60584-1, as above
CHANGE_OVER = [
    ("T", IEC1, 125.0),
    ("T", IEC2, 133.3333),
    ("T", IEC3, -66.6667),
    ("K", IEC1, 375.0),
    ("N", IEC2, 333.3333),
    ("E", IEC3, -166.6667),
    ("J", IEC2, 333.3333),
    ("R", IEC2, 600.0),
    ("B", IEC3, 800.0),
]

RANGES = [
    ("T", IEC1, (-40, 350)),
    ("E", IEC2, (-40, 900)),
    ("J", IEC1, (-40, 750)),
    ("K", IEC1, (-40, 1000)),
    ("K", IEC2, (-40, 1200)),
    ("K", IEC3, (-200, 40)),
    ("S", IEC1, (0, 1600)),
    ("B", IEC2, (600, 1700)),
    ("T", "ASTM E230 special", (0, 370)),
    ("T", "ASTM E230 standard", (-200, 370)),
    ("Pt100", "IEC 60751 AA", (-50, 250)),
    ("Pt100", "IEC 60751 AA film", (0, 150)),
    ("Pt100", "IEC 60751 A film", (-30, 300)),
    ("Pt100", "IEC 60751 B", (-196, 600)),
    ("Pt100", "ASTM E1137 A", (-200, 650)),
]


@pytest.mark.parametrize(("sensor", "cls", "at_c", "width_k"), WORKED)
def test_worked_value(sensor: str, cls: str, at_c: float, width_k: float) -> None:
    assert tolerance.half_width_k(float(at_c), sensor, cls) == pytest.approx(width_k, abs=1e-9)


@pytest.mark.parametrize(("sensor", "cls", "at_c"), CHANGE_OVER)
def test_change_over(sensor: str, cls: str, at_c: float) -> None:
    # the constant holds on the side towards 0 °C and gives way on the other
    inward, outward = at_c - 0.5 * (at_c > 0) + 0.5 * (at_c < 0), at_c * 1.02
    flat = tolerance.half_width_k(0.0, sensor, cls, extend=True)
    assert tolerance.half_width_k(inward, sensor, cls, extend=True) == flat
    assert tolerance.half_width_k(outward, sensor, cls) == pytest.approx(flat * 1.02, rel=1e-5)


@pytest.mark.parametrize(("sensor", "cls", "covered_c"), RANGES)
def test_range(sensor: str, cls: str, covered_c: tuple[float, float]) -> None:
    assert tolerance.class_range_c(sensor, cls) == covered_c
    for edge, outside in zip(covered_c, (covered_c[0] - 0.1, covered_c[1] + 0.1), strict=True):
        tolerance.half_width_k(float(edge), sensor, cls)
        with pytest.raises(OutOfRange, match=f"{covered_c[0]} to {covered_c[1]}"):
            tolerance.half_width_k(outside, sensor, cls)
