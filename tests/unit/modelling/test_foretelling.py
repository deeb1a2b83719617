"""A foretold change with its doubt ends where the body ends."""

from __future__ import annotations

import numpy as np

from ovenwright.modelling.foretelling import _doubted

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
