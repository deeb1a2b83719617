"""What every verb shows with: tables of at most 80 columns, JSON, errors, progress."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from ovenwright.errors import OvenwrightError

WIDTH = 80
_fahrenheit = ContextVar("fahrenheit", default=False)
LONGEST_WORD = 14  # longer ones, such as digests and run ids, may be broken


def _plain(value: Any) -> Any:
    """Return ``value`` as JSON knows it; NaN and infinities become null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if hasattr(value, "item"):
        return _plain(value.item())
    return value


def emit_json(facts: Mapping[str, Any]) -> None:
    """Print one JSON object on standard output."""
    print(json.dumps(_plain(facts), ensure_ascii=False, allow_nan=False))


def speak_in(unit: str) -> None:
    """Say what follows in ``C`` or ``F``; JSON stays in °C."""
    _fahrenheit.set(unit == "F")


def worded(text: str) -> str:
    """Return prose in the unit that is spoken."""
    if not _fahrenheit.get():
        return text
    from ovenwright.reporting.degrees import in_fahrenheit

    return in_fahrenheit(text)


def show_table(
    title: str,
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    right: Sequence[int] = (),
    whole: Sequence[int] = (),
) -> None:
    """Print a table that fits 80 columns.

    The columns numbered in ``right`` are right-aligned, those in ``whole`` are never wrapped.
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    title, columns = worded(title), [worded(name) for name in columns]
    rows = [[worded(str(cell)) for cell in row] for row in rows]
    table = Table(
        title=title, title_justify="left", box=box.SIMPLE_HEAD, width=None, padding=(0, 1)
    )
    for i, name in enumerate(columns):
        table.add_column(
            name,
            justify="right" if i in right else "left",
            overflow="fold",
            no_wrap=i in whole,
            min_width=_longest_word([name, *(row[i] for row in rows)]),
        )
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    Console(width=WIDTH if not sys.stdout.isatty() else None, highlight=False).print(table)


def _longest_word(cells: Sequence[str]) -> int:
    """Return the width that breaks no word of a column, unless the word is very long."""
    words = [len(word) for cell in cells for word in cell.split()]
    return min(max(words, default=1), LONGEST_WORD)


def say(text: str = "") -> None:
    """Print text wrapped at 80 columns."""
    from rich.console import Console
    from rich.text import Text

    Console(width=WIDTH, highlight=False).print(Text(worded(text)))


def show_error(trouble: OvenwrightError, *, as_json: bool) -> None:
    """Tell what went wrong: on standard error for people, as JSON on standard output."""
    if as_json:
        emit_json(trouble.facts())
    print(f"ovenwright: {worded(str(trouble))}", file=sys.stderr)


@contextmanager
def progress(label: str, *, quiet: bool = False) -> Iterator[None]:
    """Show that long work is going on; silent where nobody watches."""
    if quiet or not sys.stderr.isatty():
        yield
        return
    from rich.console import Console

    with Console(stderr=True).status(label):
        yield
