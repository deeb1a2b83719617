"""Export as a plain workbook: real date-time cells, elapsed time, a column a channel."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import xlsxwriter
from xlsxwriter.exceptions import XlsxWriterException

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.domain.run import NS, Run
from ovenwright.errors import OutOfRange, StorageTrouble
from ovenwright.storage.durable import whole_file
from ovenwright.storage.run_facts import iso_from_ns
from ovenwright.storage.wide import ExportUnit, Wide, wide_of

_SHEET_ROWS = 1_048_576  # of the file format
_SHEET_COLUMNS = 16_384
_EPOCH_SERIAL = 25_569  # 1970-01-01 as a spreadsheet date
_QUARTER_S = 900  # no zone of today changes its clock inside a quarter of an hour


def local_seconds(time_ns: IntArray, zone_name: str) -> tuple[FloatArray, str]:
    """Return (n,) seconds since 1970-01-01 by the clock on the wall, and the zone's name.

    UTC is used, and named, where the zone is not known.
    """
    seconds = np.asarray(time_ns / NS, np.float64)
    try:
        zone = ZoneInfo(zone_name or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        return seconds, "UTC"
    quarters, place = np.unique(np.floor_divide(time_ns, _QUARTER_S * NS), return_inverse=True)
    offsets = [_offset_s(int(q) * _QUARTER_S, zone) for q in quarters.tolist()]
    return seconds + np.asarray(offsets, np.float64)[place], zone.key


def _offset_s(utc_s: int, zone: ZoneInfo) -> float:
    away = datetime.fromtimestamp(utc_s, UTC).astimezone(zone).utcoffset()
    return away.total_seconds() if away is not None else 0.0


def export_xlsx(
    run: Run,
    target: Path,
    *,
    channels: Sequence[str] | None = None,
    unit: ExportUnit = ExportUnit.CELSIUS,
) -> None:
    """Write a run as a workbook with the readings and a sheet of facts about them.

    A date-time cell by the clock of the run's zone (left out where the source gave elapsed time
    only), the elapsed seconds, then a column a channel. A missing reading is an empty cell. A run
    longer than a sheet goes on on further sheets.

    Raises
    ------
    UnknownName : if the run has no channel of a name
    OutOfRange : if there are more channels than a sheet has columns
    StorageTrouble : if the disk refuses
    """
    wide = wide_of(run, channels=channels, unit=unit)
    if len(wide.columns) + 2 > _SHEET_COLUMNS:
        raise OutOfRange(
            "channels",
            got=len(wide.columns),
            expected=f"at most {_SHEET_COLUMNS - 2} on a sheet",
            remedy="name fewer with --channels",
        )
    with whole_file(target, overwrite=True) as temp:
        book = xlsxwriter.Workbook(str(temp), {"constant_memory": True})
        _readings(book, wide, run.time_zone)
        _about(book, run)
        try:
            book.close()
        except XlsxWriterException as cause:
            raise StorageTrouble(
                f"the workbook can't be written: {cause}",
                where=str(target),
                remedy="check the disk and the folder for temporary files",
            ) from cause


def _readings(book: xlsxwriter.Workbook, wide: Wide, zone_name: str) -> None:
    bold = book.add_format({"bold": True})
    clock = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"})
    local_s, zone = local_seconds(wide.time_ns, zone_name)
    serial = local_s / 86_400.0 + _EPOCH_SERIAL
    lead = int(wide.absolute)
    heads = [f"time ({zone})"] * lead + ["elapsed_s"]
    heads += [c.heading if c.unit != "degC" else f"{c.heading} [°C]" for c in wide.columns]
    elapsed = wide.elapsed_s
    room = _SHEET_ROWS - 1
    for number, begin in enumerate(range(0, max(elapsed.size, 1), room)):
        sheet = book.add_worksheet("Readings" if number == 0 else f"Readings {number + 1}")
        sheet.freeze_panes(1, lead + 1)
        if lead:
            sheet.set_column(0, 0, 24)
        sheet.set_column(lead, lead + len(wide.columns), 12)
        for at, head in enumerate(heads):
            sheet.write_string(0, at, head, bold)
        part = slice(begin, begin + room)
        rows = zip(
            serial[part].tolist(),
            elapsed[part].tolist(),
            *(c.values[part].tolist() for c in wide.columns),
            strict=True,
        )
        for row, (when, since, *values) in enumerate(rows, start=1):
            if lead:
                sheet.write_number(row, 0, when, clock)
            sheet.write_number(row, lead, since)
            for at, value in enumerate(values, start=lead + 1):
                if value - value == 0.0:  # neither missing nor infinite: no cell holds those
                    sheet.write_number(row, at, value)


def _about(book: xlsxwriter.Workbook, run: Run) -> None:
    sheet = book.add_worksheet("About")
    bold = book.add_format({"bold": True})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    sheet.set_column(0, 0, 18)
    sheet.set_column(1, 1, 80)
    rows = [
        ("run", run.id),
        ("title", run.title),
        ("first reading", iso_from_ns(run.start_ns) if run.absolute else "elapsed time only"),
        ("time zone", run.time_zone),
        ("digest (SHA-256)", run.digest),
        ("restates", run.parent_digest),
        ("sealed", iso_from_ns(run.sealed_ns)),
        ("software", run.software),
        ("came from", "\n".join(run.instrument.origin)),
        ("notes", "\n".join(run.notes)),
    ]
    for at, (name, text) in enumerate(r for r in rows if r[1]):
        sheet.write_string(at, 0, name, bold)
        sheet.write_string(at, 1, text[:32_000], wrap)
