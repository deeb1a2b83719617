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
    TimeChart,
    Tone,
)
from ovenwright.reporting.ink import PAGE
from ovenwright.reporting.svg_plan import bars, oven_plan
from ovenwright.reporting.svg_time import time_chart
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


def block_facts(block: Block) -> BlockShown:
    """Return a block as a template draws it."""
    drawn = ""
    if isinstance(block, TimeChart):
        drawn = time_chart(block, PAGE)
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


filters(cell_class=cell_class)
