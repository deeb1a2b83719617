"""What is known of a time column, before and after it is read."""

from __future__ import annotations

from dataclasses import dataclass, field

from ovenwright.domain.arrays import BoolArray, IntArray
from ovenwright.domain.run import NS
from ovenwright.storage.readings.conclusions import Concluded

SECONDS_IN = {"ns": 1e-9, "us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
TIME_UNITS = (*SECONDS_IN, "h:mm:ss", "mm:ss", "h:mm", "serial", "epoch")
DAY_NS = 86_400 * NS


class TimeRefused(Exception):
    """Times that can't be read without guessing; the caller adds file and line."""

    def __init__(self, what: str, option: str, row: int | None = None) -> None:
        super().__init__(what)
        self.what = what
        self.option = option
        self.row = row


@dataclass(frozen=True, slots=True)
class TimeHints:
    """What headings and people say of the time column."""

    unit: str = ""
    given_unit: str = ""
    day_first: bool | None = None
    heading_day_first: bool | None = None
    year_first: bool = False
    elapsed_word: bool = False
    clock_word: bool = False
    decimal: str = "."
    rise_k: float = 0.0
    """How far the slowest of the channels that move at all moves, 0 where it is not known."""


@dataclass(slots=True)
class Times:
    """Times of all rows in file order.

    ``ns`` (n,) since 1970-01-01 where ``absolute``, else since the source's own zero. ``utc`` is
    True where the text says its zone, ``letters`` are a zone's letters that name more than one.
    ``coarse_ns`` is the step the clock shows; ``bad`` (n,) marks rows without a readable time.
    """

    ns: IntArray
    bad: BoolArray
    absolute: bool
    utc: bool = False
    clock: bool = False
    coarse_ns: int = 1
    letters: str = ""
    restamped: BoolArray | None = None
    concluded: list[Concluded] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def coarse_step(ns: IntArray) -> int:
    """Return the step the clock shows: a minute, a second, or finer."""
    head = ns[:4000]
    for step in (60 * NS, NS):
        if head.size and not (head % step).any():
            return step
    return 1
