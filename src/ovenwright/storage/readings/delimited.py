"""Delimited text: which sign parts the cells, where the table is, and its columns in batches."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import IO, Any

import pyarrow as pa
import pyarrow.csv as pacsv

from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings.choices import Choices
from ovenwright.storage.readings.conclusions import Concluded
from ovenwright.storage.readings.grid import Grid, cell_class, find_grid
from ovenwright.storage.readings.mending import Mended, split_line
from ovenwright.storage.readings.opening import TextSource
from ovenwright.storage.readings.table import ReadAgain, Table

BLOCK_BYTES = 1 << 23
WINDOW = 80
TAIL = 40
_MOST_HEADING_LINES = 6
_NAMED = {
    "comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t", "pipe": "|", "space": " ",
    "spaces": " ", "whitespace": " ",
}  # fmt: skip
_SAID = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe", " ": "spaces"}


def open_delimited(source: TextSource, choices: Choices) -> Table:
    """Find the table in a text file.

    Raises
    ------
    ReadingsRefused : if there is none, with what was looked for and the option that helps
    """
    lines = source.head.split("\n")
    if not source.complete:
        lines = lines[:-1]  # the last one is cut by the sample's end
    lines = _whole_lines(lines)
    given = ""
    if choices.delimiter:
        given = _NAMED.get(choices.delimiter.lower(), choices.delimiter)
        if len(given) != 1:
            raise ReadingsRefused(
                f"{choices.delimiter!r} is no delimiter",
                file=source.path.name,
                option="--delimiter comma, semicolon, tab, pipe or space",
            )
    header = choices.header_row - 1 if choices.header_row else None
    if header is not None and header >= len(lines):
        raise ReadingsRefused(
            f"has no line {choices.header_row}", file=source.path.name, option="--header-row"
        )
    delimiter, grid = _find(lines, given, header)
    if grid is None or grid.score < 0.2:
        raise _no_table(source, lines, given)
    if delimiter == " ":
        grid = _space_headings(lines, grid)
    _refuse_comma_in_both(source, lines, delimiter, grid)
    _refuse_change(source, lines, delimiter, grid)
    concluded = [
        Concluded(
            "encoding",
            source.encoding,
            source.why,
            "--encoding",
            certain=source.given or source.encoding not in {"cp1252", "latin-1"},
        ),
        Concluded(
            "delimiter",
            _SAID.get(delimiter, delimiter),
            "it was given" if given else "it splits the lines into a table",
            "--delimiter",
            certain=True,
        ),
    ]
    table = DelimitedTable(source, delimiter, grid, lines)
    table.concluded.extend(concluded)
    above = split_line(lines[grid.heading], delimiter) if grid.heading is not None else []
    bare = [c.strip() for c in above[grid.columns :] if c.strip()] if grid.ragged else []
    if bare:
        table.notes.append(f"headings without a column below them: {', '.join(bare)}")
    if grid.heading is None:
        table.notes.append(
            f"no headings stand above the first readings in line {grid.first + 1}: the columns "
            "are called by number (--header-row overrules)"
        )
    return table


def _whole_lines(lines: Sequence[str]) -> list[str]:
    """Join lines that a quoted heading runs over; each keeps the place of its last one."""
    whole: list[str] = []
    open_from: int | None = None
    for i, line in enumerate(lines):
        whole.append(line)
        if line.count('"') % 2 == 0:
            continue
        if open_from is None:
            open_from = i
        else:
            joined = " ".join(lines[open_from : i + 1])
            whole[open_from:i] = [""] * (i - open_from)
            whole[i] = joined
            open_from = None
        if open_from is not None and i - open_from > _MOST_HEADING_LINES:
            return list(lines)
    return whole


def _find(lines: Sequence[str], given: str, header: int | None) -> tuple[str, Grid | None]:
    best: tuple[float, int, str, Grid] | None = None
    for rank, mark in enumerate(given or "\t;|,"):
        grid = _grid(lines, mark, header)
        if grid is not None and (best is None or (grid.score, -rank) > best[:2]):
            best = (grid.score, -rank, mark, grid)
    if not given and (best is None or best[0] < 0.5):
        grid = _grid(lines, " ", header)
        if grid is not None and (best is None or grid.score > best[0]):
            best = (grid.score, -9, " ", grid)
    return (given, None) if best is None else (best[2], best[3])


def _grid(lines: Sequence[str], mark: str, header: int | None) -> Grid | None:
    """Look at the lines where the table's width begins and at the last ones; else at all of them.

    What the columns hold is judged by the last lines: a foreword may be longer than the table.
    """
    counts = [
        len(split_line(x, mark)) if mark == " " or '"' in x else x.count(mark) + 1 for x in lines
    ]
    tail = max(0, len(lines) - TAIL)
    wide = [c for c in counts[tail:] if c >= 2] or [c for c in counts if c >= 2]
    if not wide:
        return None
    usual = max(set(wide), key=wide.count)
    begin = max(0, next(i for i, c in enumerate(counts) if c == usual) - 8)
    if header is not None:
        begin = min(begin, header)
    end = begin + WINDOW
    shown = [
        split_line(x, mark) if begin <= i < end or i >= tail else [] for i, x in enumerate(lines)
    ]
    grid = find_grid(shown, header_row=header)
    if grid is not None and grid.score > 0.5 and (grid.first < end or tail <= end):
        return grid
    return find_grid([split_line(x, mark) for x in lines], header_row=header) or grid


def _space_headings(lines: Sequence[str], grid: Grid) -> Grid:
    """Split headings that hold spaces themselves, and let one cover date and time."""
    if grid.heading is None:
        return grid
    line = lines[grid.heading].strip()
    line = line[1:].strip() if line.startswith("#") else line
    pair = grid.classes[:2] == ("T", "T")
    for cells in (re.split(r"\s{2,}|\t", line), _merge_brackets(line.split()), line.split()):
        if len(cells) == grid.columns:
            return replace(grid, names=tuple(cells), ragged=False)
        if pair and len(cells) == grid.columns - 1:
            return replace(grid, names=(cells[0], f"{cells[0]} of day", *cells[1:]), ragged=False)
    return grid


def _merge_brackets(cells: Sequence[str]) -> list[str]:
    merged: list[str] = []
    for cell in cells:
        if merged and (cell[0] in "([" or merged[-1].count("(") > merged[-1].count(")")):
            merged[-1] += f" {cell}"
        else:
            merged.append(cell)
    return merged


def _no_table(source: TextSource, lines: Sequence[str], given: str) -> ReadingsRefused:
    for i, line in enumerate(lines):
        if sum(c.isdigit() for c in line) > 3:
            shown = line.strip()[:40]
            return ReadingsRefused(
                f"no rows of at least a time and one value were found; the first line with "
                f"numbers reads {shown!r}",
                file=source.path.name,
                line=i + 1,
                option="another --delimiter"
                if given
                else "--delimiter, --header-row or --encoding",
            )
    return ReadingsRefused(
        "holds no rows of readings: a time and at least one value in each",
        file=source.path.name,
        option="--header-row N if the table starts further down, or another --encoding",
    )


def _refuse_comma_in_both(
    source: TextSource, lines: Sequence[str], delimiter: str, grid: Grid
) -> None:
    """Refuse a decimal comma inside comma-delimited cells, which no rule can part again."""
    if delimiter != "," or grid.heading is not None:
        return
    above = next((i for i in range(grid.first - 1, -1, -1) if lines[i].strip()), None)
    if above is None:
        return
    names = split_line(lines[above], ",")
    row = split_line(lines[grid.first], ",")
    if len(names) >= 2 and len(row) in {2 * len(names), 2 * len(names) - 1}:
        raise ReadingsRefused(
            f"{len(row)} cells stand under {len(names)} headings: commas part both the cells and "
            "the decimals, which can't be told apart; export again with semicolons or a decimal "
            "point",
            file=source.path.name,
            line=grid.first + 1,
        )


def _refuse_change(source: TextSource, lines: Sequence[str], delimiter: str, grid: Grid) -> None:
    """Refuse a table whose upper rows are parted by another sign than the rest."""
    if grid.heading is not None or grid.first < 2:
        return
    above = [x for x in lines[: grid.first] if x.strip()][-3:]
    for mark in "\t;|,":
        if mark == delimiter or len(above) < 2:
            continue
        rows = [split_line(x, mark) for x in above]
        if all(len(r) == grid.columns for r in rows) and all(
            cell_class(c) in "NTM" for r in rows[1:] for c in r
        ):
            raise ReadingsRefused(
                f"the cells are parted by {_SAID[mark]} down to here and by {_SAID[delimiter]} "
                "from here on: part each half into a file of its own, or mend one of them",
                file=source.path.name,
                line=grid.first + 1,
                option=f"--delimiter {_SAID[mark]} or --delimiter {_SAID[delimiter]} for each",
            )


class DelimitedTable(Table):
    """A table in a text file, read in batches of bounded size."""

    def __init__(
        self, source: TextSource, delimiter: str, grid: Grid, lines: Sequence[str]
    ) -> None:
        names = [n.lstrip("#").strip() if i == 0 else n for i, n in enumerate(grid.names)]
        super().__init__(
            file=source.path.name,
            names=names,
            unit_cells=list(grid.unit_cells) if grid.unit_cells else None,
            banner=[x for x in lines[: grid.above] if x.strip()][:400],
            classes=list(grid.classes),
        )
        self._source = source
        self._delimiter = delimiter
        self._grid = grid
        self._mend = delimiter == " "
        self._heading_cells = grid.names
        rows = [split_line(x, delimiter) for x in lines[grid.first : grid.first + 400]]
        self.sample = [r for r in rows if len(r) == grid.columns]

    def mend(self) -> None:
        """Read line by line from now on: some rows are longer or shorter than the table."""
        self._mend = True

    def recode(self) -> None:
        """Read as cp1252 from now on: some byte further down is not UTF-8."""
        self._source = replace(self._source, encoding="cp1252")
        self.concluded[0] = Concluded(
            "encoding", "cp1252", "some bytes are not valid UTF-8", "--encoding"
        )

    def batches(self, columns: Sequence[int]) -> Iterator[list[pa.Array[Any]]]:
        """Yield the wanted columns as strings, null where a cell is empty."""
        width = self._grid.columns
        names = [f"c{i}" for i in range(width)]
        wanted = [names[i] for i in columns]
        stream = self._body()
        try:
            reader = pacsv.open_csv(
                stream,
                read_options=pacsv.ReadOptions(column_names=names, block_size=BLOCK_BYTES),
                parse_options=pacsv.ParseOptions(
                    delimiter="\t" if self._delimiter == " " else self._delimiter
                ),
                convert_options=pacsv.ConvertOptions(
                    column_types={n: pa.string() for n in wanted},
                    include_columns=wanted,
                    null_values=[""],
                    strings_can_be_null=True,
                ),
            )
            for batch in reader:
                yield list(batch.columns)
        except pa.ArrowInvalid as trouble:
            words = str(trouble)
            if "UTF8" in words and not self._source.given:
                raise ReadAgain("recode") from trouble
            if "parse error" in words and not self._mend:
                raise ReadAgain("mend") from trouble
            raise ReadingsRefused(
                f"can't be read: {words.splitlines()[0][:120]}",
                file=self.file,
                option="--encoding or --delimiter",
            ) from trouble
        except UnicodeDecodeError as trouble:
            raise ReadingsRefused(
                f"is not in {self._source.encoding} throughout: byte "
                f"{trouble.object[trouble.start]:#04x}",
                file=self.file,
                option="--encoding cp1252",
            ) from trouble
        finally:
            stream.close()

    def _body(self) -> IO[bytes]:
        raw = self._source.stream()
        for _ in range(self._grid.first):
            raw.readline()
        if not self._mend:
            return raw
        self.mended_notes = []
        return io.BufferedReader(
            Mended(raw, self._delimiter, self._grid, self.file, self.mended_notes),
            buffer_size=1 << 20,
        )

    def line_of(self, row: int) -> int:
        """Return the 1-based line of a row of readings in the file."""
        seen = -1
        with self._source.stream() as raw:
            for number, line in enumerate(raw, start=1):
                if number <= self._grid.first or not line.strip():
                    continue
                if self._mend and line.lstrip().startswith((b"#", b"//")):
                    continue
                seen += 1
                if seen == row:
                    return number
        return 0
