"""Paths into JSON documents. Notation and its selectors: RFC 9535, sections 2.3 and 2.5."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.errors import OutOfRange, UsageError
from ovenwright.wire import json_path
from ovenwright.wire.json_path import Branch, bind, decode_path, find_leaves, look_up

# RFC 9535, figure 1: the bookstore, cut down to what is asked of it
STORE = {
    "store": {
        "book": [
            {"category": "reference", "author": "Nigel Rees", "price": 8.95},
            {"category": "fiction", "author": "Evelyn Waugh", "price": 12.99},
            {"category": "fiction", "author": "Herman Melville", "price": 8.99},
            {"category": "fiction", "author": "J. R. R. Tolkien", "price": 22.99},
        ],
        "bicycle": {"color": "red", "price": 399},
    }
}


@pytest.mark.parametrize(
    ("path", "expected"),
    [  # RFC 9535, table 2, those rows whose selectors we have
        (
            "$.store.book[*].author",
            ["Nigel Rees", "Evelyn Waugh", "Herman Melville", "J. R. R. Tolkien"],
        ),
        ("$['store']['bicycle']['price']", [399]),
        ("$.store.book[2].author", ["Herman Melville"]),
        ("$.store.book[-1].author", ["J. R. R. Tolkien"]),
        ("$.store.bicycle.*", ["red", 399]),
        ("$.store.book[7].author", []),
    ],
)
def test_rows_of_the_standard(path: str, expected: list[Any]) -> None:
    assert [leaf.value for leaf in find_leaves(STORE, decode_path(path))] == expected


def test_named_parts_keep_their_keys() -> None:
    leaves = find_leaves({"s": [{"t": [1, 2]}, {"t": [3]}]}, decode_path("s[*].t[{channel}]"))
    assert [(leaf.value, leaf.keys, leaf.place, leaf.count) for leaf in leaves] == [
        (1, (0, 0), 0, 2), (2, (0, 1), 0, 2), (3, (1, 0), 1, 2),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "steps"),
    [
        ("", ()),
        ("$", ()),
        ("value", ("value",)),
        ("a.b[0]", ("a", "b", 0)),
        ("['a b'].c", ("a b", "c")),
        ('["°C"]', ("°C",)),
        (r"['it\'s']", ("it's",)),
        (r"['a\\b']['\"']", ("a\\b", '"')),
        ("{channel}.v", (Branch("channel"), "v")),
        ("a.{channel}", ("a", Branch("channel"))),
        ("[{module}][*]", (Branch("module"), Branch())),
        ("*.x", (Branch(), "x")),
        ("temp-1_°", ("temp-1_°",)),
    ],
)
def test_notation(text: str, steps: tuple[Any, ...]) -> None:
    assert decode_path(text) == steps


@pytest.mark.parametrize("text", ["a..b", "a[", "a[x]", "a b", "{", "a.", ".", "[*", "a]", "a{b}"])
def test_what_is_no_path_is_told(text: str) -> None:
    with pytest.raises(UsageError, match="can't be read"):
        decode_path(text)


def test_a_path_is_tied_to_the_branches_of_the_value() -> None:
    value = decode_path("s[*].t[{channel}]")
    document = {"s": [{"ts": 5, "t": [1, 2]}, {"ts": 6, "t": [3, 4]}], "names": ["a", "b"]}
    times = bind(decode_path("s[*].ts"), value)
    names = bind(decode_path("names[{channel}]"), value)
    found = [
        (leaf.value, look_up(document, times, leaf.keys), look_up(document, names, leaf.keys))
        for leaf in find_leaves(document, value)
    ]
    assert found == [(1, 5, "a"), (2, 5, "b"), (3, 6, "a"), (4, 6, "b")]


def test_branches_without_a_partner_are_told() -> None:
    with pytest.raises(UsageError, match="branches where"):
        bind(decode_path("x[*]"), decode_path("t[{channel}]"))
    with pytest.raises(UsageError, match=r"has no \{module\}"):
        bind(decode_path("x.{module}"), decode_path("t[*]"))


def test_a_message_of_too_many_values_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(json_path, "MOST_LEAVES", 10)
    with pytest.raises(OutOfRange):
        find_leaves(list(range(11)), decode_path("[*]"))


@given(st.text(max_size=60))
def test_any_text_is_a_path_or_told(text: str) -> None:
    try:
        decode_path(text)
    except UsageError:
        return


@given(
    st.recursive(
        st.none() | st.integers() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from("abc"), inner, max_size=3)
        ),
        max_leaves=20,
    ),
    st.sampled_from(["a[*].b", "[*]", "*.*", "{channel}[0]", "a.{channel}.c[-1]", "[*][*][*]"]),
)
def test_any_document_may_be_walked(document: Any, path: str) -> None:
    steps = decode_path(path)
    for leaf in find_leaves(document, steps):
        assert look_up(document, bind(steps, steps), leaf.keys) == leaf.value or leaf.value is None
