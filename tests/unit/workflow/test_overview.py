"""Nothing that was low or high is lost when bins are merged, and memory has a bound."""

import numpy as np
import pytest

from ovenwright.workflow.overview import Overview, Recent

NS = 1_000_000_000
START = 1_700_000_000 * NS


def fed(n: int, channels: int, *, most: int, seed: int = 1) -> tuple[Overview, np.ndarray]:
    rng = np.random.default_rng(seed)
    value = rng.normal(100, 30, size=(n, channels))
    overview = Overview(channels, width_ns=NS, most=most)
    for i in range(0, n, 7):
        rows = value[i : i + 7]
        k = np.arange(i, i + len(rows))
        channel = np.tile(np.arange(channels, dtype=np.uint16), len(rows))
        overview.take(channel, np.repeat(START + k * NS, channels), rows.reshape(-1))
    return overview, value


@pytest.mark.parametrize("n", [3, 16, 17, 100, 1000])
def test_every_extreme_is_kept_in_its_own_bin(n: int) -> None:
    overview, value = fed(n, 3, most=16)
    bins = overview.bins()
    assert len(bins.low) <= 16
    per = bins.width_ns // NS
    for b in range(len(bins.low)):
        mine = value[b * per : (b + 1) * per]
        np.testing.assert_array_equal(bins.low[b], mine.min(0).astype(np.float32))
        np.testing.assert_array_equal(bins.high[b], mine.max(0).astype(np.float32))
        first = mine.argmin(0) <= mine.argmax(0)
        np.testing.assert_array_equal(bins.low_first[b], first)


def test_a_missing_number_leaves_its_bin_empty() -> None:
    overview = Overview(2, width_ns=NS, most=8)
    two = np.array([0, 1], dtype=np.uint16)
    overview.take(two, np.array([START, START]), np.array([np.nan, 20.0]))
    bins = overview.bins()
    assert np.isnan(bins.low[0, 0])
    assert bins.high[0, 1] == 20.0


def test_what_came_late_finds_its_bin_and_what_lies_before_the_first_is_passed_over() -> None:
    overview = Overview(1, width_ns=NS, most=8)
    one = np.zeros(1, dtype=np.uint16)
    for at, v in ((0, 10.0), (5, 20.0), (2, 99.0), (-3, 500.0)):
        overview.take(one, np.array([START + at * NS]), np.array([v]))
    high = overview.bins().high[:, 0]
    assert high[2] == 99.0
    assert np.nanmax(high) == 99.0


def test_recent_keeps_the_last_values_and_moves_on() -> None:
    recent = Recent(1, width_ns=NS, most=10)
    one = np.zeros(1, dtype=np.uint16)
    for k in range(100):
        recent.take(one, np.array([START + k * NS]), np.array([float(k)]))
    late = recent.lately()
    assert 10 <= len(late.value_c) <= 12
    assert late.value_c[-1, 0] == 99.0
    assert late.start_ns + (len(late.value_c) - 1) * late.width_ns == START + 99 * NS
    recent.take(one, np.array([START + 5000 * NS]), np.array([7.0]))
    late = recent.lately()
    assert late.value_c[-1, 0] == 7.0
    assert np.isnan(late.value_c[:-1]).all()
