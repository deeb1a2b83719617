"""Knobs within limits, and how surroundings answer them."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.errors import OutOfRange
from ovenwright.modelling.knobs import Knob, Response, Turns, draw_response, shift_along, turned

EDGES = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
SHARE = np.linspace(0.0, 1.0, 201)
PLAIN = Response(np.ones(1), np.full(1, 0.2), np.zeros(1))


def test_all_setpoints_alike_move_all_surroundings_by_as_much() -> None:
    shift = shift_along(SHARE, EDGES, np.full(4, 10.0), PLAIN)
    np.testing.assert_allclose(shift, 10.0)


def test_one_setpoint_moves_its_zone_most_and_its_neighbours_by_the_spill() -> None:
    shift = shift_along(SHARE, EDGES, np.array([0.0, 10.0, 0.0, 0.0]), PLAIN)[:, 0]
    at = dict(
        zip(
            ("first", "second", "third", "fourth"),
            np.interp([0.125, 0.375, 0.625, 0.9], SHARE, shift),
            strict=True,
        )
    )
    assert at["second"] == pytest.approx(6.0)  # two neighbours take a fifth each
    assert at["first"] == pytest.approx(2.0)
    assert at["third"] == pytest.approx(2.0)
    assert at["fourth"] == pytest.approx(0.0)


def test_a_chamber_has_no_neighbours_to_spill_into() -> None:
    shift = shift_along(SHARE, np.array([0.0, 1.0]), np.array([7.0]), PLAIN)
    np.testing.assert_allclose(shift, 7.0)


def test_answers_are_drawn_about_one_to_one() -> None:
    drawn = draw_response(4000, rng=np.random.default_rng(1))
    assert np.mean(drawn.gain) == pytest.approx(1.0, abs=0.01)
    assert drawn.spill.min() >= 0.15
    assert drawn.spill.max() <= 0.25


def test_values_become_shifts_against_what_is_now() -> None:
    knobs = (
        Knob("setpoint zone 2", Turns.SETPOINT, "°C", 230.0, 210.0, 250.0, 1),
        Knob("bake time", Turns.BAKE_TIME, "min", 30.0, 24.0, 36.0),
        Knob("start temperature", Turns.START, "°C", 29.0, 25.0, 33.0),
    )
    to = turned(knobs, np.array([240.0, 33.0, 27.0]), 4)
    np.testing.assert_allclose(to.shift_k, [0.0, 10.0, 0.0, 0.0])
    assert to.ratio == pytest.approx(1.1)
    assert to.start_k == pytest.approx(-2.0)


def test_limits_that_leave_out_the_present_setting_are_refused() -> None:
    with pytest.raises(OutOfRange, match="limits of bake time") as refused:
        Knob("bake time", Turns.BAKE_TIME, "min", 30.0, 31.0, 36.0)
    assert "present setting" in str(refused.value.remedy)
