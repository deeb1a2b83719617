"""Parquet from any source, wide or long, read by row groups."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings.grid import cell_class
from ovenwright.storage.readings.spreadsheet import as_text
from ovenwright.storage.readings.table import Table

_UNIT_KEYS = (b"unit", b"units")


def open_parquet(path: Path) -> Table:
    """Open a Parquet file that some other program wrote.

    Raises
    ------
    ReadingsRefused : if it is damaged, empty, or a sealed run of this tool
    """
    try:
        file = pq.ParquetFile(path)
    except (pa.ArrowException, OSError) as cause:
        raise ReadingsRefused(
            f"the Parquet file is damaged or cut short: {str(cause)[:120]}", file=path.name
        ) from cause
    if any(k.startswith(b"ovenwright") for k in file.schema_arrow.metadata or {}):
        raise ReadingsRefused(
            f"is already a sealed run; use it as it is, for example: ovenwright show {path.name}",
            file=path.name,
        )
    if file.metadata.num_rows == 0:
        raise ReadingsRefused("holds no rows", file=path.name)
    return ParquetTable(path, file)


def _flat(column: pa.Array[Any]) -> pa.Array[Any]:
    """Return strings for dictionaries, dates, times of day and exact decimals, as text holds them."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_large_string(kind) or pa.types.is_date(kind) or pa.types.is_time(kind):
        return column.cast(pa.string())
    if pa.types.is_decimal(kind) or pa.types.is_float16(kind) or pa.types.is_float32(kind):
        # the shortest decimal of a 32-bit number is what was written; its double is not
        return _shortest(column)
    return column


def _shortest(column: pa.Array[Any]) -> pa.Array[Any]:
    return column.cast(pa.string()).cast(pa.float64())


class ParquetTable(Table):
    """Columns of a Parquet file."""

    def __init__(self, path: Path, file: pq.ParquetFile) -> None:
        schema = file.schema_arrow
        usable = [i for i, f in enumerate(schema) if not pa.types.is_nested(f.type)]
        self._columns = [schema.names[i] for i in usable]
        units = [
            next(
                (
                    v.decode("utf-8", "replace")
                    for k, v in (schema.field(i).metadata or {}).items()
                    if k.lower() in _UNIT_KEYS
                ),
                "",
            )
            for i in usable
        ]
        self._file = file
        head = next(file.iter_batches(400, columns=self._columns))
        texts = [_texts(c) for c in head.columns]
        super().__init__(
            file=path.name,
            names=self._columns,
            unit_cells=units if any(units) else None,
            banner=[],
            classes=[
                _class(schema.field(i).type, cells) for i, cells in zip(usable, texts, strict=True)
            ],
        )
        self.sample = [list(r) for r in zip(*texts, strict=True)]

    def batches(self, columns: Sequence[int]) -> Iterator[list[pa.Array[Any]]]:
        """Yield the wanted columns in their own types, simplified."""
        names = [self._columns[i] for i in columns]
        for batch in self._file.iter_batches(1 << 20, columns=names):
            yield [_flat(batch.column(n)) for n in names]

    def line_of(self, row: int) -> int:
        """Return the row, counted from 1."""
        return row + 1


def _texts(column: pa.Array[Any]) -> list[str]:
    flat = _flat(column)
    if pa.types.is_duration(flat.type):
        micro = flat.cast(pa.duration("us"), safe=False).cast(pa.int64()).to_pylist()
        return ["" if v is None else as_text(dt.timedelta(microseconds=v)) for v in micro]
    if pa.types.is_floating(flat.type):
        return ["" if v is None else repr(v) for v in flat.to_pylist()]
    return ["" if v is None else str(v) for v in flat.cast(pa.string()).to_pylist()]


def _class(kind: pa.DataType, cells: Sequence[str]) -> str:
    if pa.types.is_temporal(kind):
        return "T"
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return "N"
    classes = [c for c in map(cell_class, cells) if c != "M"]
    return max(set(classes), key=classes.count) if classes else "M"
