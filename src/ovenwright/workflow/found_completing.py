"""Complete an [[instruments]] table in a plan's text: lines are added, no word of it is changed.

Where the new lines go is tried out and read back: a place counts only if the text then says exactly
what it said before and the addition. So comments, order and spacing of the author stay, and an odd
way of writing is refused rather than spoilt.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import tomli_w

from ovenwright.errors import UsageError
from ovenwright.storage.toml_places import KeyPath, key_lines

_FURTHER = 40  # lines past the last key at which a value of many lines may end
_MOST_TRIED = 2_000

Addition = Mapping[str, str] | Sequence[Mapping[str, Any]]
"""Lines for a ``channels`` table, or rows for ``registers``, ``nodes`` or ``fields``."""


def complete(text: str, at: int, key: str, addition: Addition, *, note: str = "") -> str:
    """Return a plan's text with an instrument's table completed.

    Parameters
    ----------
    text : the plan, with line ends of one letter
    at : which of the plan's instruments, counted from 0
    key : what is completed: ``channels``, ``registers``, ``nodes`` or ``fields``
    addition : what is added
    note : a comment for the new lines, where they stand on lines of their own

    Raises
    ------
    UsageError : if no place for it can be found
    """
    wanted = copy.deepcopy(tomllib.loads(text))
    table = wanted["instruments"][at]
    lines = key_lines(text)
    path: KeyPath = ("instruments", at, key)
    if isinstance(addition, Mapping):
        table[key] = {**table[key], **addition}
        forms = _mapping_forms(text, lines, path, addition, note)
    else:
        table[key] = [*table[key], *map(dict, addition)]
        forms = _row_forms(text, lines, path, addition, note)
    for tried, new in enumerate(forms):
        try:
            if tomllib.loads(new) == wanted:
                return new
        except tomllib.TOMLDecodeError:
            pass
        if tried > _MOST_TRIED:
            break
    raise UsageError(
        f"there is no place in the plan's text to add to {key} of instrument {at + 1} by itself",
        where=f"line {lines.get(path, 1)}",
        remedy="add by hand: " + "; ".join(_shown(addition)),
    )


def _shown(addition: Addition) -> list[str]:
    rows: Iterable[Mapping[str, Any]] = (
        [{k: v} for k, v in addition.items()] if isinstance(addition, Mapping) else addition
    )
    return [_inline(row) for row in rows]


def _pairs(row: Mapping[str, Any]) -> list[str]:
    return [tomli_w.dumps({k: v}).strip() for k, v in row.items()]


def _inline(row: Mapping[str, Any]) -> str:
    return "{ " + ", ".join(_pairs(row)) + " }"


def _below(lines: Mapping[KeyPath, int], path: KeyPath) -> list[int]:
    return [line for p, line in lines.items() if p[: len(path)] == path]


def _after_line(text: str, line: int, new: str) -> str:
    rows = text.split("\n")
    return "\n".join([*rows[:line], *new.split("\n"), *rows[line:]])


def _indent(text: str, line: int) -> str:
    row = text.split("\n")[line - 1]
    return row[: len(row) - len(row.lstrip(" \t"))]


def _mapping_forms(
    text: str, lines: Mapping[KeyPath, int], path: KeyPath, addition: Mapping[str, str], note: str
) -> Iterator[str]:
    """Try a table of its own, dotted keys, and a table in one line."""
    last = max(_below(lines, path), default=0)
    if not last:
        return
    indent = _indent(text, last)
    for before in ("", f"{path[-1]}."):
        block = [f"{indent}{before}{pair}" for pair in _pairs(addition)]
        if note:
            block.insert(0, f"{indent}# {note}")
        for line in range(last, last + _FURTHER):
            yield _after_line(text, line, "\n".join(block))
    more = ", ".join(_pairs(addition))
    for head, tail in _cuts(text, lines[path], "}"):
        kept = head.rstrip(" ")
        yield f"{kept}, {more}{head[len(kept) :]}{tail}"


def _row_forms(
    text: str,
    lines: Mapping[KeyPath, int],
    path: KeyPath,
    addition: Sequence[Mapping[str, Any]],
    note: str,
) -> Iterator[str]:
    """Try tables of their own, and a list of tables in braces over one or many lines."""
    below = _below(lines, path)
    if not below:
        return
    header = f"[[{path[0]}.{path[-1]}]]"
    pieces = [
        "\n".join(["", *([f"# {note}"] if note and not i else []), header, *_pairs(row)])
        for i, row in enumerate(addition)
    ]
    for line in range(max(below), max(below) + _FURTHER):
        yield _after_line(text, line, "\n".join(pieces))
    first = max((line for p, line in lines.items() if len(p) == len(path) + 1 and p[: len(path)] == path), default=0)  # fmt: skip
    indent = _indent(text, first) if first > lines[path] else ""
    rows = [_inline(row) for row in addition]
    for head, tail in _cuts(text, lines[path], "]"):
        kept = head.rstrip(" \t\n")
        gap = head[len(kept) :]
        if "\n" in gap:
            joined = f"\n{indent}" + f",\n{indent}".join(rows)
            yield f"{kept},{joined},{gap}{tail}"
            yield f"{kept}{joined},{gap}{tail}"
            yield f"{kept}\n{indent}, " + f",\n{indent}".join(rows) + f"{gap}{tail}"
        else:
            joined = ", ".join(rows)
            yield f"{kept}, {joined}{gap}{tail}"
            yield f"{kept} {joined}{gap}{tail}"


def _cuts(text: str, line: int, mark: str) -> Iterator[tuple[str, str]]:
    """Cut the text before each mark from a line on."""
    at = sum(len(row) + 1 for row in text.split("\n")[: line - 1])
    while (at := text.find(mark, at)) >= 0:
        yield text[:at], text[at:]
        at += 1
