"""How often a like run lies outside the range of others by chance alone."""

from itertools import permutations

import numpy as np
import pytest

from ovenwright.analysis.standing import stand
from ovenwright.domain.results import Unit
from ovenwright.domain.standing import Outline, OutlinedChannel, OutlinedMeasure

GRID = np.arange(4.0)


def outlined(name: str, value: float) -> Outline:
    channel = OutlinedChannel("core", "core", np.full(4, value), np.full(4, 0.1))
    measure = OutlinedMeasure("end", "core", Unit.CELSIUS, value, 0.1)
    return Outline(name, 4.0, (channel,), (measure,))


@pytest.mark.parametrize("others", [2, 3, 4, 5])
def test_chance_of_lying_outside_a_range(others: int) -> None:
    """Wilks 1941: the range of n values covers (n - 1)/(n + 1) of their distribution on average.

    Counted here over every order in which n + 1 different values can be drawn.
    """
    outside = total = 0
    for order in permutations(range(others + 1)):
        this, *rest = (outlined(str(v), 90.0 + v) for v in order)
        found = stand(this, rest, GRID)
        outside += found.measures[0].outside
        total += 1
    assert found.by_chance == pytest.approx(1 - (others - 1) / (others + 1))
    assert outside / total == pytest.approx(found.by_chance)
