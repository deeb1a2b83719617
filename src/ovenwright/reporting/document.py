"""What a report is made of: blocks that every format draws in its own way.

A cell carries the words a person reads and, where it is a number, the number itself with its
digits, so that the spreadsheet shows the same digits as the page.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeAlias

from ovenwright.domain.arrays import FloatArray


class Tone(StrEnum):
    """How a cell or a callout is meant; formats show it by a sign as well as by colour."""

    PLAIN = "plain"
    GOOD = "good"
    POOR = "poor"
    OPEN = "open"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: the words shown and, for a number, its value and decimals."""

    text: str
    number: float | None = None
    decimals: int = 0
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Column:
    """A column heading; ``number`` columns are right-aligned."""

    name: str
    number: bool = False
    width: float = 1.0  # relative


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a plain-word note below; ``empty`` is shown when there are no rows."""

    id: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    empty: str = "nothing to show"

    def filled(self) -> Table:
        """Return the table without the columns that no row has a word in."""
        kept = [j for j in range(len(self.columns)) if any(row[j].text for row in self.rows)]
        return self if not self.rows or len(kept) == len(self.columns) else self._only(kept)

    def without(self, *names: str) -> Table:
        """Return the table without the columns of these names."""
        return self._only([j for j, column in enumerate(self.columns) if column.name not in names])

    def _only(self, kept: list[int]) -> Table:
        return replace(
            self,
            columns=tuple(self.columns[j] for j in kept),
            rows=tuple(tuple(row[j] for j in kept) for row in self.rows),
        )


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text."""

    text: str


@dataclass(frozen=True, slots=True)
class Points:
    """A plain list."""

    title: str
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Callout:
    """Something to be seen first: the verdict, a caution."""

    tone: Tone
    title: str
    text: str


@dataclass(frozen=True, slots=True)
class Line:
    """One channel in a chart: minutes since load-in and the user's unit, decimated for drawing.

    ``look`` numbers its colour, marker and dash together, so no one of them is needed alone.
    ``half`` is the half-width of a band drawn about the line, where there is one.
    """

    name: str
    role: str
    look: int
    x: FloatArray
    y: FloatArray
    half: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """A horizontal line with its words."""

    y: float
    text: str


@dataclass(frozen=True, slots=True)
class Spot:
    """A point with its words, such as a crossing."""

    x: float
    y: float
    text: str
    look: int


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of time shaded over one channel (bad readings) or the whole chart (a zone)."""

    x0: float
    x1: float
    text: str
    kind: str  # "bad", "doubt", "zone", "process"
    look: int = -1


@dataclass(frozen=True, slots=True)
class Area:
    """A stretch between two curves, such as where a forecast expects a channel to be.

    ``sure`` is the share of cases that lie within; wider ones are drawn paler.
    """

    x: FloatArray
    low: FloatArray
    high: FloatArray
    look: int
    sure: float


@dataclass(frozen=True, slots=True)
class TimeChart:
    """Channels over time. ``alt`` tells the picture in words."""

    id: str
    title: str
    alt: str
    x_label: str
    y_label: str
    lines: tuple[Line, ...]
    limits: tuple[Limit, ...] = ()
    spots: tuple[Spot, ...] = ()
    bands: tuple[Band, ...] = ()
    events: tuple[tuple[float, str], ...] = ()
    note: str = ""
    areas: tuple[Area, ...] = ()


@dataclass(frozen=True, slots=True)
class PlanPoint:
    """A channel's place in the oven plan, metres, with what it read at its hottest."""

    name: str
    role: str
    look: int
    x_m: float
    y_m: float
    z_m: float
    text: str


@dataclass(frozen=True, slots=True)
class OvenPlan:
    """The oven from above (and its zones), with the channels' places."""

    id: str
    title: str
    alt: str
    kind: str  # "tunnel" or "chamber"
    length_m: float
    width_m: float
    zones: tuple[tuple[str, float, str], ...]  # name, length, words
    points: tuple[PlanPoint, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Bars:
    """Horizontal bars with signed values, such as lanes about their mean or a budget's shares."""

    id: str
    title: str
    alt: str
    unit: str
    groups: tuple[tuple[str, tuple[tuple[str, float], ...]], ...]
    note: str = ""


Block: TypeAlias = Table | Paragraph | Points | Callout | TimeChart | OvenPlan | Bars


@dataclass(frozen=True, slots=True)
class Section:
    """A headed part of the report."""

    id: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """The whole report as facts, before any format draws it."""

    title: str
    subtitle: str
    run_id: str
    digest: str
    unit: str  # "°C" or "°F"
    outcome: str
    headline: str
    first_page: tuple[Block, ...]
    sections: tuple[Section, ...]
    footer: str
    facts: tuple[tuple[str, str], ...]  # name and value pairs for headers and file properties
