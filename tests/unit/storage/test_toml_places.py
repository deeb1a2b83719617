"""Lines of keys, against a hand-counted text and every path the standard reader finds."""

from __future__ import annotations

import tomllib
from typing import Any

import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.storage.toml_places import KeyPath, key_lines, line_of

TEXT = '''\
title = "a # no comment"  # a comment
text = """
[not.a.table]
x = 1
"""
raw = \'\'\'
[[neither]]\'\'\'
a.b."c d" = 1

[site]
"alt\\u0069tude_m" = 3
list = [
  1,
  { x = 1, y = [2,
    3] },  # last
]

[[channels]]
name = "one"
place = { lane = "left", zone = "z] , }" }
[channels.certificate]
points = [
  { at_c = 0.0 },
  { at_c = 100.0 },
]

[[channels]]
name = "two"
[[channels.sub]]
k = 1
[[channels.sub]]
k = 2
[ oven . "inner" ]
when = 2026-01-02 03:04:05
[oven]
kind = 'x'
'''


def test_hand_counted_lines() -> None:
    lines = key_lines(TEXT)
    expected: dict[KeyPath, int] = {
        (): 1,
        ("title",): 1,
        ("text",): 2,
        ("raw",): 6,
        ("a",): 8,
        ("a", "b", "c d"): 8,
        ("site",): 10,
        ("site", "altitude_m"): 11,
        ("site", "list", 0): 13,
        ("site", "list", 1, "y", 1): 15,
        ("channels",): 18,
        ("channels", 0): 18,
        ("channels", 0, "place", "zone"): 20,
        ("channels", 0, "certificate"): 21,
        ("channels", 0, "certificate", "points", 1, "at_c"): 24,
        ("channels", 1): 27,
        ("channels", 1, "name"): 28,
        ("channels", 1, "sub", 0, "k"): 30,
        ("channels", 1, "sub", 1, "k"): 32,
        ("oven", "inner", "when"): 34,
        ("oven",): 35,
        ("oven", "kind"): 36,
    }
    assert {path: lines.get(path) for path in expected} == expected


def test_windows_line_ends_count_once() -> None:
    assert key_lines("a = 1\r\nb = 2\r\n[c]\r\nd = 3\r\n")["c", "d"] == 4


def test_missing_key_stands_at_its_table() -> None:
    lines = key_lines(TEXT)
    assert line_of(lines, ("channels", 1, "sensor")) == 27
    assert line_of(lines, ("product", "name")) == 1


def _paths(value: Any, path: KeyPath = ()) -> set[KeyPath]:
    found = {path}
    items = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    for key, child in items:
        found |= _paths(child, (*path, key))
    return found


_KEYS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=5)
_TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12)
_VALUES = st.recursive(
    st.integers(-5, 5) | st.booleans() | st.floats() | _TEXTS | st.dates() | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_KEYS, inner, max_size=3),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(
    data=st.dictionaries(_KEYS, _VALUES, max_size=4),
    long=st.booleans(),
)
def test_every_path_of_any_document_has_a_line(data: dict[str, Any], long: bool) -> None:
    text = tomli_w.dumps(data, multiline_strings=long)
    read = tomllib.loads(text)
    lines = key_lines(text)
    assert _paths(read) <= set(lines)
    last = text.count("\n") + 1
    assert all(1 <= line <= last for line in lines.values())
