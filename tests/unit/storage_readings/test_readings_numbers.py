"""Cells to numbers: exact digits, marks, decimal and thousands marks."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.domain.run import Quality
from ovenwright.storage.readings.numbers import (
    CellKind,
    NumberStyle,
    Tally,
    as_marks,
    conclude_decimal,
    read_cell,
    read_numbers,
)

POINT, COMMA = NumberStyle("."), NumberStyle(",")
decimals = st.decimals(min_value=-9999, max_value=9999, places=3, allow_nan=False)


@settings(deadline=None)
@given(st.lists(decimals, min_size=1, max_size=30))
def test_every_printed_digit_survives(values: Any) -> None:
    """Python's float() is the reference: the nearest double to the printed decimal."""
    texts = [str(v) for v in values]
    expected = np.array([float(t) for t in texts])
    for style, cells in ((POINT, texts), (COMMA, [t.replace(".", ",") for t in texts])):
        value, quality = read_numbers(pa.array(cells), style, Tally())
        np.testing.assert_array_equal(value, expected)
        assert not quality.any()


@settings(deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False, width=64))
def test_shortest_form_of_any_double_comes_back(value: Any) -> None:
    got, _ = read_numbers(pa.array([repr(value)]), POINT, Tally())
    assert got[0] == value


@settings(deadline=None)
@given(st.integers(min_value=1000, max_value=9_999_999), st.integers(0, 99))
def test_thousands_marks_are_read_in_any_style(whole: Any, rest: Any) -> None:
    value = float(f"{whole}.{rest:02d}")
    english = f"{whole:,}.{rest:02d}"
    german = english.translate(str.maketrans(",.", ".,"))
    swiss = english.replace(",", "'")
    french = english.translate(str.maketrans(",.", "\u202f,"))
    assert read_cell(english, POINT).value == value
    assert read_cell(german, COMMA).value == value
    assert read_cell(swiss, POINT).value == value
    assert read_cell(french, COMMA).value == value


@pytest.mark.parametrize(
    "text", ["NaN", "nan", "---", "--", "", "#N/A", "N/A", "Err", "null", "-", "*****", "#VALUE!"]
)
def test_missing_marks(text: Any) -> None:
    assert read_cell(text, POINT).kind is CellKind.MISSING


@pytest.mark.parametrize(
    "text", ["OPEN", "open", "OL", "O.L", "+OVER", "-OVER", "Burnout", ">1372", "< -200 °C", "HHHH"]
)
def test_overflow_marks(text: Any) -> None:
    cell = read_cell(text, POINT)
    assert cell.kind is CellKind.OVERFLOW
    assert cell.quality == Quality.MISSING | Quality.OVERFLOW
    assert math.isnan(cell.value)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("21.5 °C", 21.5, "degC"),
        ("70F", 70.0, "degF"),
        ("−5.25", -5.25, ""),
        ("+21.5", 21.5, ""),
        ("294,65 K", 294.65, "K"),
        ("- 3.5", -3.5, ""),
    ],
)
def test_signs_and_units_beside_the_number(text: Any, value: Any, unit: Any) -> None:
    cell = read_cell(text, COMMA if "," in text else POINT)
    assert (cell.value, cell.unit) == (value, unit)


def test_a_mark_of_doubt_keeps_the_value() -> None:
    cell = read_cell("98.4*", POINT)
    assert cell.value == 98.4
    assert cell.quality == Quality.INSTRUMENT_DOUBT


def test_text_that_is_no_number_is_told_with_its_row() -> None:
    tally = Tally()
    cells = pa.array(["20.1", "door", "OPEN", None, "1,002.5", "9.5x"])
    value, quality = read_numbers(cells, POINT, tally, first_row=100)
    assert value[0] == 20.1
    assert value[4] == 1002.5
    assert tally.unknown == {"door": 1, "9.5x": 1}
    assert tally.first_row["door"] == 101
    assert tally.marks == {"OPEN": 1}
    assert quality.tolist() == [0, 1, 3, 1, 0, 1]


def test_marks_of_a_persons_own() -> None:
    style = NumberStyle(".", as_marks(["Err42", "-99"]))
    value, quality = read_numbers(pa.array(["1", "ERR42", "-99", "2"]), style, Tally())
    assert np.isnan(value).tolist() == [False, True, True, False]
    assert quality.tolist() == [0, 1, 1, 0]


def test_infinity_is_an_overflow() -> None:
    value, quality = read_numbers(pa.array(["inf", "-inf", "3"]), POINT, Tally())
    assert np.isnan(value[:2]).all()
    assert (quality[:2] == int(Quality.MISSING | Quality.OVERFLOW)).all()


@pytest.mark.parametrize(
    ("cells", "mark"),
    [
        (["21,5", "22,0"], ","),
        (["21.5", "22.0"], "."),
        (["1.234,5"], ","),
        (["1,234.5"], "."),
        (["0,125", "0,250"], ","),
        (["21,345", "22,001"], ","),  # with a thousands mark hotter than any oven
        (["20", "21"], "."),
        (["21.345", "22.100"], "."),
        (["1,002", "1,004"], ""),
        (["21,5", "21.5"], ""),
    ],
)
def test_decimal_mark_is_concluded_only_where_cells_tell(cells: Any, mark: Any) -> None:
    assert conclude_decimal(cells).mark == mark
