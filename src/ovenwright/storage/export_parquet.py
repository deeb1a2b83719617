"""Export as a wide Parquet table, for notebooks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from ovenwright.domain.run import Run
from ovenwright.storage.columns import double_column, plain_column
from ovenwright.storage.durable import whole_file
from ovenwright.storage.wide import ExportUnit, wide_of

_TIME = pa.timestamp("ns", tz="UTC")


def export_parquet(
    run: Run,
    target: Path,
    *,
    channels: Sequence[str] | None = None,
    unit: ExportUnit = ExportUnit.CELSIUS,
) -> None:
    """Write a run as a wide Parquet table: ``elapsed_s``, ``time`` (UTC), a column a channel.

    ``time`` is left out where the source gave elapsed time only. Units stand in the headings that
    are not °C and in the metadata; the run's id and digest in the file's metadata.

    Raises
    ------
    UnknownName : if the run has no channel of a name
    StorageTrouble : if the disk refuses
    """
    wide = wide_of(run, channels=channels, unit=unit)
    columns = [double_column(wide.elapsed_s)]
    fields: list[pa.Field[Any]] = [
        pa.field("elapsed_s", pa.float64(), nullable=False, metadata={b"unit": b"s"})
    ]
    if wide.absolute:
        columns.append(plain_column(wide.time_ns, _TIME))
        fields.append(pa.field("time", _TIME, nullable=False))
    for column in wide.columns:
        columns.append(double_column(column.values))
        fields.append(
            pa.field(column.heading, pa.float64(), metadata={b"unit": column.unit.encode()})
        )
    metadata: dict[bytes | str, bytes | str] = {
        "ovenwright:exported_run": run.id,
        "ovenwright:exported_digest": run.digest,
    }
    table = pa.Table.from_arrays(columns, schema=pa.schema(fields, metadata))
    with whole_file(target, overwrite=True) as temp, temp.open("wb") as sink:
        pq.write_table(table, sink, compression="zstd", row_group_size=1 << 20)
