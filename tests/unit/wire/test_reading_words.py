"""Numbers, units and times as instruments write them."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.domain.run import Quality
from ovenwright.wire.reading_words import decode_count, decode_number, decode_time, decode_unit


@pytest.mark.parametrize(
    ("word", "value", "quality"),
    [
        (200.125, 200.125, Quality.GOOD),
        (-40, -40.0, Quality.GOOD),
        ("21.5", 21.5, Quality.GOOD),
        (" +2.15e1 ", 21.5, Quality.GOOD),
        (None, math.nan, Quality.MISSING),
        ("---", math.nan, Quality.MISSING),
        (math.nan, math.nan, Quality.MISSING),
        ("OPEN", math.nan, Quality.OVERFLOW),
        ("-OL", math.nan, Quality.OVERFLOW),
        (math.inf, math.nan, Quality.OVERFLOW),
        # SCPI 1999, volume 1, section 7.2.1 (from memory)
        (9.9e37, math.nan, Quality.OVERFLOW),
        (-9.9e37, math.nan, Quality.OVERFLOW),
        (9.91e37, math.nan, Quality.MISSING),
        (10**400, math.nan, Quality.OVERFLOW),
        (6999, math.nan, Quality.OVERFLOW),  # told to be a fault value
    ],
)
def test_numbers(word: Any, value: float, quality: Quality) -> None:
    found = decode_number(word, (6999.0,))
    assert found is not None
    assert found[0] == value or (math.isnan(found[0]) and math.isnan(value))
    assert found[1] is quality


@pytest.mark.parametrize("word", ["hot", True, [], {}, "1_000", "21,5", "1" * 50])
def test_what_is_no_number(word: Any) -> None:
    assert decode_number(word) is None


@pytest.mark.parametrize(
    ("word", "unit"),
    [
        ("C", "degC"), ("°F", "degF"), ("degC", "degC"), ("K", "K"), ("mV", "mV"), ("Ω", "ohm"),
        # UCUM (ucum.org, table 4): Cel, [degF]; UNECE Recommendation 20: CEL, FAH, KEL
        ("Cel", "degC"), ("[degF]", "degF"), ("CEL", "degC"), ("FAH", "degF"), ("KEL", "K"),
        ("bar", None), (7, None),
    ],
)  # fmt: skip
def test_units(word: Any, unit: str | None) -> None:
    assert decode_unit(word) == unit


MOMENT = dt.datetime(2026, 11, 25, 8, 30, 0, 125_000, tzinfo=dt.UTC)
NS = 1_795_595_400_125_000_000


@pytest.mark.parametrize(
    ("word", "form"),
    [
        ("2026-11-25T08:30:00.125Z", "auto"),
        ("2026-11-25T10:30:00.125+02:00", "iso"),
        ("20261125T083000.125Z", "iso"),
        (1_795_595_400.125, "auto"),
        (1_795_595_400_125, "auto"),
        (1_795_595_400_125_000, "auto"),
        (1_795_595_400_125_000_000, "auto"),
        ("1795595400.125", "auto"),
        ("1795595400125", "ms"),
        (1_795_595_400_125_000_000, "ns"),
    ],
)
def test_times(word: Any, form: str) -> None:
    assert decode_time(word, form) == (NS, False)
    assert round(MOMENT.timestamp() * 1000) * 1_000_000 == NS


def test_local_times_need_a_zone_and_say_when_an_hour_occurs_twice() -> None:
    assert decode_time("2026-11-25T10:30:00.125") is None
    assert decode_time("2026-11-25T10:30:00.125", "auto", "Europe/Riga") == (NS, False)
    # in Latvia clocks go back from 04:00 to 03:00 on 2026-10-25 (IANA time zone database)
    found = decode_time("2026-10-25T03:30:00", "auto", "Europe/Riga")
    assert found == (
        int(dt.datetime(2026, 10, 25, 0, 30, tzinfo=dt.UTC).timestamp()) * 10**9,
        True,
    )


@pytest.mark.parametrize(
    "word",
    [None, "", "yesterday", True, -5, 0, 12_345, "1970-01-01T00:00:07Z", 1e300, math.nan, math.inf,
     10**40, [], "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59"],
)  # fmt: skip
def test_what_is_no_time(word: Any) -> None:
    assert decode_time(word) is None


@pytest.mark.parametrize(
    ("word", "count"),
    [(7, 7), ("7", 7), (7.0, 7), (7.5, None), (-1, None), (True, None), ("x", None), (2**63, None)],
)
def test_counts(word: Any, count: int | None) -> None:
    assert decode_count(word) == count


ANY = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=50)


@given(
    ANY, st.sampled_from(["auto", "iso", "s", "ms", "us", "ns"]), st.sampled_from(["", "UTC", "x"])
)
def test_any_word_is_read_or_refused(word: Any, form: str, zone: str) -> None:
    decode_unit(word)
    decode_count(word)
    number = decode_number(word)
    assert number is None or math.isfinite(number[0]) or number[1] is not Quality.GOOD
    time = decode_time(word, form, zone)
    assert time is None or 0 < time[0] < 2**63


@given(st.integers(978_400_000 * 10**6, 7_258_000_000 * 10**6))
def test_every_moment_comes_back_to_the_microsecond(microseconds: int) -> None:
    since = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=microseconds)
    ns = microseconds * 1000
    assert decode_time(since.isoformat()) == (ns, False)
    assert decode_time(ns // 1000, "us") == (ns, False)
    seconds = decode_time(ns / 1e9, "s")
    assert seconds is not None
    assert abs(seconds[0] - ns) <= 1_000
