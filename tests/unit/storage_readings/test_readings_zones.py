"""Local clocks to UTC, against the standard library's zoneinfo."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.errors import UsageError
from ovenwright.storage.readings.zones import find_zone, to_utc

MINUTE = timedelta(minutes=1)


def shown(zone: Any, start_utc: Any, count: Any, step: Any = MINUTE) -> Any:
    """What a clock in the zone shows, and the truth in UTC."""
    moments = [start_utc + i * step for i in range(count)]
    local = [m.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for m in moments]
    return (
        np.array([np.datetime64(x, "ns") for x in local]).astype(np.int64),
        np.array([np.datetime64(m.replace(tzinfo=None), "ns") for m in moments]).astype(np.int64),
    )


def good(local: Any) -> Any:
    return np.ones(local.shape, np.bool_)


@settings(deadline=None)
@given(
    st.sampled_from(["Europe/Riga", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe"]),
    st.datetimes(datetime(2000, 1, 1), datetime(2030, 1, 1)),  # noqa: DTZ001
)
def test_two_hours_anywhere_come_back(zone: Any, start: Any) -> None:
    local, truth = shown(zone, start.replace(second=0, microsecond=0, tzinfo=UTC), 180)
    got = to_utc(local, find_zone(zone), good=good(local))
    steps = np.diff(local)
    if not got.notes or (steps < 0).any():
        np.testing.assert_array_equal(got.time_ns, truth)
    else:  # the run began or ended inside the doubled hour: only an hour may be in doubt
        assert set(np.unique((got.time_ns - truth) / 60e9)) <= {0.0, -60.0, 60.0, -30.0, 30.0}


def test_doubled_hour_is_told_apart_by_order() -> None:
    local, truth = shown("Europe/Berlin", datetime(2026, 10, 25, 0, 20, tzinfo=UTC), 150)
    got = to_utc(local, find_zone("Europe/Berlin"), good=good(local))
    np.testing.assert_array_equal(got.time_ns, truth)
    assert got.restamped.sum() == 100  # 40 minutes of the first pass and 60 of the second
    assert "told apart by the order" in got.notes[0]


def test_start_inside_the_second_pass_is_seen_from_what_follows() -> None:
    local, truth = shown("Europe/Berlin", datetime(2026, 10, 25, 1, 10, tzinfo=UTC), 120)
    got = to_utc(local, find_zone("Europe/Berlin"), good=good(local))
    np.testing.assert_array_equal(got.time_ns, truth)


def test_change_to_summer_time_keeps_elapsed_time() -> None:
    local, truth = shown("Europe/Berlin", datetime(2026, 3, 29, 0, 30, tzinfo=UTC), 90)
    assert np.diff(local).max() == 61 * 60 * 10**9
    got = to_utc(local, find_zone("Europe/Berlin"), good=good(local))
    np.testing.assert_array_equal(got.time_ns, truth)
    assert not got.notes


def test_hour_that_never_was_is_flagged_and_elapsed_time_kept() -> None:
    start = np.datetime64("2026-03-29T01:30", "ns").astype(np.int64)
    local = start + np.arange(120) * 60 * 10**9
    got = to_utc(local, find_zone("Europe/Berlin"), good=good(local))
    assert (np.diff(got.time_ns) == 60 * 10**9).all()
    assert got.restamped.sum() == 90
    assert "leaves out" in got.notes[0]


def test_clock_that_did_not_go_back_is_flagged_and_elapsed_time_kept() -> None:
    start = np.datetime64("2026-10-25T01:30", "ns").astype(np.int64)
    local = start + np.arange(150) * 60 * 10**9
    got = to_utc(local, find_zone("Europe/Berlin"), good=good(local))
    assert (np.diff(got.time_ns) == 60 * 10**9).all()
    assert "did not follow the change" in got.notes[0]


def test_unknown_zone_is_refused() -> None:
    with pytest.raises(UsageError, match="IANA"):
        find_zone("Europe/Atlantis")
