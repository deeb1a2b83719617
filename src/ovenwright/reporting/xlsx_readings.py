"""Every reading on sheets of the spreadsheet, row by row in constant memory."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.run import NS
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.words import Shown

MOST_ROWS = 1_048_000  # a sheet holds 1,048,576; the head needs a few


@dataclass(frozen=True, slots=True)
class ReadingPens:
    """The cell formats the sheets are written with."""

    number: Callable[[int], Any]
    stamp: Any
    head: Any
    head_right: Any
    note: Any


@dataclass(frozen=True, slots=True)
class Readings:
    """What is written: ``values`` (n, c) in the shown unit, NaN for an empty cell.

    ``stamps`` are spreadsheet day numbers in local time, None where only elapsed time is known.
    """

    names: tuple[str, ...]
    time_s: FloatArray
    values: FloatArray
    stamps: list[float] | None
    decimals: int
    said: str


def readings_of(verdict: Verdict, shown: Shown) -> Readings:
    """Return the readings of a judged run as they came, in the shown unit."""
    profile = verdict.results.profile
    said = f"Temperatures in {shown.temperature_unit}, as read, before correction."
    if profile.absolute:
        said += f" Local time, {shown.time_zone}."
    return Readings(
        names=profile.names,
        time_s=profile.time_s,
        values=profile.raw_c * 1.8 + 32.0 if shown.fahrenheit else profile.raw_c,
        stamps=_local_stamps(verdict, shown) if profile.absolute else None,
        decimals=_decimals(profile.resolution_k),
        said=said,
    )


def write_readings(book: Any, readings: Readings, pens: ReadingPens) -> None:
    """Write every reading, on as many sheets as the rows need."""
    rows = readings.time_s.size
    for part, start in enumerate(range(0, max(rows, 1), MOST_ROWS)):
        sheet = book.add_worksheet("Readings" if part == 0 else f"Readings {part + 1}")
        _sheet(sheet, readings, slice(start, min(start + MOST_ROWS, rows)), pens)


def _sheet(sheet: Any, readings: Readings, part: slice, pens: ReadingPens) -> None:
    stamps = readings.stamps
    first = 0 if stamps is None else 1
    sheet.set_column(0, 0, 12 if stamps is None else 24)
    sheet.set_column(1, len(readings.names) + 1, 13)
    sheet.freeze_panes(2, first + 1)
    sheet.set_paper(9)  # A4
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(1)
    sheet.write_string(0, 0, readings.said, pens.note)
    if stamps is not None:
        sheet.write_string(1, 0, "time", pens.head)
    for j, name in enumerate(("elapsed, s", *readings.names)):
        sheet.write_string(1, first + j, name, pens.head_right)
    number, seconds, write = pens.number(readings.decimals), pens.number(3), sheet.write_number
    elapsed = readings.time_s[part].tolist()
    for i, row in enumerate(readings.values[part].tolist()):
        r = i + 2
        if stamps is not None:
            write(r, 0, stamps[part.start + i], pens.stamp)
        write(r, first, elapsed[i], seconds)
        c = first
        for value in row:
            c += 1
            if value == value:  # noqa: PLR0124  # NaN stays an empty cell
                write(r, c, value, number)


def _decimals(resolution_k: FloatArray) -> int:
    finest = float(np.nanmin(resolution_k)) if np.isfinite(resolution_k).any() else 0.01
    return min(4, max(1, math.ceil(-math.log10(finest) - 1e-9))) if finest > 0 else 2


def _local_stamps(verdict: Verdict, shown: Shown) -> list[float]:
    """Return spreadsheet day numbers in local time, offset changes included."""
    profile = verdict.results.profile
    zone = ZoneInfo(shown.time_zone)
    utc_s = profile.start_ns / NS + profile.time_s
    epoch = datetime(1899, 12, 30, tzinfo=UTC).timestamp()
    hours = np.unique(np.floor_divide(utc_s, 900.0))
    offset_of = {
        h: (
            datetime.fromtimestamp(h * 900.0, UTC).astimezone(zone).utcoffset() or _NO_OFFSET
        ).total_seconds()
        for h in hours.tolist()
    }
    offsets = np.array([offset_of[h] for h in hours.tolist()])
    local = utc_s + offsets[np.searchsorted(hours, np.floor_divide(utc_s, 900.0))]
    stamps: list[float] = ((local - epoch) / 86_400.0).tolist()
    return stamps


_NO_OFFSET = datetime(1970, 1, 1, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
