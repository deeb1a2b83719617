"""Some channels of a sealed run, read without the others: what a picture needs, and quickly."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.errors import StorageTrouble, UnknownName
from ovenwright.storage.columns import Column, numbers_of, piece_numbers
from ovenwright.storage.run_facts import SealedFacts
from ovenwright.storage.sealed import facts_of, reading_sealed

_COLUMNS = ("channel", "time", "value")


@dataclass(frozen=True, slots=True)
class Readings:
    """One channel's readings: ``time_ns`` (n,) rising, ``value_c`` (n,) with NaN where none."""

    time_ns: IntArray
    value_c: FloatArray

    @property
    def size_bytes(self) -> int:
        """Memory the two arrays take."""
        return int(self.time_ns.nbytes + self.value_c.nbytes)


def read_parts(
    path: Path, names: Iterable[str] | None = None
) -> tuple[SealedFacts, dict[str, Readings]]:
    """Read some channels of a sealed run; only the row groups that hold them are unpacked.

    The digest is not made anew here (pages carry checksums, so damage is still seen); whoever
    judges opens the whole run instead.

    Parameters
    ----------
    path : the sealed file
    names : which channels; all when left out

    Returns
    -------
    the run's facts, and the readings by channel; equal time axes are one array

    Raises
    ------
    UnknownName : if the run has no such channel
    StorageTrouble : if the file is missing, damaged or no sealed run
    """
    with (
        reading_sealed(path),
        pq.ParquetFile(path, read_dictionary=["channel"], page_checksum_verification=True) as file,
    ):
        facts = facts_of(file.metadata.metadata, path)
        known = [c.name for c in facts.channels]
        wanted = list(known if names is None else dict.fromkeys(names))
        for name in wanted:
            if name not in known:
                raise UnknownName("channel", name, known=known, where=facts.id)
        pieces = _Pieces(set(wanted))
        # a group at a time, so that the memory of one serves the next: fresh memory costs more
        # than the unpacking does
        for group in _groups_with(file.metadata, set(wanted)):
            pieces.add(file.read_row_group(group, columns=list(_COLUMNS)))
    parts: dict[str, Readings] = {}
    for name in wanted:
        expected = next(c.count for c in facts.channels if c.name == name)
        parts[name] = pieces.joined(name)
        if parts[name].time_ns.size != expected:
            raise StorageTrouble(
                f"channel {name!r} has {parts[name].time_ns.size} rows, the file's facts count "
                f"{expected}",
                where=str(path),
                remedy="the file was rewritten or damaged; restore it from a copy",
            )
    return facts, parts


def _groups_with(metadata: pq.FileMetaData, wanted: set[str]) -> list[int]:
    """Return the row groups that can hold a wanted channel; all without statistics."""
    column = metadata.schema.names.index("channel")
    found = []
    for i in range(metadata.num_row_groups):
        seen = metadata.row_group(i).column(column).statistics
        if seen is None or not seen.has_min_max:
            found.append(i)
            continue
        low, high = str(seen.min), str(seen.max)
        if any(low <= name <= high for name in wanted):
            found.append(i)
    return found


class _Pieces:
    """Stretches of the wanted channels, gathered group by group; equal time axes are one array."""

    def __init__(self, wanted: set[str]) -> None:
        self._wanted = wanted
        self._found: dict[str, list[tuple[IntArray, FloatArray]]] = {}
        self._axes: list[IntArray] = []

    def add(self, table: pa.Table) -> None:
        """Take what is wanted of one row group; rows stand by channel, in one or few stretches."""
        times: IntArray = numbers_of(table.column("time"), np.int64)
        values: FloatArray = numbers_of(table.column("value"), np.float64)
        at = 0
        column: Column = table.column("channel")
        for chunk in column.chunks:
            if not len(chunk):
                continue
            codes = piece_numbers(chunk, np.int32)
            names = chunk.dictionary.to_pylist()
            edges = (np.flatnonzero(np.diff(codes)) + 1).tolist()
            for start, stop in zip([0, *edges], [*edges, codes.size], strict=True):
                if (name := names[codes[start]]) in self._wanted:
                    cut = slice(at + start, at + stop)
                    stretch = self._axis(times[cut]), values[cut].copy()
                    self._found.setdefault(name, []).append(stretch)
            at += codes.size

    def joined(self, name: str) -> Readings:
        """Return all rows of a channel found so far."""
        stretches = self._found.get(name, [])
        if not stretches:
            return Readings(np.empty(0, np.int64), np.empty(0))
        if len(stretches) == 1:
            return Readings(*stretches[0])
        return Readings(
            self._axis(np.concatenate([t for t, _ in stretches])),
            np.concatenate([v for _, v in stretches]),
        )

    def _axis(self, time_ns: IntArray) -> IntArray:
        """Return the same times as an array of its own, or the equal one met shortly before."""
        known = next((a for a in self._axes[-4:] if np.array_equal(a, time_ns)), None)
        if known is None:
            known = time_ns.copy()
            self._axes.append(known)
        return known
