"""A foretold change with its doubt ends where the body ends."""

from __future__ import annotations

import numpy as np

from ovenwright.modelling.foretelling import _alike, _between, _doubted, _paced, _speaking

SEEN = np.array([30.0, 60.0, 89.0])
NEW = np.array([30.0, 80.0, 99.0])


def test_without_doubt_it_is_what_was_foretold() -> None:
    np.testing.assert_allclose(_doubted(SEEN, NEW, 100.0, power=1.0), NEW, atol=1e-9)


def test_more_or_less_of_it_stays_below_the_end_and_keeps_what_did_not_change() -> None:
    more, less = (_doubted(SEEN, NEW, 100.0, power=p) for p in (1.2, 0.8))
    assert more[0] == less[0] == 30.0
    assert 80.0 < more[1] < 100.0
    assert 60.0 < less[1] < 80.0
    # the way to go was 11 K and would be 1 K: the share 1/11 to the power of 0.8 leaves 1.6 K
    np.testing.assert_allclose(less[2], 100.0 - 11.0 * (1.0 / 11.0) ** 0.8)


def test_a_reading_above_the_end_stays_where_it_was() -> None:
    above = np.array([100.6])
    np.testing.assert_allclose(_doubted(above, above, 100.0, power=1.3), above)


def test_a_body_that_boils_where_the_readings_still_rise_has_no_say() -> None:
    seen = np.array([30.0, 60.0, 94.0])
    # one boils, though near on average; of the others the second is nearer
    course = np.array([[30.0, 30.0, 30.0], [60.0, 62.0, 52.0], [99.9, 96.0, 88.0]])
    moist = np.array([True, True, True])
    assert _speaking(course, seen, moist=moist, boiling_c=100.0).tolist() == [1]
    # where the readings stand at boiling too, it has
    stood = np.array([30.0, 60.0, 99.7])
    assert 0 in _speaking(course, stood, moist=moist, boiling_c=100.0)
    # and where all of them boil, the nearest half is all there is
    assert _speaking(course[:, :1], seen, moist=moist[:1], boiling_c=100.0).tolist() == [0]


def test_a_faster_piece_is_where_the_other_would_be_a_little_later() -> None:
    share = np.linspace(0.0, 1.0, 201)
    course = (100.0 - 70.0 * np.exp(-2.0 * share))[:, None]
    faster = _paced(course, share, np.array([0.02]))[:, 0]
    np.testing.assert_allclose(faster, 100.0 - 70.0 * np.exp(-2.04 * share), atol=0.05)


def test_rows_are_read_by_straight_lines() -> None:
    few_s, few = np.array([0.0, 10.0, 30.0]), np.array([[0.0, 1.0], [10.0, 3.0], [20.0, 3.0]])
    at_s = np.array([0.0, 5.0, 20.0, 30.0])
    expected = np.stack([np.interp(at_s, few_s, few[:, m]) for m in range(2)], axis=1)
    np.testing.assert_allclose(_between(at_s, few_s, few), expected)


def test_cores_that_begin_far_apart_are_not_marched_from_their_mean() -> None:
    assert _alike([20.0, 30.0, 21.5, 22.9]) == [[0, 2, 3], [1]]
    assert _alike([20.0, 22.0, 24.0]) == [[0, 1], [2]]
