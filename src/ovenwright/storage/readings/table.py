"""What every kind of file is turned into before its columns are understood."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from typing import Any

import pyarrow as pa

from ovenwright.storage.readings.conclusions import Concluded


class ReadAgain(Exception):
    """The file turned out otherwise than its first part; ``how`` names the method to call first."""

    def __init__(self, how: str) -> None:
        super().__init__(how)
        self.how = how


class Table(ABC):
    """A table with headings and, in batches, its columns.

    ``names`` headings as they stand, ``unit_cells`` the row of units below them or None,
    ``sample`` the first rows as text, ``classes`` what each column holds (N number, T time,
    X text, M nothing), ``banner`` the lines above the table, ``sheets`` those of the whole file.
    """

    def __init__(
        self,
        *,
        file: str,
        names: Sequence[str],
        unit_cells: Sequence[str] | None,
        banner: Sequence[str],
        classes: Sequence[str],
    ) -> None:
        self.file = file
        self.names = list(names)
        self.unit_cells = list(unit_cells) if unit_cells is not None else None
        self.banner = list(banner)
        self.classes = list(classes)
        self.sheets: tuple[str, ...] = ()
        self.sample: list[list[str]] = []
        self.concluded: list[Concluded] = []
        self.notes: list[str] = []
        self.mended_notes: list[str] = []

    @abstractmethod
    def batches(self, columns: Sequence[int]) -> Iterator[list[pa.Array[Any]]]:
        """Yield stretches of the wanted columns, in order."""

    @abstractmethod
    def line_of(self, row: int) -> int:
        """Return the 1-based line (or spreadsheet row) of a row of readings, 0 if unknown."""

    def column(self, index: int) -> list[str]:
        """Return the sample's cells of one column."""
        return [r[index] for r in self.sample]
