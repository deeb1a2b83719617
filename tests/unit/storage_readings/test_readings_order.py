"""Order of rows, repeated times, rail values, the unit that values tell."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.domain.arrays import FloatArray, QualityArray
from ovenwright.domain.run import NS, Quality
from ovenwright.storage.readings.ordering import put_in_order
from ovenwright.storage.readings.rails import RAILS, mark_rails
from ovenwright.storage.readings.scales import conclude_scale, is_sequence, is_switch

GOOD = 0


@settings(deadline=None)
@given(st.lists(st.integers(-1000, 1000), min_size=1, max_size=60))
def test_times_rise_and_no_first_reading_is_lost(times: list[int]) -> None:
    given_ns = np.array(times, np.int64) * NS
    got = put_in_order(given_ns)
    assert (np.diff(got.time_ns) > 0).all()
    assert set(got.time_ns.tolist()) == set(given_ns.tolist())
    for row, moment in zip(got.rows, got.time_ns, strict=True):
        assert given_ns[row] == moment
        assert row == np.flatnonzero(given_ns == moment)[0]  # the first of its time


def test_late_rows_and_repeats_carry_their_bits() -> None:
    got = put_in_order(np.array([0, 1, 1, 3, 2, 4]) * NS)
    assert got.rows.tolist() == [0, 1, 4, 3, 5]
    assert got.quality.tolist() == [0, Quality.REPEATED, Quality.REORDERED, 0, 0]
    assert len(got.notes) == 2


@pytest.mark.parametrize("per_second", [2, 3, 4, 10])
def test_whole_seconds_shared_by_several_rows_are_spread(per_second: int) -> None:
    true_ns = np.arange(1, 40 * per_second + 1) * NS // per_second
    shown = true_ns // NS * NS
    got = put_in_order(shown, coarse_ns=NS)
    assert got.rows.size == shown.size
    np.testing.assert_allclose(got.time_ns, true_ns, atol=2)
    assert (got.quality == Quality.RESTAMPED).any()


def test_rows_written_twice_are_repeats_and_not_spread() -> None:
    shown = np.repeat(np.arange(50) * NS, 2)
    same = np.tile([False, True], 50)
    got = put_in_order(shown, coarse_ns=NS, same_as_before=same)
    np.testing.assert_array_equal(got.time_ns, np.arange(50) * NS)


def quality(values: FloatArray) -> QualityArray:
    return np.zeros(values.shape, np.uint8)


@pytest.mark.parametrize("rail", [*RAILS, *(-r for r in RAILS), 9.9e37, -127.0])
def test_rails_far_from_the_readings_are_marks(rail: float) -> None:
    values = np.linspace(20, 98, 200)
    values[[10, 11, 150]] = rail
    got = mark_rails(values, quality(values))
    assert np.flatnonzero(np.isnan(got.value)).tolist() == [10, 11, 150]
    assert got.marks == ((rail, 3),)
    assert (got.quality[[10, 11, 150]] == int(Quality.MISSING | Quality.OVERFLOW)).all()
    assert np.isfinite(values).all()  # the argument is left alone


@pytest.mark.parametrize("look_alike", [999.0, 6999.0, 1999.0, -999.0])
def test_look_alikes_among_their_like_are_readings(look_alike: float) -> None:
    values: FloatArray = look_alike + np.arange(-30.0, 31.0)
    got = mark_rails(values, quality(values))
    np.testing.assert_array_equal(got.value, values)
    assert (look_alike, 1) in got.kept


def test_a_rail_inside_the_range_is_a_mark_when_each_visit_is_a_leap() -> None:
    values = np.concatenate([np.linspace(20, 1200, 300), np.full(50, 1200.0)])
    values[[40, 41]] = 999.9
    got = mark_rails(values, quality(values))
    assert np.isnan(got.value[[40, 41]]).all()
    assert np.isfinite(got.value[200:]).all()


def test_a_column_of_nothing_but_rails() -> None:
    values = np.full(50, 9999.0)
    assert np.isnan(mark_rails(values, quality(values)).value).all()


def test_numbers_named_by_a_person_are_marks_anywhere() -> None:
    values = np.array([1.0, 0.0, 2.0, 0.0])
    got = mark_rails(values, quality(values), given=[0.0])
    assert np.isnan(got.value).tolist() == [False, True, False, True]
    assert (got.quality[[1, 3]] == int(Quality.MISSING)).all()


def heat(start: float, top: float, *, hold: bool = False) -> FloatArray:
    """A lag towards ``top``, held there for a third of the time where asked."""
    rise = start + (top - start) * (1 - np.exp(-np.linspace(0, 6, 600)))
    return np.concatenate([rise, np.full(300, top)]) if hold else rise


@pytest.mark.parametrize(
    ("columns", "unit"),
    [
        ([heat(39, 480), heat(33, 600)], "degC"),
        ([heat(24, 97, hold=True), heat(28, 230)], "degC"),
        ([heat(22, 75)], "degC"),
        ([heat(78, 208, hold=True), heat(75, 420)], "degF"),
        (
            [heat(26, 94), heat(30, 210, hold=True)],
            "degC",
        ),  # an oven at 210 °C is not boiling in °F
        ([heat(36, 94), np.full(900, 210.0)], ""),  # warm dough, hot oven: never °F
        ([heat(70, 350)], ""),  # a room in °F, or a warm oven in °C
        ([heat(38, 165)], ""),  # chilled poultry in °F, or a room in °C
        ([heat(21, 25)], ""),  # nothing heats
        ([np.full(9, np.nan)], ""),
    ],
)
def test_scale_is_concluded_only_where_one_is_sane(columns: list[FloatArray], unit: str) -> None:
    found = conclude_scale(columns)
    assert found.unit == unit
    assert found.why


def test_counters_and_switches() -> None:
    assert is_sequence(np.arange(1.0, 20.0))
    assert not is_sequence(np.arange(20.0, 40.0))  # a steady rise of 1 K a row is no counter
    assert is_switch(np.array([0.0, 1.0, 1.0, np.nan]))
    assert not is_switch(np.array([np.nan, np.nan]))
