"""The trail's chain, the waits, the rules for passwords: pure, so checked without a database."""

import hashlib
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.domain.people import (
    NAME,
    Change,
    Meaning,
    Role,
    change_hash,
    check_trail,
    password_fault,
    wait_after,
)


def chain(count: int) -> list[Change]:
    lines: list[Change] = []
    for i in range(1, count + 1):
        line = Change(i, i * 10**9, "anna", "engineer", f"did {i}", "run", "why", "here",
                      lines[-1].hash if lines else "")  # fmt: skip
        lines.append(replace(line, hash=change_hash(line)))
    return lines


def test_hash_is_sha256_over_lengths_and_fields() -> None:
    line = Change(1, 5, "ä", "", "b", "", "", "", "")
    words = b"1:1" + b"1:5" + b"2:\xc3\xa4" + b"0:" + b"1:b" + b"0:" * 4
    assert change_hash(line) == hashlib.sha256(words).hexdigest()


def test_whole_chain_is_intact() -> None:
    lines = chain(5)
    state = check_trail(lines)
    assert (state.intact, state.lines, state.head) == (True, 5, lines[-1].hash)
    assert check_trail([]).intact


SPOILERS: dict[str, Callable[[list[Change]], list[Change]]] = {
    "a word changed": lambda c: [*c[:2], replace(c[2], why="other"), *c[3:]],
    "a word changed and its hash made anew": lambda c: [
        *c[:2], replace(c[2], why="x", hash=change_hash(replace(c[2], why="x"))), *c[3:]],
    "a line taken out": lambda c: [*c[:2], *c[3:]],
    "a line taken out and the rest counted anew": lambda c: [
        *c[:2], *(replace(x, number=x.number - 1) for x in c[3:])],
    "two lines swapped": lambda c: [*c[:2], c[3], c[2], *c[4:]],
    "a line put in": lambda c: [*c[:3], replace(c[2], number=4), *c[3:]],
    "the first line taken away": lambda c: c[1:],
}  # fmt: skip


@pytest.mark.parametrize("how", SPOILERS)
def test_what_was_done_to_a_chain_shows(how: str) -> None:
    state = check_trail(SPOILERS[how](chain(6)))
    assert not state.intact
    assert 1 <= state.broken_at <= 4


@given(
    st.lists(st.text(max_size=6), min_size=2, max_size=2),
    st.lists(st.text(max_size=6), min_size=2, max_size=2),
)
def test_different_lines_have_different_hashes(one: list[str], two: list[str]) -> None:
    def made(words: list[str]) -> str:
        return change_hash(Change(1, 1, words[0], words[1], "", "", "", "", ""))

    assert (made(one) == made(two)) is (one == two)


def test_waits_double_and_end() -> None:
    waits = [wait_after(n, free=4, longest_s=300.0) for n in range(15)]
    assert waits[:5] == [0.0] * 5
    assert waits[5:10] == [1.0, 2.0, 4.0, 8.0, 16.0]
    assert waits[-1] == 300.0
    assert wait_after(10**6, free=4, longest_s=300.0) == 300.0


def test_roles_and_meanings() -> None:
    assert [r.title for r in Role] == ["nobody", "viewer", "operator", "engineer"]
    assert Role.titled("operator") is Role.OPERATOR
    for title in ("nobody", "root", ""):
        with pytest.raises(ValueError, match="no role"):
            Role.titled(title)
    assert {m: m.needs for m in Meaning} == {
        Meaning.CARRIED_OUT: Role.OPERATOR,
        Meaning.REVIEWED: Role.OPERATOR,
        Meaning.APPROVED: Role.ENGINEER,
        Meaning.DECLINED: Role.ENGINEER,
    }


@pytest.mark.parametrize("name", ["../x", "", "a", "A", "a b", "-ab", "a" * 41, "a\n", "ä1", "a/b"])
def test_no_name_is_a_path_or_a_trick(name: str) -> None:
    assert not NAME.fullmatch(name)


def test_password_rules_look_at_length_not_at_kinds() -> None:
    assert password_fault("alllowercaseletters", "vera") == ""
    assert password_fault("Ab1!Ab1!", "vera") != ""
    assert password_fault("x" * 11 + "yzuvw", "vera") == ""
