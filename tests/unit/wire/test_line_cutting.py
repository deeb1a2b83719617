"""Whole lines out of pieces."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.errors import UsageError
from ovenwright.wire.line_cutting import LineCutter


def cut(pieces: list[bytes], encoding: str = "utf-8", longest: int = 20_000) -> list[str]:
    cutter = LineCutter(encoding=encoding, longest=longest)
    lines = [line for piece in pieces for line in cutter.feed(piece)]
    return lines + cutter.finish()


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_end_of_line(end: str) -> None:
    text = end.join(["a", "b", "", "c"]) + end
    assert cut([text.encode()]) == ["a", "b", "c"]
    assert cut([bytes([b]) for b in text.encode()]) == ["a", "b", "c"]


@given(st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\ufeff"), max_size=60), st.data())  # fmt: skip
def test_pieces_give_the_same_lines_as_the_whole(text: str, data: st.DataObject) -> None:
    raw = text.encode()
    places = sorted(data.draw(st.lists(st.integers(0, len(raw)), max_size=8)))
    ends = [0, *places, len(raw)]
    pieces = [raw[a:b] for a, b in pairwise(ends)]
    expected = [t for t in text.replace("\r\n", "\n").replace("\r", "\n").split("\n") if t]
    assert cut(pieces) == expected


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
def test_marks_and_encodings(encoding: str) -> None:
    raw = "T1 °C\nLüft\n".encode(encoding)
    given_as = "latin-1" if encoding == "latin-1" else "utf-8"
    assert cut([bytes([b]) for b in raw], given_as) == ["T1 °C", "Lüft"]


def test_broken_letters_do_not_stop_the_rest() -> None:
    assert cut([b"\xff\xfe\xfd"], "ascii")  # a mark of UTF-16 with half a letter
    assert cut([b"a\x80b\nc\n"]) == ["a\ufffdb", "c"]


def test_a_line_without_end_is_thrown_away_in_bounded_memory() -> None:
    cutter = LineCutter(longest=100)
    for _ in range(1_000):
        assert cutter.feed(b"x" * 1_000) == []
        assert len(cutter._rest) <= 100
    assert cutter.dropped == 1
    assert cutter.feed(b"x\nnext\n") == ["next"]
    assert cutter.feed(b"y" * 101 + b"\nz\n") == ["z"]
    assert cutter.dropped == 2


def test_an_unknown_encoding() -> None:
    with pytest.raises(UsageError, match="utf-9"):
        LineCutter(encoding="utf-9")


@given(st.lists(st.binary(max_size=40), max_size=10), st.sampled_from(["utf-8", "utf-16-le", "latin-1", "ascii", "cp1252"]))  # fmt: skip
def test_any_bytes_are_lines_of_bounded_length(pieces: list[bytes], encoding: str) -> None:
    lines = cut(pieces, encoding, longest=16)
    assert all(0 < len(line) <= 16 for line in lines)
    assert not any("\n" in line or "\r" in line for line in lines)
