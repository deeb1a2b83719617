"""The report's blocks as a page draws them: the same words and digits, pictures as SVG."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from ovenwright.reporting.document import (
    Bars,
    Block,
    Callout,
    Cell,
    Column,
    OvenPlan,
    Section,
    Table,
    TimeChart,
    Tone,
)
from ovenwright.reporting.ink import PAGE
from ovenwright.reporting.svg_plan import bars, oven_plan
from ovenwright.reporting.svg_time import time_chart
from ovenwright.reporting.words import counted
from ovenwright.web.pages import filters


@dataclass(frozen=True, slots=True)
class BlockShown:
    """One block: its kind in a word, itself, and its picture where it has one."""

    kind: str
    block: Block
    picture: Markup


@dataclass(frozen=True, slots=True)
class SectionShown:
    """A headed part with its blocks; ``folded`` where it is long and seldom read."""

    id: str
    title: str
    blocks: tuple[BlockShown, ...]
    folded: bool = False


_FOLDED = {"budget", "method"}
_LOOK = {Tone.POOR, Tone.OPEN}
_LONG_ROWS = 6
"""Longer tables are folded on a page."""


def block_facts(block: Block, *, half: bool = False) -> BlockShown:
    """Return a block as a template draws it; ``half`` where two charts stand side by side."""
    drawn = ""
    if isinstance(block, TimeChart):
        drawn = time_chart(block, PAGE, width=640, height=340) if half else time_chart(block, PAGE)
    elif isinstance(block, OvenPlan):
        drawn = oven_plan(block, PAGE)
    elif isinstance(block, Bars):
        drawn = bars(block, PAGE)
    # our own drawing, its words escaped where it is made
    return BlockShown(type(block).__name__.lower(), block, Markup(drawn))  # noqa: S704


def section_facts(section: Section) -> SectionShown:
    """Return a section as a template draws it."""
    blocks = tuple(block_facts(b) for b in section.blocks)
    return SectionShown(section.id, section.title, blocks, section.id in _FOLDED)


def caution(callout: Callout) -> bool:
    """Tell whether a callout is a caution rather than a verdict."""
    return callout.title == "Caution"


def cell_class(cell: Cell, column: Column) -> str:
    """Return the classes of a table cell."""
    found = ["n"] if column.number else []
    if column.width >= 2.4:
        found.append("long")
    if cell.tone is not Tone.PLAIN:
        found.append(cell.tone.value)
    return " ".join(found)


def is_long(table: Table) -> bool:
    """Tell whether a table is folded on a page."""
    return len(table.rows) > _LONG_ROWS


def row_count(table: Table) -> str:
    """Return how many rows a folded table has, and how many of them need a look."""
    told = counted(len(table.rows)) + " rows"
    looks = sum(any(c.tone in _LOOK for c in row) for row in table.rows)
    return f"{told}, {counted(looks)} to look at" if looks else told


def part_count(section: SectionShown) -> str:
    """Return what a folded part holds, counted."""
    tables = [s.block for s in section.blocks if isinstance(s.block, Table)]
    rows = sum(len(t.rows) for t in tables)
    others = len(section.blocks) - len(tables)
    told = [f"{counted(rows)} rows in {len(tables)} table{'s' * (len(tables) != 1)}"] * bool(tables)
    told += [f"{others} passage{'s' * (others != 1)}"] * bool(others)
    return ", ".join(told)


filters(cell_class=cell_class, is_long=is_long, part_count=part_count, row_count=row_count)
