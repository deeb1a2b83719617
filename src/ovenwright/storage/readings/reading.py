"""One file of readings, from bytes to channels on UTC, with every conclusion told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray, QualityArray
from ovenwright.domain.run import Quality
from ovenwright.errors import ReadingsRefused, UsageError
from ovenwright.storage.readings.choices import Choices
from ovenwright.storage.readings.collecting import Collector, Whole, missing_words
from ovenwright.storage.readings.columns import Selection, select_columns
from ovenwright.storage.readings.conclusions import ChannelFound, FileFound, SetAside
from ovenwright.storage.readings.delimited import open_delimited
from ovenwright.storage.readings.first_rows import FirstRows, first_lines, first_rows
from ovenwright.storage.readings.headings import read_headings
from ovenwright.storage.readings.numbers import NumberStyle
from ovenwright.storage.readings.opening import FileKind, kind_of, open_text
from ovenwright.storage.readings.ordering import put_in_order
from ovenwright.storage.readings.parquet import open_parquet
from ovenwright.storage.readings.placing import Placer
from ovenwright.storage.readings.rails import Railed, mark_rails
from ovenwright.storage.readings.spreadsheet import open_spreadsheet
from ovenwright.storage.readings.story import Story
from ovenwright.storage.readings.table import ReadAgain, Table
from ovenwright.storage.readings.time_nouns import TIME_UNITS, TimeHints, TimeRefused, Times
from ovenwright.storage.readings.times import evenly_spaced, join_cells, read_times
from ovenwright.storage.readings.units import Column, conclude_units, unit_named


def read_file(path: Path, choices: Choices) -> FileFound:
    """Read one file of readings.

    Parameters
    ----------
    path : delimited text (also gzipped), a spreadsheet or Parquet, told apart by content
    choices : what a person decided; the rest is concluded

    Raises
    ------
    ReadingsRefused : if it can't be read without guessing: file, line, cause, option that helps
    UnknownName : if a named column is not there
    UsageError : if an option's value means nothing
    """
    _check(choices)
    return _read_table(_open(path, choices), choices, path)


def _check(choices: Choices) -> None:
    """Refuse choices that mean nothing for any file."""
    if choices.time_unit and choices.time_unit not in TIME_UNITS:
        raise UsageError(
            f"{choices.time_unit!r} is no unit of time",
            where="--time-unit",
            remedy=f"give one of {', '.join(TIME_UNITS)}",
        )
    if choices.interval_s and (choices.time_columns or choices.time_unit):
        raise UsageError(
            "a table has a time column or a step from row to row, not both",
            where="--interval",
            remedy="leave out --interval, or --time-column and --time-unit",
        )
    if choices.unit:
        unit_named(choices.unit, "--unit")


def read_file_shown(
    path: Path, choices: Choices, show: Callable[[FirstRows], None], *, rows: int = 12
) -> FileFound:
    """Read one file as :func:`read_file` does, giving its first rows away before anything can fail.

    What can't be understood can then be looked at. Raises as :func:`read_file`.
    """
    _check(choices)
    try:
        table = _open(path, choices)
    except ReadingsRefused:
        with suppress(ReadingsRefused):
            show(first_lines(path, encoding=choices.encoding, rows=rows))
        raise
    show(first_rows(table, read_headings(table.names, table.unit_cells), rows=rows))
    return _read_table(table, choices, path)


def _read_table(table: Table, choices: Choices, path: Path) -> FileFound:
    for _ in range(3):
        try:
            return _Reader(table, choices).read()
        except ReadAgain as again:
            getattr(table, again.how)()
            table.mended_notes = []
    raise ReadingsRefused("can't be read to its end", file=path.name, option="--encoding")


def _open(path: Path, choices: Choices) -> Table:
    kind = kind_of(path)
    if kind is FileKind.SPREADSHEET:
        return open_spreadsheet(path, choices)
    if kind is FileKind.PARQUET:
        return open_parquet(path)
    source = open_text(path, gzipped=kind is FileKind.GZIP, encoding=choices.encoding)
    return open_delimited(source, choices)


class _Reader:
    """The steps of reading one table; each leaves its conclusions and notes in the story."""

    def __init__(self, table: Table, choices: Choices) -> None:
        headings = read_headings(table.names, table.unit_cells)
        self.story = Story(
            table, choices, headings, concluded=list(table.concluded), notes=list(table.notes)
        )

    def read(self) -> FileFound:
        selection = select_columns(self.story.table, self.story.headings, self.story.choices)
        self.story.concluded += selection.concluded
        self.story.aside += selection.aside
        self.story.long = selection.long_name is not None
        collector = Collector(self.story, selection)
        style = collector.style()
        cells = collector.collect(style)
        self.story.notes += self.story.table.mended_notes
        columns = collector.columns(cells)
        times = self._times(selection, cells.times, columns, style)
        return self._assemble(times, columns)

    def _times(
        self,
        selection: Selection,
        cells: Sequence[Sequence[pa.Array[Any]]],
        columns: Sequence[Whole],
        style: NumberStyle,
    ) -> Times:
        if self.story.choices.interval_s:
            times = evenly_spaced(columns[0].value.size, self.story.choices.interval_s)
            self.story.concluded += times.concluded
            Placer(self.story).place_in_time(times)
            return times
        heads = [self.story.headings[i] for i in selection.time]
        rises = [_rise(c.value) for c in columns]
        hints = TimeHints(
            unit=next((h.time_unit for h in heads if h.time_unit), ""),
            given_unit=self.story.choices.time_unit,
            day_first=self.story.choices.day_first,
            heading_day_first=next((h.day_first for h in heads if h.day_first is not None), None),
            year_first=self.story.choices.year_first or any(h.year_first for h in heads),
            elapsed_word=any(h.elapsed_word for h in heads),
            clock_word=any(h.clock_word for h in heads),
            decimal=style.decimal,
            rise_k=min((r for r in rises if r > 40.0), default=0.0),
        )
        joined = join_cells([pa.chunked_array(c) for c in cells])
        try:
            times = read_times(joined, hints)
        except TimeRefused as refused:
            raise self.story.refuse(refused.what, refused.option, refused.row) from refused
        placer = Placer(self.story)
        placer.settle_bad_rows(times, joined, heads, columns)
        self.story.concluded += times.concluded
        self.story.notes += times.notes
        placer.place_in_time(times)
        return times

    def _assemble(self, times: Times, columns: Sequence[Whole]) -> FileFound:
        numeric = [_numeric_mark(m) for m in self.story.choices.missing]
        given = [m for m in numeric if m is not None]
        railed = [mark_rails(c.value, c.quality, given=given) for c in columns]
        units = conclude_units(
            [Column(c.heading, r.value, c.written) for c, r in zip(columns, railed, strict=True)],
            self.story.choices,
            self.story.table.banner,
            self.story.table.file,
        )
        self.story.concluded += units.concluded
        self.story.notes += units.notes
        self.story.aside += units.aside
        kept = [k for k, u in enumerate(units.unit) if u]
        self._tell_missing(times, [(columns[k], railed[k]) for k in kept])
        wide = [k for k in kept if columns[k].rows is None]
        channels: list[ChannelFound] = []
        if wide:
            same = _same_as_before([columns[k].value for k in wide])
            good = np.flatnonzero(~times.bad)
            placed = self._ordered(times, good, same[good])
            channels += [self._channel(columns[k], railed[k], units.unit[k], placed) for k in wide]
        for k in kept:
            rows = columns[k].rows
            if rows is not None:
                fine = ~times.bad[rows]
                inner = np.flatnonzero(fine)
                placed = self._ordered(times, rows[inner], None, inner)
                channels.append(self._channel(columns[k], railed[k], units.unit[k], placed))
        junction = [
            float(np.nanmedian(railed[k].value))
            for k in kept
            if columns[k].heading.reference_junction and units.unit[k] == "degC"
            and np.isfinite(railed[k].value).any()
        ]  # fmt: skip
        return FileFound(
            file=self.story.table.file,
            channels=tuple(channels),
            absolute=times.absolute,
            zone=self.story.choices.zone or "UTC",
            rows=int(channels[0].time_ns.size) if channels else 0,
            concluded=tuple(self.story.concluded),
            set_aside=self._in_file_order(),
            notes=tuple(_once(self.story.notes)),
            reference_junction_c=junction[0] if len(junction) == 1 else None,
        )

    def _in_file_order(self) -> tuple[SetAside, ...]:
        place = {h.name: i for i, h in enumerate(self.story.headings)}
        return tuple(sorted(self.story.aside, key=lambda a: place.get(a.name, len(place))))

    def _tell_missing(self, times: Times, columns: Sequence[tuple[Whole, Railed]]) -> None:
        """Tell what is missing, once for all columns of which the same is to be said."""
        said: dict[str, list[str]] = {}
        for column, railed in columns:
            name = repr(column.heading.text or column.heading.name)
            words = missing_words(self.story, column, railed, ~times.bad)
            if words:
                said.setdefault(words, []).append(name)
            for number, count in railed.kept:
                words = (
                    f"{number:g} comes {count} times among readings like it and was kept as a "
                    f"reading (--missing {number:g} overrules)"
                )
                said.setdefault(words, []).append(name)
        for words, names in said.items():
            plural = "columns" if len(names) > 1 else "column"
            self.story.notes.append(f"{plural} {', '.join(names)}: {words}")

    def _ordered(
        self, times: Times, rows: IntArray, same: BoolArray | None, inner: IntArray | None = None
    ) -> _Placed:
        ordered = put_in_order(times.ns[rows], coarse_ns=times.coarse_ns, same_as_before=same)
        self.story.notes += ordered.notes
        quality = ordered.quality.copy()
        if times.restamped is not None:
            quality[times.restamped[rows][ordered.rows]] |= int(Quality.RESTAMPED)
        source = (rows if inner is None else inner)[ordered.rows]
        return _Placed(ordered.time_ns, source, quality)

    def _channel(self, column: Whole, railed: Railed, unit: str, placed: _Placed) -> ChannelFound:
        return ChannelFound(
            name=column.heading.name,
            heading=column.heading.text,
            unit=unit,
            time_ns=placed.time_ns,
            value=_taken(railed.value, placed.rows),
            quality=_taken(railed.quality, placed.rows) | placed.quality,
        )


@dataclass(frozen=True, slots=True)
class _Placed:
    time_ns: IntArray
    rows: IntArray
    quality: QualityArray


def _taken(array: Any, rows: IntArray) -> Any:
    """Return the rows of an array, the array itself where that is all of them in order."""
    if rows.size == array.size and bool((rows == np.arange(rows.size)).all()):
        return array
    return array[rows]


def _rise(value: FloatArray) -> float:
    thin = value[:: max(1, value.size // 4000)]
    known = thin[np.isfinite(thin)]
    return float(np.quantile(known, 0.98) - np.quantile(known, 0.02)) if known.size else 0.0


def _same_as_before(values: Sequence[FloatArray]) -> BoolArray:
    same = np.ones(values[0].shape, np.bool_)
    same[:1] = False
    for value in values:
        a, b = value[1:], value[:-1]
        same[1:] &= (a == b) | (np.isnan(a) & np.isnan(b))
    return same


def _numeric_mark(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def _once(notes: Sequence[str]) -> list[str]:
    """Drop what was said before in the same words."""
    return list(dict.fromkeys(notes))
