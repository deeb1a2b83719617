"""Departures of a real body from the model."""

import numpy as np
import pytest

from ovenwright.modelling.departures import (
    KNOTS,
    Windows,
    departure_at,
    learn,
    likeness,
    log_likelihood,
    misfit,
)


def windows(rise: list[float]) -> Windows:
    at = np.geomspace(30.0, 300.0, len(rise))
    return Windows(np.log(at), np.array(rise), np.full(len(rise), 0.01))


def test_a_steady_factor_is_the_log_of_the_ratio_exactly() -> None:
    seen = windows([2.0, 6.0, 14.0, 30.0])
    model = seen.rise_k[:, None] / 1.3
    missed = misfit(seen, model, np.zeros((4, 1)))
    steps = np.diff(missed.residual_k[:, 0], prepend=0.0)
    # logarithmic mean times ln ratio is the difference, by its definition
    assert steps == pytest.approx(missed.step_k[:, 0] * np.log(1.3), rel=1e-12)


def test_a_body_that_never_heats_can_explain_no_rise() -> None:
    seen = windows([2.0, 6.0, 14.0, 30.0])
    good, dead = seen.rise_k * 0.9, seen.rise_k * 1e-6
    missed = misfit(seen, np.stack([good, dead], axis=1), np.zeros((4, 2)))
    likely = log_likelihood(seen, missed, np.full(2, 0.5))
    assert likely[0] - likely[1] > 20.0


def test_the_departure_seen_goes_on_and_fades() -> None:
    seen = windows([2.0, 6.0, 14.0, 30.0])
    missed = misfit(seen, seen.rise_k[:, None] / np.exp(0.2), np.zeros((4, 1)))
    ahead = np.log(np.array([330.0, 600.0, 1200.0, 5000.0]))
    told = learn(seen, missed, np.array([0.3]), ahead)
    assert told.now[-1, 0] == pytest.approx(0.2, abs=0.02)
    assert np.all(np.diff(told.ahead[:, 0]) < 0.0)
    assert told.ahead[-1, 0] < 0.05
    open_still = np.sqrt(np.sum(told.open_factor[0] ** 2, axis=1))
    assert np.all(np.diff(open_still) > 0.0)
    assert open_still[-1] <= 0.3 + 1e-6


def test_what_a_record_expects_is_taken_off_first() -> None:
    seen = windows([2.0, 6.0, 14.0, 30.0])
    expected = np.full((4, 1), 0.2)
    missed = misfit(seen, seen.rise_k[:, None] / np.exp(0.2), expected)
    assert missed.residual_k == pytest.approx(np.zeros((4, 1)), abs=1e-12)


def test_likeness_falls_with_the_ratio_of_times_alone() -> None:
    one = np.log(np.array([10.0, 100.0]))
    assert likeness(one, one + np.log(2.0))[0, 0] == pytest.approx(
        likeness(one, one + np.log(2.0))[1, 1]
    )


def test_kept_departures_are_read_by_straight_lines() -> None:
    kept = np.stack([KNOTS, 2.0 * KNOTS], axis=1)
    at = np.array([KNOTS[0], 0.3 * KNOTS[3] + 0.7 * KNOTS[4], KNOTS[-1] + 5.0])
    read = departure_at(kept, at)
    assert read[:2, 0] == pytest.approx(at[:2])
    assert read[2, 1] == pytest.approx(2.0 * KNOTS[-1], rel=1e-5)
