import math

import numpy as np
import pytest

from ovenwright.analysis.uniformity import _back


@pytest.mark.parametrize(("cut_s", "expected"), [(400.0, 200.0), (230.0, math.inf)])
def test_recovery_counts_only_once_it_has_been_seen_to_last(cut_s: float, expected: float) -> None:
    t = np.arange(0.0, 500.0, 5.0)
    # out of tolerance from 50 s to 300 s after a door at 100 s, inside before and after
    inside = (t < 110.0) | (t >= 300.0)
    until = 100.0 + cut_s
    assert _back(t, inside, 100.0, min(until, float(t[-1]))) == expected
