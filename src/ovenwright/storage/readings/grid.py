"""Find the table inside a file: where the headings stand, where the readings begin."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from ovenwright.storage.readings.headings import (
    is_sensor_cell,
    is_unit_cell,
    temperature_unit,
    time_unit,
)
from ovenwright.storage.readings.numbers import (
    CellKind,
    NumberStyle,
    read_cell,
)

_CLOCK = (
    r"\d{1,4}:\d{2}(?::\d{2})?(?:[.,:]\d{1,9})?(?:\s*[AaPp]\.?\s?[Mm]\.?)?"
    r"|\d{1,2}\.\d{2}\.\d{2}(?:,\d{1,9})?"
)
_DATE = (
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.](?:\d{4}|\d{2})"
    r"|\d{1,2}[-/. ]+[A-Za-zäéûç]{3,9}\.?[-/., ]+(?:\d{4}|\d{2})"
    r"|[A-Za-zäéûç]{3,9}\.?\s+\d{1,2}(?:st|nd|rd|th)?,?\s+\d{4}"
)
_ZONE = r"\s*(?:Z|[A-Z]{3,4}|[-+]\d{2}:?(?:\d{2})?)?(?:\[[A-Za-z_/+-]+\])?"
_TIME_LIKE = re.compile(
    rf"^\s*(?:[A-Za-z]{{2,9}}\.?,?\s+)?(?:(?:{_DATE})(?:(?:T|\s*,?\s|_|-)\s*(?:{_CLOCK}))?{_ZONE}"
    rf"|(?:{_CLOCK})\s*,?\s+(?:{_DATE})|[A-Za-z]{{3,9}}\s+\d{{1,2}}\s+(?:{_CLOCK}){_ZONE}\s+\d{{4}}|[-+]?(?:\d+\s*(?:d|days?|\.)\s*,?\s*)?(?:{_CLOCK}){_ZONE}"
    r"|[-+]?\d+(?:[.,]\d+)?\s*(?:ms|s|sec|min|h)"
    r"|\d{8}[T _-]\d{4,6}(?:\.\d+)?Z?|\d{14}(?:\.\d+)?)\s*$"
)
_PLAIN = re.compile(r"^\s*[-+]?\d+(?:[.,]\d+)?\s*$")
_STAMP = re.compile(r"^\s*(?:19|20)\d{12}\s*$")
_STYLES = (NumberStyle("."), NumberStyle(","))


def cell_class(text: str) -> str:
    """Return N for a number, T for a time or date, M for no reading, X for other text."""
    if not text.strip():
        return "M"
    if _PLAIN.match(text) and not _STAMP.match(text):
        return "N"
    if _TIME_LIKE.match(text):
        return "T"
    kinds = {read_cell(text, style).kind for style in _STYLES}
    if CellKind.NUMBER in kinds or CellKind.DOUBTFUL in kinds:
        return "N"
    if CellKind.UNKNOWN in kinds and len(kinds) == 1:
        return "X"
    return "M"


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the table is; rows are counted from 0 over the sample's rows.

    ``first`` is the first row of readings. ``heading`` and ``units`` are rows or None. ``score``
    says how much of the sample it explains, 0 to 1.
    """

    columns: int
    first: int
    heading: int | None
    units: int | None
    score: float
    classes: tuple[str, ...] = ()
    ragged: bool = False
    names: tuple[str, ...] = field(default=())
    unit_cells: tuple[str, ...] | None = None

    @property
    def above(self) -> int:
        """Row at which the table begins, its headings included."""
        return min(r for r in (self.heading, self.units, self.first) if r is not None)


def find_grid(rows: Sequence[Sequence[str]], *, header_row: int | None = None) -> Grid | None:
    """Find the table in the first rows of a file, split into cells one way.

    Parameters
    ----------
    rows : cells of each line, an empty list for an empty line
    header_row : row of the headings where a person gave it

    Returns
    -------
    the table, or None where these cells hold none
    """
    begin = 0 if header_row is None else header_row + 1
    widths = Counter(len(r) for r in rows[begin:] if len(r) >= 2)
    best: Grid | None = None
    for width, _ in widths.most_common(3):
        grid = _grid_of(rows, width, begin)
        if grid is not None and (best is None or grid.score > best.score):
            best = grid
    if best is None:
        return None
    return _with_headings(rows, best, header_row)


def _grid_of(rows: Sequence[Sequence[str]], width: int, begin: int) -> Grid | None:
    classed = {
        i: [cell_class(c) for c in r] for i, r in enumerate(rows) if i >= begin and len(r) == width
    }
    later = list(classed.items())
    later = later[2 * len(later) // 3 :]
    modal = tuple(
        # of two rows that differ the lower one is a reading
        Counter(c[k] for _, c in reversed(later) if c[k] != "M").most_common(1)[0][0]
        if any(c[k] != "M" for _, c in later)
        else "M"
        for k in range(width)
    )
    telling = [k for k in range(width) if modal[k] in "NT"]
    if not telling:
        return None
    first_telling = telling[0]
    fits = [
        i
        for i, c in classed.items()
        if c[first_telling] == modal[first_telling]
        and all(c[k] in (modal[k], "M", "N") or modal[k] == "X" for k in telling)
        and sum(c[k] == "X" for k in telling) == 0
    ]
    if not fits:
        return None
    first = fits[0]
    below = [r for r in rows[first:] if any(c.strip() for c in r)]
    explained = len(fits) / max(1, len(below))
    sure = len(telling) / max(1, sum(m != "M" for m in modal))
    return Grid(width, first, None, None, explained * (0.4 + 0.6 * sure), modal)


def _with_headings(rows: Sequence[Sequence[str]], grid: Grid, header_row: int | None) -> Grid:
    heading: int | None = None
    units: int | None = None
    if header_row is not None:
        heading = header_row
        between = [i for i in range(header_row + 1, grid.first) if any(c.strip() for c in rows[i])]
        units = next((i for i in between if _is_units(rows[i])), None)
    else:
        above = [i for i in range(grid.first - 1, -1, -1) if any(c.strip() for c in rows[i])]
        for i in above[:4]:
            row = rows[i]
            if not _is_wide(row, grid):
                break
            if units is None and _is_units(row):
                units = i
                continue
            if _is_sensors(row):
                continue
            if any(cell_class(c) in "XT" or is_unit_cell(c) for c in row) or units is not None:
                heading = i
            break
        if heading is None and units is not None and not _only_units(rows[units]):
            heading, units = units, None
    names = _fit(rows[heading], grid) if heading is not None else [""] * grid.columns
    if heading is not None and header_row is None and not all(names):
        names = _with_row_above(rows, heading, names, grid)
    cells = tuple(_fit(rows[units], grid)) if units is not None else None
    return Grid(
        grid.columns,
        grid.first,
        heading,
        units,
        grid.score,
        grid.classes,
        heading is not None and _width(rows[heading]) > grid.columns,
        tuple(names),
        cells,
    )


def _with_row_above(
    rows: Sequence[Sequence[str]], heading: int, names: list[str], grid: Grid
) -> list[str]:
    """Complete headings that leave cells empty by the row above, where that has them all."""
    above = next((rows[i] for i in range(heading - 1, -1, -1) if any(rows[i])), None)
    if above is None or not _is_wide(above, grid):
        return names
    upper = _fit(above, grid)
    if not all(upper) or not any(cell_class(c) == "X" for c in upper):
        return names
    return [" ".join(w for w in pair if w) for pair in zip(upper, names, strict=True)]


def _width(row: Sequence[str]) -> int:
    """Return how many cells a row has up to the last filled one."""
    return max((k + 1 for k, c in enumerate(row) if c.strip()), default=0)


def _is_wide(row: Sequence[str], grid: Grid) -> bool:
    filled = sum(bool(c.strip()) for c in row)
    return _width(row) >= 2 and len(row) >= grid.columns - 2 and filled * 2 >= grid.columns


def _fit(row: Sequence[str], grid: Grid) -> list[str]:
    cells = [c.strip() for c in row[: grid.columns]]
    return cells + [""] * (grid.columns - len(cells))


def _is_units(row: Sequence[str]) -> bool:
    filled = [c for c in row if c.strip()]
    known = sum(is_unit_cell(c) for c in filled)
    time_words = sum(
        c.strip().lower().strip("()[]") in {"time", "date", "hh:mm:ss", "yyyy-mm-dd", "dd.mm.yyyy"}
        for c in filled
    )
    return bool(filled) and known >= 1 and (known + time_words) * 2 > len(filled)


def _only_units(row: Sequence[str]) -> bool:
    """Say whether a row can be nothing but units; K and J alone may be names of channels."""
    filled = [c.strip() for c in row if c.strip()]
    return all(is_unit_cell(c) for c in filled) and (
        bool(time_unit(filled[0])) or any(len(c) > 1 and temperature_unit(c) for c in filled)
    )


def _is_sensors(row: Sequence[str]) -> bool:
    filled = [c for c in row if c.strip()]
    known = sum(is_sensor_cell(c) for c in filled)
    return known >= 1 and known * 2 > len(filled)
