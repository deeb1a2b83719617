"""The first rows of a file as they stand, beside which conclusions can be understood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ovenwright.storage.readings.headings import Heading
from ovenwright.storage.readings.opening import FileKind, kind_of, open_text
from ovenwright.storage.readings.table import Table

MOST_CELL = 60


@dataclass(frozen=True, slots=True)
class FirstRows:
    """The top of a file.

    ``columns`` are the names that channels and refusals use, ``headings`` what stands in the file,
    ``units`` the cells of a row of units, if there is one. ``rows`` are cells as text; ``lines``
    their 1-based lines, 0 where unknown. ``above`` are the lines over the table. When no table was
    found, ``columns`` is empty and each row holds one whole line.
    """

    file: str
    columns: tuple[str, ...]
    headings: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    above: tuple[str, ...] = ()
    sheets: tuple[str, ...] = ()


def _short(text: str) -> str:
    return text if len(text) <= MOST_CELL else text[: MOST_CELL - 1] + "…"


def first_rows(table: Table, headings: Sequence[Heading], *, rows: int = 12) -> FirstRows:
    """Return the top of a table."""
    shown = table.sample[:rows]
    return FirstRows(
        file=table.file,
        columns=tuple(h.name for h in headings),
        headings=tuple(_short(h.text) for h in headings),
        units=tuple(table.unit_cells or ()),
        rows=tuple(tuple(_short(c) for c in r) for r in shown),
        lines=tuple(table.line_of(i) for i in range(len(shown))),
        above=tuple(_short(line) for line in table.banner if line.strip())[:rows],
        sheets=table.sheets,
    )


def first_lines(path: Path, *, encoding: str = "", rows: int = 12) -> FirstRows:
    """Return the first lines of a file in which no table was found; none of a packed one.

    Raises
    ------
    ReadingsRefused : if it is no text
    """
    kind = kind_of(path)
    lines: list[str] = []
    if kind in {FileKind.TEXT, FileKind.GZIP}:
        source = open_text(path, gzipped=kind is FileKind.GZIP, encoding=encoding)
        lines = source.head.split("\n")[:rows]
    return FirstRows(
        path.name, (), (), (), tuple((_short(x),) for x in lines), tuple(range(1, len(lines) + 1))
    )
