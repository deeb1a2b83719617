"""Export as comma-separated text, every digit kept."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa
import pyarrow.csv as pa_csv

from ovenwright.domain.run import Run
from ovenwright.storage.columns import double_column
from ovenwright.storage.durable import whole_file
from ovenwright.storage.wide import ExportUnit, wide_of

_ROWS = 1 << 16


def write_csv(
    run: Run,
    sink: BinaryIO,
    *,
    channels: Sequence[str] | None = None,
    unit: ExportUnit = ExportUnit.CELSIUS,
) -> None:
    """Write a run as CSV (RFC 4180, UTF-8) into an open file.

    First ``elapsed_s``, then a column a channel: °C under the channel's bare name, other units in
    brackets. Each number has the fewest digits that read back as the same double; a missing one is
    empty.

    Raises
    ------
    UnknownName : if the run has no channel of a name
    """
    wide = wide_of(run, channels=channels, unit=unit)
    head = io.StringIO()
    csv.writer(head).writerow(["elapsed_s", *(c.heading for c in wide.columns)])
    sink.write(head.getvalue().encode("utf-8"))
    elapsed = wide.elapsed_s
    options = pa_csv.WriteOptions(include_header=False)
    for at in range(0, elapsed.size, _ROWS):
        part = slice(at, at + _ROWS)
        columns = [double_column(elapsed[part])]
        columns += [double_column(c.values[part]) for c in wide.columns]
        table = pa.Table.from_arrays(columns, names=[str(i) for i in range(len(columns))])
        piece = io.BytesIO()
        pa_csv.write_csv(table, piece, options)
        sink.write(piece.getvalue().replace(b"\n", b"\r\n"))


def export_csv(
    run: Run,
    target: Path,
    *,
    channels: Sequence[str] | None = None,
    unit: ExportUnit = ExportUnit.CELSIUS,
) -> None:
    """Write a run as a CSV file, whole or not at all; see :func:`write_csv`.

    Raises
    ------
    StorageTrouble : if the disk refuses
    """
    with whole_file(target, overwrite=True) as temp, temp.open("wb") as sink:
        write_csv(run, sink, channels=channels, unit=unit)
