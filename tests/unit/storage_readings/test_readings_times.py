"""Cells to times: every usual form, decided by the data or refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.storage.readings.time_nouns import TimeHints, TimeRefused
from ovenwright.storage.readings.time_patterns import shape_of
from ovenwright.storage.readings.times import join_cells, read_times

START = datetime(2026, 3, 4, 14, 12)  # noqa: DTZ001 - a clock on a wall has no zone
STEPS = [timedelta(seconds=i) for i in range(50)]


def texts(pattern: Any, start: Any = START, steps: Any = STEPS) -> Any:
    return pa.chunked_array([[(start + s).strftime(pattern) for s in steps]])


def ns_of(start: Any = START, steps: Any = STEPS) -> Any:
    """numpy's datetime64 is the reference for the calendar."""
    return np.array([np.datetime64(start + s, "ns") for s in steps]).astype(np.int64)


@pytest.mark.parametrize(
    "pattern",
    [
        "%Y-%m-%d %H:%M:%S",
        "%Y-%m-%dT%H:%M:%S",
        "%Y/%m/%d %H:%M:%S",
        "%Y.%m.%d %H:%M:%S",
        "%d.%m.%Y %H:%M:%S",
        "%d-%b-%Y %H:%M:%S",
        "%d %B %Y %I:%M:%S %p",
        "%b %d, %Y %H:%M:%S",
        "%a %d %b %Y %H:%M:%S",
        "%Y%m%d%H%M%S",
        "%Y%m%d %H%M%S",
        "%Y%m%dT%H%M%S",
        "%H:%M:%S %Y-%m-%d",
        "%d.%m.%y, %H:%M:%S",
        "%d.%m.%Y %H.%M.%S",
        "%Y-%m-%d_%H:%M:%S",
    ],
)
def test_dates_in_every_usual_form(pattern: Any) -> None:
    times = read_times(texts(pattern), TimeHints())
    assert times.absolute
    assert not times.utc
    np.testing.assert_array_equal(times.ns, ns_of())


@settings(deadline=None)
@given(
    st.datetimes(datetime(1971, 1, 1), datetime(2099, 12, 31)),  # noqa: DTZ001
    st.sampled_from(["%Y-%m-%d %H:%M:%S.%f", "%d.%m.%Y %H:%M:%S.%f", "%d-%b-%Y %H:%M:%S,%f"]),
)
def test_any_moment_comes_back_to_the_microsecond(moment: Any, pattern: Any) -> None:
    times = read_times(pa.chunked_array([[moment.strftime(pattern)]]), TimeHints())
    assert times.ns[0] == np.datetime64(moment, "ns").astype(np.int64)


@pytest.mark.parametrize(
    ("ending", "hours"), [("Z", 0), ("+02:00", 2), ("-0530", -5.5), ("+03", 3), (" +01:00", 1)]
)
def test_zones_written_beside_the_time(ending: Any, hours: Any) -> None:
    cells = pa.chunked_array([[(START + s).isoformat() + ending for s in STEPS]])
    times = read_times(cells, TimeHints())
    assert times.utc
    np.testing.assert_array_equal(times.ns, ns_of() - int(hours * 3600e9))


def test_zone_letters_are_not_used_but_told() -> None:
    cells = pa.chunked_array([[f"{START + s} EET" for s in STEPS]])
    assert read_times(cells, TimeHints()).letters == "EET"


def test_slashed_date_on_one_day_is_refused_with_both_readings() -> None:
    with pytest.raises(TimeRefused) as caught:
        read_times(texts("%m/%d/%Y %H:%M:%S"), TimeHints())
    assert "2026-04-03" in caught.value.what
    assert "2026-03-04" in caught.value.what
    assert caught.value.option == "--day-first or --month-first"


@pytest.mark.parametrize(("day_first", "month"), [(True, 4), (False, 3)])
def test_a_person_decides_the_slashed_date(day_first: Any, month: Any) -> None:
    times = read_times(texts("%m/%d/%Y %H:%M:%S"), TimeHints(day_first=day_first))
    assert str(times.ns[:1].astype("datetime64[ns]")[0])[5:7] == f"{month:02d}"


def test_midnight_decides_the_slashed_date() -> None:
    start = datetime(2026, 3, 4, 23, 59, 30)  # noqa: DTZ001
    for pattern in ("%m/%d/%Y %H:%M:%S", "%d/%m/%Y %H:%M:%S"):
        times = read_times(texts(pattern, start), TimeHints())
        np.testing.assert_array_equal(times.ns, ns_of(start))


def test_a_thirteenth_decides_the_slashed_date() -> None:
    start = datetime(2026, 3, 13, 10, 0)  # noqa: DTZ001
    for pattern in ("%m/%d/%Y %H:%M", "%d/%m/%y %H:%M"):
        times = read_times(texts(pattern, start), TimeHints())
        assert times.ns[0] == ns_of(start)[0]


def test_falling_times_decide_the_slashed_date() -> None:
    days = [datetime(2026, m, 1) + timedelta(days=d) for m, d in ((1, 10), (2, 8), (3, 6))]  # noqa: DTZ001
    cells = pa.chunked_array([[d.strftime("%m/%d/%Y 10:00:00") for d in days]])
    times = read_times(cells, TimeHints())
    assert (np.diff(times.ns) > 0).all()


def test_a_day_that_does_not_exist_is_refused() -> None:
    with pytest.raises(TimeRefused, match="is no date"):
        read_times(pa.chunked_array([["30.02.2026 10:00:00"]]), TimeHints())


def test_two_columns_are_read_as_one() -> None:
    joined = join_cells([texts("%d.%m.%Y"), texts("%H:%M:%S")])
    np.testing.assert_array_equal(read_times(joined, TimeHints()).ns, ns_of())


def test_clock_passes_midnight() -> None:
    start = datetime(2026, 3, 4, 23, 59, 30)  # noqa: DTZ001
    times = read_times(texts("%H:%M:%S", start), TimeHints())
    assert times.clock
    assert not times.absolute
    assert (np.diff(times.ns) == 10**9).all()
    assert times.restamped is not None
    assert times.restamped.sum() == 20


@pytest.mark.parametrize("pattern", ["%I:%M:%S %p", "%I:%M:%S%p"])
def test_am_and_pm(pattern: Any) -> None:
    start = datetime(2026, 3, 4, 11, 59, 30)  # noqa: DTZ001
    times = read_times(texts(pattern, start), TimeHints())
    assert times.ns[0] == (11 * 3600 + 59 * 60 + 30) * 10**9
    assert (np.diff(times.ns) == 10**9).all()


def test_twelve_hour_clock_without_letters_runs_on() -> None:
    start = datetime(2026, 3, 4, 12, 59, 30)  # noqa: DTZ001
    times = read_times(texts("%I:%M:%S", start), TimeHints())
    assert (np.diff(times.ns) == 10**9).all()
    assert any("twelve-hour" in n for n in times.notes)


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (["0:00:00", "0:00:01.250", "1:00:00"], [0, 1.25, 3600]),
        (["-0:00:02", "-0:00:01", "0:00:00"], [-2, -1, 0]),
        (["25:00:00", "25:00:01"], [90000, 90001]),
        (["1.02:03:04", "1.02:03:05"], [93784, 93785]),
        (["1 day, 2:03:04", "1 day, 2:03:05"], [93784, 93785]),
        (["59:58.5", "59:59.5", "60:00.5"], [3598.5, 3599.5, 3600.5]),
        (["0 s", "0.5 s", "1 s"], [0, 0.5, 1]),
    ],
)
def test_elapsed_forms(cells: Any, seconds: Any) -> None:
    times = read_times(pa.chunked_array([cells]), TimeHints())
    assert not times.absolute
    assert not times.clock
    np.testing.assert_allclose(times.ns / 1e9, seconds, rtol=0, atol=1e-9)


@pytest.mark.parametrize(("unit", "factor"), [("mm:ss", 1), ("h:mm", 60)])
def test_two_parts_need_a_word(unit: Any, factor: Any) -> None:
    cells = pa.chunked_array([[f"{i // 60}:{i % 60:02d}" for i in range(90)]])
    with pytest.raises(TimeRefused, match="hours and minutes or minutes"):
        read_times(cells, TimeHints())
    times = read_times(cells, TimeHints(given_unit=unit))
    np.testing.assert_array_equal(times.ns, np.arange(90) * factor * 10**9)


@settings(deadline=None)
@given(
    st.lists(st.integers(-10_000_000, 10_000_000), min_size=2, max_size=50, unique=True).map(sorted)
)
def test_elapsed_seconds_are_exact_to_the_millisecond(milli: Any) -> None:
    cells = pa.chunked_array([[f"{m / 1000:.3f}" for m in milli]])
    times = read_times(cells, TimeHints(unit="s"))
    np.testing.assert_array_equal(times.ns, np.array(milli) * 1_000_000)


@pytest.mark.parametrize(
    ("values", "unit"),
    [
        (np.arange(2000) * 1.0, "seconds"),
        (np.arange(2000) * 0.25, "seconds"),
        (np.arange(2000) * 0.1, "seconds"),
        (np.round(np.arange(2000) / 60, 4), "minutes"),
        (np.round(np.arange(2000) * 5 / 60, 3), "minutes"),
        (np.round(np.arange(2000) / 3600, 6), "hours"),
        (np.arange(2000) * 500.0, "milliseconds"),
    ],
)
def test_unit_of_bare_numbers_from_their_steps(values: Any, unit: Any) -> None:
    times = read_times(pa.chunked_array([values]), TimeHints())
    assert times.concluded[0].found == unit
    assert not times.concluded[0].certain


def test_a_short_bare_axis_with_a_fast_rise_is_refused() -> None:
    with pytest.raises(TimeRefused, match="seconds or minutes"):
        read_times(pa.chunked_array([np.arange(0, 34, 0.5)]), TimeHints(rise_k=75.0))


def test_serial_dates() -> None:
    """Day 1 of the 1900 date system is 1900-01-01; 2026-03-04 is 46085 (ECMA-376 part 1, 18.17.4; section from memory)."""
    seconds = np.arange(100)
    times = read_times(pa.chunked_array([46085.5 + seconds / 86400]), TimeHints())
    expected = np.datetime64("2026-03-04T12:00:00", "ns").astype(np.int64) + seconds * 10**9
    np.testing.assert_array_equal(times.ns, expected)


@pytest.mark.parametrize("scale", [1, 1000, 10**6, 10**9])
def test_seconds_since_1970_in_any_scale(scale: Any) -> None:
    moment = int(datetime(2026, 3, 4, 14, 12, tzinfo=UTC).timestamp())
    cells = pa.chunked_array([[str((moment + i) * scale) for i in range(20)]])
    times = read_times(cells, TimeHints())
    assert times.utc
    np.testing.assert_allclose((times.ns - moment * 10**9) / 1e9, np.arange(20), atol=1e-6)


def test_typed_columns() -> None:
    stamps = pa.chunked_array([pa.array([START + s for s in STEPS], pa.timestamp("ms"))])
    np.testing.assert_array_equal(read_times(stamps, TimeHints()).ns, ns_of())
    lasted = pa.chunked_array([pa.array(STEPS, pa.duration("ms"))])
    np.testing.assert_array_equal(read_times(lasted, TimeHints()).ns, np.arange(50) * 10**9)


def test_dots_are_a_date_unless_the_heading_speaks_of_a_clock() -> None:
    assert shape_of("14.12.05") == (True, False)
    assert shape_of("14.12.05", clock_word=True) == (False, True)
    times = read_times(pa.chunked_array([["14.12.05", "14.12.06"]]), TimeHints(clock_word=True))
    assert times.ns[0] == (14 * 3600 + 12 * 60 + 5) * 10**9


def test_what_is_no_time_is_refused() -> None:
    with pytest.raises(TimeRefused, match="no time that can be read"):
        read_times(pa.chunked_array([["soon", "later"]]), TimeHints())
