"""Lines of delimited text made equally long, so that a plain reader can take them."""

from __future__ import annotations

import csv
import io
from typing import IO

from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings.grid import Grid, cell_class


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line."""
    if not line.strip():
        return []
    if delimiter == " ":
        return line.split()
    return next(csv.reader([line], delimiter=delimiter, skipinitialspace=delimiter != "\t"), [])


class Mended(io.RawIOBase):
    """The table's lines made equally long; what can't be made so is refused with its line."""

    def __init__(
        self, raw: IO[bytes], delimiter: str, grid: Grid, file: str, notes: list[str]
    ) -> None:
        self._raw = raw
        self._mark = delimiter
        self._width = grid.columns
        self._line = grid.first
        self._classes = grid.classes
        self._file = file
        self._notes = notes
        self._rest = b""
        self._short = 0
        self._comments: list[int] = []
        self._done = False

    def readable(self) -> bool:
        """Say that it can be read."""
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        """Fill the buffer with mended lines."""
        while not self._rest and not self._done:
            self._rest = self._chunk()
        part = self._rest[: len(buffer)]
        self._rest = self._rest[len(part) :]
        buffer[: len(part)] = part
        return len(part)

    def _chunk(self) -> bytes:
        lines = self._raw.readlines(1 << 20)
        if not lines:
            self._done = True
            self._tell()
            return b""
        out = []
        for raw in lines:
            self._line += 1
            made = self._made(raw)
            if made is not None:
                out.append(made)
        return b"\n".join(out) + b"\n" if out else b""

    def _made(self, raw: bytes) -> bytes | None:
        line = raw.strip(b"\r\n") if self._mark == "\t" else raw.strip()
        if not line.strip():
            return None
        if line.startswith((b"#", b"//")):
            self._comments.append(self._line)
            return None
        mark = b"\t" if self._mark == " " else self._mark.encode()
        if self._mark == " ":
            cells = line.split()
        elif b'"' in line:
            parts = split_line(line.decode("utf-8", "replace"), self._mark)
            cells = [b'"' + p.replace('"', '""').encode() + b'"' if p else b"" for p in parts]
        else:
            cells = line.split(mark)
        if len(cells) > self._width:
            extra = cells[self._width :]
            if any(c.strip() for c in extra):
                raise ReadingsRefused(
                    f"has {len(cells)} cells where the table has {self._width} columns",
                    file=self._file,
                    line=self._line,
                    option="--delimiter or --decimal; mend the line if it is damaged",
                )
            cells = cells[: self._width]
        elif len(cells) < self._width:
            if not raw.endswith(b"\n") and self._line > 1 and len(cells) > 1:
                self._notes.append(
                    f"line {self._line}, the last one, is cut short and was left out"
                )
                return None
            if self._mark == " " and cell_class(cells[0].decode("utf-8", "replace")) in "NT":
                raise ReadingsRefused(
                    f"has {len(cells)} cells where the table has {self._width} columns, and with "
                    "spaces between them nothing says which one is missing",
                    file=self._file,
                    line=self._line,
                    option="--delimiter if it is not spaces that part the cells",
                )
            self._short += 1
            cells = cells + [b""] * (self._width - len(cells))
        return mark.join(cells)

    def _tell(self) -> None:
        if self._short:
            self._notes.append(
                f"{self._short} lines are shorter than the table: their last cells count as missing"
            )
        if self._comments:
            self._notes.append(
                f"{len(self._comments)} lines beginning with # or // were passed over, the first "
                f"is line {self._comments[0]}"
            )

    def close(self) -> None:
        """Close the stream below too."""
        if not self.closed:
            self._raw.close()
        super().close()
