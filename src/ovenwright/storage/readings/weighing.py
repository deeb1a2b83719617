"""Weigh a file before it is read: how large it unpacks, how many rows and cells it would fill.

A few hundred bytes can ask for more memory than any machine has: a sheet with one cell in its last
row and column is laid out as a full grid when it is read. So the cells are counted first, from the
packed text, in bounded memory.
"""

from __future__ import annotations

import gzip
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import IO

import pyarrow as pa
import pyarrow.parquet as pq

from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings.opening import FileKind, kind_of

UNPACKED_LIMIT = 2 << 30
"""Bytes: a full sheet of a million rows and 32 columns unpacks to about 1.5 GiB."""
_MOST_DEFLATE = 1032  # the most that one byte can unpack to in DEFLATE: from memory
_CHUNK = 1 << 20
_TAIL = 4096  # a tag may lie across two chunks; no honest cell's tag is longer


@dataclass(frozen=True, slots=True)
class Bounds:
    """The most that a file of readings may be.

    ``file_bytes`` as it lies there, ``unpacked_bytes`` once unpacked, ``rows`` of a table,
    ``cells`` of a grid.
    """

    file_bytes: int
    unpacked_bytes: int
    rows: int
    cells: int


AT_THE_DOOR = Bounds(
    file_bytes=256 << 20, unpacked_bytes=768 << 20, rows=4_000_000, cells=40_000_000
)
"""For files that anyone may hand in: 64 channels four times a second fill a day in 22 million cells."""
OF_ONE_S_OWN = Bounds(
    file_bytes=16 << 30, unpacked_bytes=UNPACKED_LIMIT, rows=1 << 40, cells=200_000_000
)
"""For a person's own files at a terminal: only what would take the whole machine is refused."""


def weigh(path: Path, bounds: Bounds = AT_THE_DOOR) -> None:
    """Refuse a file that is more than the bounds allow; nothing of it is laid out in memory.

    Raises
    ------
    ReadingsRefused : if it is, if it is no kind of file that holds readings, or if it is damaged
    """
    size = path.stat().st_size
    if size > bounds.file_bytes:
        raise ReadingsRefused(
            f"has {size >> 20} MiB, more than the {bounds.file_bytes >> 20} MiB taken at once; "
            "split it, or import it at the terminal",
            file=path.name,
        )
    kind = kind_of(path)
    if kind is FileKind.SPREADSHEET:
        weigh_spreadsheet(path, bounds)
    elif kind is FileKind.PARQUET:
        _weigh_parquet(path, bounds)
    else:
        _weigh_text(path, bounds, gzipped=kind is FileKind.GZIP)


def _too_much(what: str, limit: str, file: str) -> ReadingsRefused:
    return ReadingsRefused(
        f"{what}, more than the {limit} that readings of one test need; save only the readings, "
        "as delimited text or in several files",
        file=file,
    )


def _weigh_text(path: Path, bounds: Bounds, *, gzipped: bool) -> None:
    size = rows = 0
    try:
        with gzip.open(path, "rb") if gzipped else path.open("rb") as stream:
            while chunk := stream.read(_CHUNK):
                size += len(chunk)
                rows += max(chunk.count(b"\n"), chunk.count(b"\r"))
                if size > bounds.unpacked_bytes:
                    raise _too_much(
                        f"unpacks to more than {bounds.unpacked_bytes >> 20} MiB",
                        f"{bounds.unpacked_bytes >> 20} MiB",
                        path.name,
                    )
                if rows > bounds.rows:
                    raise _too_much(
                        f"has more than {bounds.rows:,} lines", f"{bounds.rows:,}", path.name
                    )
    except (EOFError, OSError) as cause:
        raise ReadingsRefused(
            f"the file is damaged or cut short: {cause}; copy it again", file=path.name
        ) from cause


def _weigh_parquet(path: Path, bounds: Bounds) -> None:
    try:
        about = pq.read_metadata(path)
        size = sum(about.row_group(i).total_byte_size for i in range(about.num_row_groups))
    except (pa.ArrowException, OSError) as cause:
        raise ReadingsRefused(
            f"the Parquet file is damaged or cut short: {str(cause)[:120]}", file=path.name
        ) from cause
    cells = about.num_rows * max(1, about.num_columns)
    if cells > bounds.cells * 3:  # a long table says time and channel beside each value
        raise _too_much(f"has {cells:,} cells", f"{bounds.cells * 3:,}", path.name)
    if size > bounds.unpacked_bytes:
        raise _too_much(
            f"unpacks to {size >> 20} MiB", f"{bounds.unpacked_bytes >> 20} MiB", path.name
        )


# spreadsheets -----------------------------------------------------------------------------

_ATTRIBUTES = rb"""((?:[^<>"']|"[^"]*"|'[^']*')*)"""
_ROW_OR_CELL = re.compile(rb"<(?:[\w.-]+:)?(row|c)(?=[\s/>])" + _ATTRIBUTES + rb">")
_TAGS = tuple(
    head + tail
    for head in (b"<c", b":c", b"<row", b":row")
    for tail in (b" ", b">", b"/", b"\t", b"\n", b"\r")
)
_CELL_COLUMN = re.compile(rb'<c r="([A-Z]{1,3})\d{1,8}"')
_CELL_ROW = re.compile(rb'<c r="[A-Z]{1,3}(\d{1,8})"')
_ROW = re.compile(rb'<row r="(\d{1,8})"')
_PLACED = re.compile(rb"""\br\s*=\s*["']\s*([A-Za-z]{0,8})(\d{0,12})""")
_ODS = re.compile(
    rb"<table:(table-row|table-cell|covered-table-cell|table)(?=[\s/>])" + _ATTRIBUTES + rb">"
)
_REPEATED = re.compile(rb"""number-(?:rows|columns)-repeated\s*=\s*["']\s*(\d{1,12})""")


def refuse_bomb(path: Path, *, limit: int = UNPACKED_LIMIT) -> None:
    """Refuse a packed spreadsheet that would unpack beyond ``limit`` bytes.

    Raises
    ------
    ReadingsRefused : if it would, or if it is no spreadsheet at all
    """
    if not zipfile.is_zipfile(path):
        return
    try:
        with zipfile.ZipFile(path) as packed:
            parts = packed.infolist()
            names = {p.filename for p in parts}
            if not names & {"[Content_Types].xml", "content.xml", "mimetype"}:
                raise ReadingsRefused(
                    "is a zip archive and no spreadsheet; unpack it and import what is inside",
                    file=path.name,
                )
            said = sum(p.file_size for p in parts)
            if said <= limit and path.stat().st_size * _MOST_DEFLATE > limit:
                said = _unpacked(packed, limit)
            if said > limit:
                raise ReadingsRefused(
                    f"unpacks to more than {limit / (1 << 30):.3g} GiB, far more than readings "
                    "need; save the sheet as delimited text and import that",
                    file=path.name,
                )
    except (zipfile.BadZipFile, NotImplementedError, OSError) as cause:
        raise ReadingsRefused(
            f"the spreadsheet is damaged: {cause}; copy or save it again", file=path.name
        ) from cause


def _unpacked(packed: zipfile.ZipFile, limit: int) -> int:
    """Count what really comes out, since a hostile file may say less than it holds."""
    total = 0
    for part in packed.infolist():
        with packed.open(part) as stream:
            while chunk := stream.read(1 << 20):
                total += len(chunk)
                if total > limit:
                    return total
    return total


def weigh_spreadsheet(path: Path, bounds: Bounds) -> None:
    """Refuse a spreadsheet whose grid or unpacked text is more than the bounds allow.

    Raises
    ------
    ReadingsRefused : if it is, or if it is damaged or no spreadsheet
    """
    refuse_bomb(path, limit=bounds.unpacked_bytes)
    if not zipfile.is_zipfile(path):
        return  # the old binary form ends at 65,536 rows and 256 columns: from memory
    about = path.stat()
    cells = _largest_grid(path, about.st_mtime_ns, about.st_size)
    if cells > bounds.cells:
        raise _too_much(
            f"a sheet reaches over {cells:,} cells, filled or not", f"{bounds.cells:,}", path.name
        )


@lru_cache(maxsize=32)
def _largest_grid(path: Path, changed_ns: int, size: int) -> int:
    """Return the cells of the largest sheet's grid; a file weighed at the door is read next."""
    del changed_ns, size  # they only tell one state of the file from another
    most = 0
    try:
        with zipfile.ZipFile(path) as packed:
            for part in packed.infolist():
                if part.filename.endswith("workbook.bin"):
                    raise ReadingsRefused(
                        "is a binary workbook; save it as XLSX or delimited text", file=path.name
                    )
                with packed.open(part) as stream:
                    content = part.filename == "content.xml"
                    cells = _ods_grid(stream) if content else _xlsx_grid(stream)
                most = max(most, cells)
    except (zipfile.BadZipFile, NotImplementedError, OSError, EOFError, ValueError) as cause:
        if isinstance(cause, ReadingsRefused):
            raise
        raise ReadingsRefused(
            f"the spreadsheet is damaged: {cause}; copy or save it again", file=path.name
        ) from cause
    return most


def _pieces(stream: IO[bytes]) -> Iterator[bytes]:
    """Yield a part's text so that no tag is cut."""
    tail = b""
    while chunk := stream.read(_CHUNK):
        whole = tail + chunk
        cut = whole.rfind(b"<")
        if cut <= 0 or len(whole) - cut > _TAIL:
            cut = len(whole)
        yield whole[:cut]
        tail = whole[cut:]
    yield tail


def _column(letters: bytes) -> int:
    """Return a column's number from its letters, 1 for A."""
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


def _xlsx_grid(stream: IO[bytes]) -> int:
    """Return how many cells the grid of a sheet has, from the corner to its last filled cell.

    The quick look serves where every tag says its place first, as all known programs write it, and
    counts empty cells too. Only when that is too much, or a tag says no place, each is looked at:
    an honest sheet may format its last row and leave it empty.
    """
    rows, columns, tags, told = {b"1"}, {b"A"}, 0, 0
    for text in _pieces(stream):
        tags += sum(text.count(tag) for tag in _TAGS)
        cells = _CELL_ROW.findall(text)
        lines = _ROW.findall(text)
        columns.update(_CELL_COLUMN.findall(text))
        rows.update(cells, lines)
        told += len(cells) + len(lines)
    area = max(int(n) for n in rows) * max(_column(c) for c in columns)
    if area <= AT_THE_DOOR.cells and tags == told:
        return area
    stream.seek(0)
    return _filled_grid(stream)


def _filled_grid(stream: IO[bytes]) -> int:
    row = column = last_row = last_column = 0
    for text in _pieces(stream):
        for match in _ROW_OR_CELL.finditer(text):
            place = _PLACED.search(match[2])
            if match[1] == b"row":
                row = int(place[2]) if place and place[2] else row + 1
                column = 0
                continue
            column = _column(place[1]) if place and place[1] else column + 1
            row = int(place[2]) if place and place[2] else max(row, 1)
            if not match[2].endswith(b"/"):
                last_row, last_column = max(last_row, row), max(last_column, column)
    return last_row * last_column


def _ods_grid(stream: IO[bytes]) -> int:
    """Return how many cells the largest grid of an ODS has up to its last filled cell."""
    most = row = times = column = last_row = last_column = 0
    for text in _pieces(stream):
        for match in _ODS.finditer(text):
            repeated = _REPEATED.search(match[2])
            count = int(repeated[1]) if repeated else 1
            if match[1] == b"table":
                row = times = last_row = last_column = 0
            elif match[1] == b"table-row":
                row, times, column = row + times, count, 0
            else:
                column += count
                if not match[2].endswith(b"/") or b"value" in match[2]:
                    last_row, last_column = max(last_row, row + times), max(last_column, column)
            most = max(most, last_row * last_column)
    return most
