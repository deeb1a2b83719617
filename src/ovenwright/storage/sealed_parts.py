"""Some channels of a sealed run, read without the others: what a picture needs, and quickly."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
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
        groups = _groups_with(file.metadata, set(wanted))
        table = file.read_row_groups(groups, columns=list(_COLUMNS)) if groups else None
    found = {} if table is None else _cut(table, wanted)
    axes: list[IntArray] = []
    parts: dict[str, Readings] = {}
    for name in wanted:
        expected = next(c.count for c in facts.channels if c.name == name)
        time_ns, value_c = found.get(name, (np.empty(0, np.int64), np.empty(0)))
        if time_ns.size != expected:
            raise StorageTrouble(
                f"channel {name!r} has {time_ns.size} rows, the file's facts count {expected}",
                where=str(path),
                remedy="the file was rewritten or damaged; restore it from a copy",
            )
        axis = next((a for a in axes[-4:] if np.array_equal(a, time_ns)), None)
        if axis is None:
            axis = time_ns.copy()
            axes.append(axis)
        parts[name] = Readings(axis, value_c)
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


def _cut(table: pa.Table, wanted: Sequence[str]) -> dict[str, tuple[IntArray, FloatArray]]:
    """Return each wanted channel's rows; rows stand by channel, so each is one or few stretches."""
    times: IntArray = numbers_of(table.column("time"), np.int64)
    values: FloatArray = numbers_of(table.column("value"), np.float64)
    stretches: dict[str, list[slice]] = {}
    at = 0
    column: Column = table.column("channel")
    for chunk in column.chunks:
        if not len(chunk):
            continue
        codes = piece_numbers(chunk, np.int32)
        names = chunk.dictionary.to_pylist()
        edges = (np.flatnonzero(np.diff(codes)) + 1).tolist()
        for start, stop in zip([0, *edges], [*edges, codes.size], strict=True):
            stretches.setdefault(names[codes[start]], []).append(slice(at + start, at + stop))
        at += codes.size
    found: dict[str, tuple[IntArray, FloatArray]] = {}
    for name in wanted:
        cuts = stretches.get(name, [])
        if len(cuts) == 1:
            found[name] = times[cuts[0]], values[cuts[0]].copy()
        elif cuts:
            found[name] = (
                np.concatenate([times[c] for c in cuts]),
                np.concatenate([values[c] for c in cuts]),
            )
    return found
