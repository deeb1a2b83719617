"""How surroundings answer setpoints, as thought before and as learnt from runs."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.errors import OutOfRange
from ovenwright.modelling.responding import (
    Lived,
    draw_matrix,
    draw_response,
    learn,
    plain_response,
    shift_along,
)

EDGES = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
SHARE = np.linspace(0.0, 1.0, 201)
PLAIN = plain_response(1, 4, spill=0.2)


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
    shift = shift_along(SHARE, np.array([0.0, 1.0]), np.array([7.0]), plain_response(1, 1))
    np.testing.assert_allclose(shift, 7.0)


def test_answers_are_drawn_about_one_to_one() -> None:
    drawn = draw_response(4000, 4, rng=np.random.default_rng(1))
    # all setpoints alike move everything by the gain, whatever goes to neighbours
    together = drawn.matrix.sum(axis=2)
    assert np.mean(together) == pytest.approx(1.0, abs=0.01)
    assert drawn.matrix[:, 1, 0].min() >= 0.0
    assert drawn.matrix[:, 1, 3].max() == 0.0


TRUE = np.array(
    [[0.9, 0.1, 0.0, 0.0], [0.05, 0.8, 0.1, 0.0], [0.0, 0.05, 1.1, 0.05], [0.0, 0.0, 0.1, 0.9]]
)
BASE = np.array([205.0, 230.0, 240.0, 225.0])


def lived(shifts: np.ndarray, rng: np.random.Generator, scatter_k: float) -> list[Lived]:
    return [
        Lived(f"run-{i}", BASE + s, BASE - 12.0 + TRUE @ s + rng.normal(0.0, scatter_k, 4))
        for i, s in enumerate(shifts)
    ]


def test_many_runs_teach_what_ordinary_least_squares_finds() -> None:
    rng = np.random.default_rng(3)
    runs = lived(rng.uniform(-20.0, 20.0, (60, 4)), rng, 0.5)
    x = np.stack([np.concatenate(([1.0], r.setpoint_c - BASE)) for r in runs])
    plain, *_ = np.linalg.lstsq(x, np.stack([r.around_c for r in runs]), rcond=None)
    told = learn(runs)
    np.testing.assert_allclose(told.centre, plain[1:].T, atol=0.01)
    np.testing.assert_allclose(told.centre, TRUE, atol=0.03)
    assert told.wander_k == pytest.approx(0.5, rel=0.25)
    assert told.turned == told.told == (0, 1, 2, 3)


def test_few_runs_teach_what_was_turned_and_leave_the_rest_as_thought_before() -> None:
    rng = np.random.default_rng(4)
    shifts = np.zeros((4, 4))
    shifts[:, 1] = [0.0, 15.0, -15.0, 10.0]
    told = learn(lived(shifts, rng, 0.3))
    assert told.turned == told.told == (1,)
    assert told.centre[1, 1] == pytest.approx(0.8, abs=2.0 * told.sd()[1, 1])
    assert told.centre[1, 1] == pytest.approx(0.8, abs=0.08)
    before = draw_matrix(4000, 4, rng=rng)
    # what the other setpoints do is as open as before, but for what zones have in common
    for i in (0, 2, 3):
        assert told.centre[i, i] == pytest.approx(before[:, i, i].mean(), abs=0.12)
        assert told.sd()[i, i] > 0.6 * before[:, i, i].std()


def test_what_is_learnt_holds_the_truth_as_often_as_it_says() -> None:
    inside = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        true = draw_matrix(1, 4, rng=rng)[0]
        shifts = rng.uniform(-12.0, 12.0, (4, 4))
        runs = [
            Lived(str(i), BASE + s, BASE + true @ s + rng.normal(0.0, 1.0, 4))
            for i, s in enumerate(shifts)
        ]
        told = learn(runs)
        drawn = told.draw(2000, rng)
        low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
        inside.append((low <= true) & (true <= high))
    share = float(np.mean([np.diag(i) for i in inside]))
    assert 0.84 <= share <= 0.97  # nine in ten, 240 of them


def test_runs_alike_in_all_setpoints_teach_nothing_of_them_but_how_far_runs_differ() -> None:
    rng = np.random.default_rng(5)
    told = learn(lived(np.zeros((6, 4)), rng, 0.4))
    assert told.turned == told.told == ()
    before = draw_matrix(4000, 4, rng=rng).mean(axis=0)
    np.testing.assert_allclose(told.centre, before, atol=0.02)
    assert told.wander_k < 1.0


def test_setpoints_turned_together_do_not_tell_each_zones_own_share() -> None:
    rng = np.random.default_rng(6)
    shifts = np.outer([0.0, 12.0, -12.0, 6.0], np.ones(4))
    told = learn(lived(shifts, rng, 0.3))
    assert told.turned == (0, 1, 2, 3)
    np.testing.assert_allclose(told.centre.sum(axis=1), TRUE.sum(axis=1), atol=0.08)
    assert told.sd()[1, 1] > 3.0 * np.sqrt(
        np.var(told.draw(4000, rng)[:, 1, :].sum(axis=1))
    )  # the sum is known, its parts are not


def test_one_run_teaches_nothing() -> None:
    with pytest.raises(OutOfRange, match="runs to learn from"):
        learn(lived(np.zeros((1, 4)), np.random.default_rng(1), 0.1))
