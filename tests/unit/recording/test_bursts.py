"""Readings received together stand apart again, and no hole is seen where none was."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.domain.run import NS
from ovenwright.recording.bursts import spread_bursts

T0 = 1_795_595_400 * NS
US = 1_000


def arrived(*looks: tuple[float, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return times and places of looks, each (s, readings)."""
    times = [T0 + round(s * NS) + k * US for s, n in looks for k in range(n)]
    placed = [k > 0 for _, n in looks for k in range(n)]
    return np.array(times, dtype=np.int64), np.array(placed)


def test_a_backlog_after_a_break_fills_the_break() -> None:
    live = [(float(s), 1) for s in range(30)]
    time_ns, placed = arrived(*live, (89.3, 60), *[(90.0 + s, 1) for s in range(30)])
    out, moved = spread_bursts(time_ns, placed, interval_s=1.0)
    steps = np.diff(out) / NS
    assert steps.min() > 0.6
    assert steps.max() < 1.05
    assert not moved[:30].any()
    assert not moved[90:].any()
    assert out[89] == time_ns[89]


def test_a_break_with_less_kept_than_lost_stays_a_break() -> None:
    time_ns, placed = arrived(*[(float(s), 1) for s in range(30)], (90.0, 20))
    out, _ = spread_bursts(time_ns, placed, interval_s=1.0)
    steps = np.diff(out) / NS
    assert steps[30:] == pytest.approx(1.0, abs=0.01)
    assert steps[29] == pytest.approx(90 - 29 - 19, abs=0.1)


@pytest.mark.parametrize("pause_s", [0.003, 0.12])
def test_a_whole_recording_piped_in_goes_by_the_planned_interval(pause_s: float) -> None:
    time_ns, placed = arrived((0.0, 1), *[(0.001 + pause_s * i, 700) for i in range(20)])
    out, moved = spread_bursts(time_ns, placed, interval_s=2.0)
    assert np.diff(out) / NS == pytest.approx(2.0, abs=1e-6)
    assert out[-1] == time_ns[-1]
    assert moved[:-1].all()


def test_looks_slower_than_the_instrument_share_what_they_bring() -> None:
    time_ns, placed = arrived(*[(0.2 * i, 2) for i in range(100)])
    out, _ = spread_bursts(time_ns, placed, interval_s=1.0)
    assert np.diff(out) / NS == pytest.approx(0.1, abs=0.001)


def test_an_instrument_that_goes_faster_for_a_while_keeps_within_its_time() -> None:
    slow = [(float(s), 1) for s in range(200)]
    fast = [(199.0 + 0.2 * i, 2) for i in range(1, 101)]
    time_ns, placed = arrived(*slow, *fast)
    out, _ = spread_bursts(time_ns, placed, interval_s=1.0)
    assert np.array_equal(out[:200], time_ns[:200])
    assert np.diff(out)[199:] / NS == pytest.approx(0.1, abs=0.001)


def test_times_that_the_instrument_gave_stay() -> None:
    time_ns, placed = arrived(*[(float(s), 1) for s in range(30)], (31.0, 20))
    out, moved = spread_bursts(time_ns, np.zeros_like(placed), interval_s=1.0)
    assert np.array_equal(out, time_ns)
    assert not moved.any()


def test_times_always_rise() -> None:
    luck = np.random.default_rng(7)
    for _ in range(300):
        at, looks = 0.0, []
        for _ in range(int(luck.integers(1, 40))):
            at += float(luck.choice([0.001, 0.02, 0.3, 1.0, 1.1, 40.0]))
            looks.append((at, int(luck.choice([1, 1, 2, 5, 200]))))
        time_ns, placed = arrived(*looks)
        out, moved = spread_bursts(time_ns, placed, interval_s=float(luck.choice([0.25, 1, 5])))
        assert np.all(np.diff(out) > 0)
        assert np.array_equal(out[~moved], time_ns[~moved])
        assert out[-1] == time_ns[-1]
