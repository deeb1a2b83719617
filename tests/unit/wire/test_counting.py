"""What an instrument's own count tells."""

import pytest

from ovenwright.wire.counting import Counted, CountWatch


@pytest.mark.parametrize(
    ("modulus", "numbers", "said"),
    [
        (None, [7, 8, 9], [(0, False, False)] * 3),
        (None, [7, 8, 11], [(0, False, False), (0, False, False), (2, False, False)]),
        (None, [7, 7], [(0, False, False), (0, True, False)]),
        (None, [7, 9, 8, 10], [(0, False, False), (1, False, False), (0, True, False), (0, False, False)]),
        (None, [5000, 0], [(0, False, False), (0, False, True)]),
        (None, [50, 1], [(0, False, False), (0, False, True)]),
        (256, [254, 255, 0, 1], [(0, False, False)] * 4),
        (256, [254, 1], [(0, False, False), (2, False, False)]),
        (256, [3, 2], [(0, False, False), (0, True, False)]),
    ],
)  # fmt: skip
def test_counts(
    modulus: int | None, numbers: list[int], said: list[tuple[int, bool, bool]]
) -> None:
    watch = CountWatch(modulus)
    assert [watch.note(n) for n in numbers] == [Counted(*s) for s in said]
