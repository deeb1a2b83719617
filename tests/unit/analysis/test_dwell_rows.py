"""Rows of a time-temperature table under noise and error: what may count and what must not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

ROWS = {"table": "table"}  # 60 °C 600 s, 65 °C 200 s, 72 °C at once


def share_sure(samples: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    return float(np.mean(samples >= 1.0))


@pytest.mark.parametrize("seed", range(5))
def test_noise_alone_does_not_reach_a_row_that_asks_no_time(
    bench: Callable[..., Any], seed: int
) -> None:
    b = bench()
    # 90 s near 71.7 °C, met by no row; the highest of the noisy readings stands above 72 °C
    truth = np.interp(
        b.time_s, [0.0, 400.0, 450.0, 540.0, 590.0, 1000.0], [20, 30, 71.7, 71.7, 30, 20]
    )
    noisy = truth + np.random.default_rng(seed).normal(0.0, 0.2, truth.size)
    assert noisy.max() >= 72.0
    b.add("c", noisy)
    b.noise_k["c"] = 0.2
    found = b.measure("dwell_share", ROWS)
    assert share_sure(found.samples) < 0.9  # sure of it, the reading alone was
    # the same readings without noise to speak of did reach it
    b.noise_k["c"] = 0.0
    assert share_sure(b.measure("dwell_share", ROWS).samples) == 1.0


def test_a_row_that_is_met_for_sure_counts_where_a_hotter_one_is_not(
    bench: Callable[..., Any],
) -> None:
    b = bench(3000.0)
    truth = np.interp(b.time_s, [0.0, 300.0, 400.0, 3000.0], [20.0, 20.0, 65.05, 65.05])
    b.add("c", truth).error("c", 0.3)
    found = b.measure("dwell_share", ROWS)
    assert found.value == pytest.approx(2600.0 / 200.0, rel=0.01)
    # 65 °C is as good as open, but 60 °C was held four times as long as asked
    assert np.mean(found.samples < 5.0) > 0.3
    assert share_sure(found.samples) == 1.0
