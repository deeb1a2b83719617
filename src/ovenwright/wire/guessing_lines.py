"""Lines of unknown meaning to a mapping that a plan could use; for a person to confirm."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ovenwright.domain.sources.lines import TextMapping
from ovenwright.wire.reading_words import decode_time
from ovenwright.wire.text_lines import TextReader

ITEMS = (
    "{channel}={value}{unit}",
    "{channel}:{value}{unit}",
    "{channel}: {value}{unit}",
    "{channel} {value}{unit}",
)
_STAMP = re.compile(
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:?\d\d)?|\d{10,19}(?:\.\d+)?"
)
_NAME = re.compile(r"[^\W\d]\w*(?:[ .-]\w+)*")
_KEPT = 6


@dataclass(frozen=True, slots=True)
class LineGuess:
    """How lines could be read.

    ``text`` is a plan's ``text`` table as plain data, ``keys`` the instrument's own names it finds,
    ``values`` what the last line gave for each.
    """

    text: Mapping[str, Any] = field(default_factory=dict)
    keys: tuple[str, ...] = ()
    values: tuple[float, ...] = ()


def guess_lines(lines: Sequence[str]) -> LineGuess:
    """Return how lines could be read; empty where nothing fits all of them.

    Parameters
    ----------
    lines : whole lines; the last six are looked at
    """
    lines = [t for t in lines if t.strip()][-_KEPT:]
    if not lines:
        return LineGuess()
    found = [g for item in ITEMS if (g := _by_item(lines, item)).keys]
    # a name beside the number says more than its place
    return max(found, key=lambda g: len(g.keys)) if found else _by_columns(lines)


def _by_item(lines: Sequence[str], item: str) -> LineGuess:
    text: dict[str, Any] = {"item": item}
    stamp = _STAMP.match(lines[0].lstrip())
    if stamp is not None and decode_time(stamp[0]) is not None:
        text["line"] = "{time}" + lines[0].lstrip()[stamp.end() :][:1]
    reader = TextReader(TextMapping.model_validate(text | {"comment": ""}), {})
    said = [reader.decode(line, received_ns=0).readings for line in lines]
    names = [tuple(r.channel for r in readings) for readings in said]
    first = names[0]
    if not first or len(set(first)) < len(first) or any(n != first for n in names):
        return LineGuess()
    counted = item.startswith("{channel}=") and all(n.isdigit() for n in first)
    if not counted and not all(_NAME.fullmatch(n) for n in first):
        return LineGuess()
    values = tuple(r.value for r in said[-1])
    return LineGuess(text, first, values) if any(map(math.isfinite, values)) else LineGuess()


def _by_columns(lines: Sequence[str]) -> LineGuess:
    for decimal in (".", ","):
        reader = TextReader(TextMapping(columns=("a",), decimal=decimal), {})
        rows = [reader.cells(line) for line in lines]
        if len({len(row) for row in rows}) != 1:
            continue
        columns: list[str] = []
        values: list[float] = []
        for i, cells in enumerate(zip(*rows, strict=True)):
            numbers = [_number(c, decimal) for c in cells]
            if all(decode_time(c) is not None for c in cells) and "time" not in columns:
                columns.append("time")
            elif all(math.isfinite(n) for n in numbers):
                columns.append(f"column {i + 1}")
                values.append(numbers[-1])
            else:
                columns.append("")
        keys = tuple(c for c in columns if c.startswith("column "))
        if keys:
            text: dict[str, Any] = {"columns": columns}
            if decimal == ",":
                text["decimal"] = ","
            return LineGuess(text, keys, tuple(values))
    return LineGuess()


def _number(cell: str, decimal: str) -> float:
    try:
        return float(cell.replace(",", ".") if decimal == "," else cell)
    except ValueError:
        return math.nan
