"""The table of tolerance classes and how it is looked up."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.physics import thermocouple, tolerance


def test_names_by_sensor() -> None:
    assert tolerance.classes("T") == (
        "IEC 60584-1 class 1",
        "IEC 60584-1 class 2",
        "IEC 60584-1 class 3",
        "ASTM E230 standard",
        "ASTM E230 special",
    )
    assert "IEC 60584-1 class 3" not in tolerance.classes("J")
    assert "IEC 60584-1 class 1" not in tolerance.classes("B")
    assert tolerance.classes("Pt100") == tolerance.classes("Pt1000")
    assert {"IEC 60751 A", "IEC 60751 A film", "ASTM E1137 B"} <= set(tolerance.classes("Pt100"))
    assert tolerance.classes("thermistor") == ()


def test_each_sensor_has_each_class_once() -> None:
    pairs = [(s, row.name) for row in tolerance.TABLE for s in row.sensors]
    assert len(pairs) == len(set(pairs))
    for kind in thermocouple.KINDS:
        assert tolerance.classes(kind)


def test_rows_are_whole() -> None:
    for row in tolerance.TABLE:
        assert row.source
        assert row.evidence in set(tolerance.Evidence)
        for a, b in zip(row.stretches, row.stretches[1:], strict=False):
            assert a.high_c == b.low_c
        for s in row.stretches:
            assert s.low_c < s.high_c
            assert s.constant_k >= 0
            assert s.slope >= 0


def test_only_the_row_read_in_the_standard_itself_says_so() -> None:
    assert tolerance.find_class("T", "IEC 60584-1 class 1").evidence is tolerance.Evidence.SEEN
    assert tolerance.find_class("K", "IEC 60584-1 class 1").evidence is tolerance.Evidence.SECONDARY


def test_class_of_the_same_letter_in_two_standards_differs() -> None:
    iec = tolerance.half_width_k(100.0, "Pt100", "IEC 60751 A")
    astm = tolerance.half_width_k(100.0, "Pt100", "ASTM E1137 A")
    assert iec != astm


def test_missing_stays_missing_and_shape_is_kept() -> None:
    got = tolerance.half_width_k(
        np.array([[20.0, np.nan], [200.0, 300.0]]), "T", "ASTM E230 special"
    )
    np.testing.assert_allclose(got, [[0.5, np.nan], [0.8, 1.2]])
    assert isinstance(tolerance.half_width_k(20.0, "K", "ASTM E230 special"), float)


def test_outside_is_refused_or_held_on_request() -> None:
    with pytest.raises(OutOfRange, match="type T"):
        tolerance.half_width_k(np.array([100.0, np.nan, 380.0]), "T", "IEC 60584-1 class 1")
    beyond = tolerance.half_width_k(
        np.array([-100.0, 400.0]), "T", "IEC 60584-1 class 1", extend=True
    )
    np.testing.assert_allclose(beyond, [0.5, 1.6])
    above = tolerance.half_width_k(1700.0, "R", "IEC 60584-1 class 1", extend=True)
    assert above == pytest.approx(1.0 + 0.003 * 600)


def test_unknown_class_lists_the_known_ones() -> None:
    with pytest.raises(UnknownName, match="IEC 60584-1 class 2"):
        tolerance.half_width_k(20.0, "J", "IEC 60584-1 class 3")
    with pytest.raises(UnknownName, match="class 9"):
        tolerance.class_range_c("K", "class 9")
