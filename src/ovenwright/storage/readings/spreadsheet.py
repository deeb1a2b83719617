"""Spreadsheets (XLSX, XLS, ODS): which sheet and where in it the table is."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import python_calamine

from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings.choices import Choices
from ovenwright.storage.readings.conclusions import Concluded
from ovenwright.storage.readings.grid import Grid, find_grid
from ovenwright.storage.readings.headings import read_headings
from ovenwright.storage.readings.table import Table
from ovenwright.storage.readings.weighing import OF_ONE_S_OWN, weigh_spreadsheet

_SAMPLE = 400


def open_spreadsheet(path: Path, choices: Choices) -> Table:
    """Find the table in a spreadsheet.

    Raises
    ------
    ReadingsRefused : if it can't be opened, has no such sheet, or none with readings
    """
    weigh_spreadsheet(path, OF_ONE_S_OWN)
    try:
        book = python_calamine.CalamineWorkbook.from_path(str(path))
    except Exception as cause:
        raise ReadingsRefused(
            f"can't be opened as a spreadsheet: {cause}; save it again as XLSX or delimited text",
            file=path.name,
        ) from cause
    names = list(book.sheet_names)
    if choices.sheet:
        match = [n for n in names if n.casefold() == choices.sheet.casefold()]
        if not match:
            raise ReadingsRefused(
                f"has no sheet {choices.sheet!r}; it has {', '.join(names)}",
                file=path.name,
                option="--sheet",
            )
        names = match
    header = choices.header_row - 1 if choices.header_row else None
    found: list[tuple[int, str, list[list[Any]], Grid]] = []
    for name in names:
        rows = _rows(book, name, path)
        grid = find_grid([[as_text(c) for c in r] for r in _head(rows, header)], header_row=header)
        if grid is not None and grid.score >= 0.4:
            found.append((len(rows) - grid.first, name, rows, grid))
    if not found:
        raise ReadingsRefused(
            f"no sheet holds a time column with readings (sheets: {', '.join(names)})",
            file=path.name,
            option="--sheet and --header-row",
        )
    # a sheet whose headings or cells speak of time is meant rather than a long list of others
    found.sort(key=lambda f: (not _timed(f[3]), -f[0]))
    found = [f for f in found if _timed(f[3])] or found
    _, name, rows, grid = found[0]
    table = SpreadsheetTable(path, name, rows, grid)
    table.sheets = tuple(book.sheet_names)
    if len(found) > 1:
        others = ", ".join(repr(f[1]) for f in found[1:])
        table.concluded.append(
            Concluded("sheet", repr(name), f"it has the most rows (not {others})", "--sheet")
        )
    else:
        table.concluded.append(
            Concluded("sheet", repr(name), "no other holds readings", "--sheet", certain=True)
        )
    return table


def _timed(grid: Grid) -> bool:
    return "T" in grid.classes or any(h.time_word for h in read_headings(grid.names))


def _rows(book: Any, name: str, path: Path) -> list[list[Any]]:
    try:
        rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
    except Exception as cause:
        if "worksheet" in str(cause).lower() or "sheet" in type(cause).__name__.lower():
            return []
        raise ReadingsRefused(f"sheet {name!r} can't be read: {cause}", file=path.name) from cause
    return list(rows)


def _head(rows: Sequence[list[Any]], header: int | None) -> Sequence[list[Any]]:
    """Return the rows that show where the table is; a long foreword is looked through to its end."""
    if header is not None:
        return rows[: header + _SAMPLE]
    filled = [sum(c != "" for c in r) for r in rows]
    usual = int(np.median([f for f in filled if f >= 2] or [0]))
    begin = next((i for i, f in enumerate(filled) if f >= max(2, usual - 1)), 0)
    return rows[: begin + _SAMPLE]


def as_text(cell: Any) -> str:
    """Return a cell as delimited text would hold it; numbers keep every digit."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, dt.datetime):
        return cell.isoformat(sep=" ")
    if isinstance(cell, dt.timedelta):
        micro = cell // dt.timedelta(microseconds=1)
        sign, micro = ("-" if micro < 0 else ""), abs(micro)
        seconds, rest = divmod(micro, 1_000_000)
        text = f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
        return f"{text}.{rest:06d}" if rest else text
    return str(cell)


class SpreadsheetTable(Table):
    """A table in a sheet, already in memory."""

    def __init__(self, path: Path, sheet: str, rows: Sequence[list[Any]], grid: Grid) -> None:
        super().__init__(
            file=path.name,
            names=grid.names,
            unit_cells=grid.unit_cells,
            banner=[" ".join(as_text(c) for c in r if c != "") for r in rows[: grid.above][:400]],
            classes=grid.classes,
        )
        self.sheet = sheet
        self._first = grid.first
        self._kept = [i for i, r in enumerate(rows) if i >= grid.first and any(c != "" for c in r)]
        self._rows = rows
        self.sample = [[as_text(c) for c in rows[i]] for i in self._kept[:_SAMPLE]]

    def batches(self, columns: Sequence[int]) -> Iterator[list[pa.Array[Any]]]:
        """Yield the wanted columns: numbers where all cells are, else text."""
        yield [self._array(k) for k in columns]

    def _array(self, k: int) -> pa.Array[Any]:
        cells = [self._rows[i][k] for i in self._kept]
        if all(isinstance(c, float) or c == "" for c in cells):
            return pa.array([None if c == "" else c for c in cells], pa.float64())
        return pa.array([as_text(c) or None for c in cells], pa.string())

    def line_of(self, row: int) -> int:
        """Return the sheet's own row number."""
        return self._kept[row] + 1 if 0 <= row < len(self._kept) else 0
