"""Waits between tries, troubles told once, passwords from the environment."""

from __future__ import annotations

import pytest

from ovenwright.domain.live import NoticeKind
from ovenwright.errors import UsageError
from ovenwright.sources.back_off import BackOff
from ovenwright.sources.grumbles import Grumbles
from ovenwright.sources.secrets import read_secret

S = 1_000_000_000


def test_waits_grow_to_a_limit_and_begin_anew() -> None:
    waits = BackOff(first_s=1.0, most_s=20.0)
    first = [waits.next_s() for _ in range(40)]
    for i, (low, high) in enumerate(((0.75, 1), (1.5, 2), (3, 4), (6, 8), (12, 16), (15, 20))):
        assert low <= first[i] <= high
    assert all(15 <= w <= 20 for w in first[5:])
    waits.worked()
    assert waits.next_s() <= 1.0


def test_the_same_trouble_is_told_at_once_and_then_counted() -> None:
    told = Grumbles()
    assert len(told.tell(NoticeKind.REFUSED, "not JSON", 0)) == 1
    for t in range(1, 100):
        assert told.tell(NoticeKind.REFUSED, "not JSON", t * S // 10) == ()
    again = told.tell(NoticeKind.REFUSED, "not JSON", 10 * S)
    assert again[0].text == "not JSON (and 99 more like it)"
    assert len(told.tell(NoticeKind.REFUSED, "another", 10 * S)) == 1
    assert len(told.tell(NoticeKind.WAITING, "not JSON", 10 * S)) == 1


def test_a_flood_of_different_troubles_is_bounded() -> None:
    told = Grumbles()
    for i in range(10_000):
        told.tell(NoticeKind.REFUSED, f"trouble {i}", i)
    assert len(told._told) <= 256


def test_a_password_comes_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OVEN_SECRET", "rye")
    assert read_secret("OVEN_SECRET") == "rye"
    monkeypatch.delenv("OVEN_SECRET")
    with pytest.raises(UsageError, match="OVEN_SECRET is not set"):
        read_secret("OVEN_SECRET")
