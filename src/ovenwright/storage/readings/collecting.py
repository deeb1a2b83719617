"""The columns of a table read in batches: values at once, times as they stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyarrow as pa

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray, QualityArray
from ovenwright.errors import UsageError
from ovenwright.storage.readings.arrow import ints
from ovenwright.storage.readings.columns import Selection, answers_to
from ovenwright.storage.readings.conclusions import Concluded, SetAside
from ovenwright.storage.readings.headings import Heading, read_headings, temperature_unit
from ovenwright.storage.readings.numbers import (
    NumberStyle,
    Tally,
    as_marks,
    conclude_decimal,
    read_numbers,
)
from ovenwright.storage.readings.rails import Railed
from ovenwright.storage.readings.story import Story


@dataclass(slots=True)
class Part:
    """One numeric column as it grows batch by batch."""

    place: int
    heading: Heading
    tally: Tally = field(default_factory=Tally)
    values: list[FloatArray] = field(default_factory=list)
    qualities: list[QualityArray] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Whole:
    """One column complete; ``rows`` are its rows in the file where the table is long."""

    heading: Heading
    value: FloatArray
    quality: QualityArray
    written: str = ""
    rows: IntArray | None = None
    tally: Tally = field(default_factory=Tally)

    def known_at(self, row: int) -> bool:
        """Say whether there is a number in a row of the file."""
        if self.rows is None:
            return bool(np.isfinite(self.value[row]))
        return bool(np.isfinite(self.value[self.rows == row]).any())


@dataclass(slots=True)
class Cells:
    """What stands in the wanted columns; a list has one piece a batch."""

    parts: list[Part]
    times: list[list[Any]]
    names: list[Any] = field(default_factory=list)
    units: list[Any] = field(default_factory=list)


def missing_words(story: Story, column: Whole, railed: Railed, good: BoolArray) -> str:
    """Say how many readings of a column are missing and what stood in their place."""
    rows = column.rows if column.rows is not None else np.arange(good.size)
    gone = np.isnan(railed.value) & good[rows]
    if not gone.any():
        return ""
    words = [f"{text!r} {count}" for text, count in column.tally.marks.most_common(4)]
    words += [f"{number:g} {count}" for number, count in railed.marks]
    if column.tally.unknown:
        text, count = column.tally.unknown.most_common(1)[0]
        line = story.table.line_of(column.tally.first_row[text])
        words.append(f"{text[:24]!r} {count}, which is no number, first in line {line}")
        rest = sum(column.tally.unknown.values()) - count
        if rest:
            words.append(f"other text {rest}")
    empty = min(column.tally.empty, int(gone.sum()))
    if empty and column.rows is None:
        words.append(f"empty or NaN {empty}")
    return f"{int(gone.sum())} of {rows.size} readings are missing ({', '.join(words)})"


class Collector:
    """Reads the wanted columns of one table."""

    def __init__(self, story: Story, selection: Selection) -> None:
        self.story = story
        self.selection = selection

    def style(self) -> NumberStyle:
        """Settle how numbers are written in the file."""
        given = self.story.choices.decimal
        given = {"comma": ",", "point": ".", "dot": "."}.get(given.lower(), given)
        missing = as_marks(self.story.choices.missing)
        if given:
            if given not in {".", ","}:
                raise UsageError(
                    f"{given!r} is no decimal mark", where="--decimal", remedy="give comma or point"
                )
            return NumberStyle(given, missing)
        cells = (c for i in self.selection.values for c in self.story.table.column(i)[:100])
        found = conclude_decimal(cells)
        if not found.mark:
            if " and " in found.example:
                raise self.story.refuse(
                    f"{found.why}: {found.example}", "--decimal comma or point", 0
                )
            found = conclude_decimal(
                str(c)
                for batch in self.story.table.batches(self.selection.values)
                for column in batch
                if pa.types.is_string(column.type)
                for c in column.dictionary_encode().dictionary.to_pylist()
            )
        if not found.mark:
            raise self.story.refuse(
                f"numbers such as {found.example} can have a decimal comma or a thousands mark",
                "--decimal comma or --decimal point",
                0,
            )
        if found.mark == ",":
            self.story.concluded.append(Concluded("decimal mark", "comma", found.why, "--decimal"))
        return NumberStyle(found.mark, missing)

    def collect(self, style: NumberStyle) -> Cells:
        """Read every wanted column: numbers at once, times as they stand."""
        chosen = self.selection
        cells = Cells(
            [Part(i, self.story.headings[i]) for i in chosen.values], [[] for _ in chosen.time]
        )
        extra = [i for i in (chosen.long_name, chosen.long_unit) if i is not None]
        wanted = sorted({*chosen.time, *extra, *chosen.values})
        place = {column: k for k, column in enumerate(wanted)}
        row = 0
        for batch in self.story.table.batches(wanted):
            for k, i in enumerate(chosen.time):
                cells.times[k].append(batch[place[i]])
            if chosen.long_name is not None:
                cells.names.append(batch[place[chosen.long_name]].cast(pa.string()))
            if chosen.long_unit is not None:
                cells.units.append(batch[place[chosen.long_unit]].cast(pa.string()))
            for part in cells.parts:
                value, quality = read_numbers(batch[place[part.place]], style, part.tally, row)
                part.values.append(value)
                part.qualities.append(quality)
            row += len(batch[0])
        if not row:
            raise self.story.refuse("holds headings but no readings", "--header-row")
        return cells

    def columns(self, cells: Cells) -> list[Whole]:
        """Join the batches; part the readings of a long table by channel name."""
        whole: list[Whole] = []
        for part in cells.parts:
            value = _joined(part.values)
            quality = _joined(part.qualities)
            part.values.clear()
            part.qualities.clear()
            self._tell_marks(part)
            if not np.isfinite(value).any() and part.tally.unknown:
                shown = ", ".join(repr(t) for t in list(part.tally.unknown)[:3])
                self.story.aside.append(
                    SetAside(part.heading.name, part.heading.text, f"it holds text ({shown})")
                )
                continue
            written = ""
            if part.tally.units:
                if len(part.tally.units) > 1:
                    raise self.story.refuse(
                        f"column {part.heading.text!r} mixes units: {', '.join(part.tally.units)}",
                        f"--unit {part.heading.name}=C",
                    )
                written = next(iter(part.tally.units))
            column = Whole(part.heading, value, quality, written, tally=part.tally)
            whole += self._parted(column, cells) if cells.names else [column]
        if not whole:
            raise self.story.refuse(
                "no column holds readings: " + "; ".join(a.words() for a in self.story.aside[:3]),
                "--channels, --decimal or --missing",
            )
        return whole

    def _parted(self, column: Whole, cells: Cells) -> list[Whole]:
        """Part a column of values by the channel names beside it."""
        coded = pa.chunked_array(cells.names).combine_chunks().dictionary_encode()
        codes = ints(coded.indices.fill_null(-1))
        labels = [str(v).strip() for v in coded.dictionary.to_pylist()]
        said = pa.chunked_array(cells.units).to_pylist() if cells.units else []
        found = []
        for k, heading in enumerate(read_headings(labels)):
            rows = np.flatnonzero(codes == k)
            word = self._unit_beside(said, rows, labels[k])
            unit = temperature_unit(word) or heading.unit or column.heading.unit
            why = ""
            if word and not temperature_unit(word):
                why = f"its unit is {word}"
            elif heading.why and not unit:
                why = heading.why
            elif self.story.choices.channels and not any(
                answers_to(heading, n) for n in self.story.choices.channels
            ):
                why = "not among the channels asked for"
            if why:
                self.story.aside.append(SetAside(heading.name, labels[k], why))
                continue
            found.append(
                Whole(
                    replace(heading, unit=unit),
                    column.value[rows],
                    column.quality[rows],
                    column.written,
                    rows,
                    column.tally,
                )
            )
        return found

    def _unit_beside(self, said: Sequence[Any], rows: IntArray, label: str) -> str:
        """Return the one unit that stands beside a channel's readings, "" where there is none."""
        mine = {str(said[r]).strip() for r in rows if said[r]} if said else set()
        if len(mine) > 1:
            raise self.story.refuse(
                f"channel {label!r} comes in several units: {', '.join(sorted(mine))}",
                "importing each unit by itself",
                int(rows[0]),
            )
        return mine.pop() if mine else ""

    def _tell_marks(self, part: Part) -> None:
        """Tell what must be told at once; what is missing is counted when all is in order."""
        name = part.heading.text or part.heading.name
        if part.tally.doubtful:
            self.story.notes.append(
                f"column {name!r}: {part.tally.doubtful} readings carry the instrument's own mark "
                "of doubt, kept with that mark"
            )


def _joined(pieces: Sequence[Any]) -> Any:
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
