"""What a person may decide about a file of readings; whatever is left out is concluded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Join(StrEnum):
    """How several files become one run."""

    AUTO = "auto"
    """Same names follow each other in time, new names stand beside; overlaps are refused."""
    TIME = "time"
    """Same names are one channel; where two files overlap, the one named first is kept."""
    BESIDE = "beside"
    """Same names are different channels; the file's name is added to tell them apart."""
    AFTER = "after"
    """Each file starts one interval after the one before it ended (elapsed times only)."""


@dataclass(frozen=True, slots=True)
class Choices:
    """Every conclusion the reader draws can be overruled by one field here.

    ``unit`` holds for every temperature column, ``units`` for one by name. ``time_unit`` is one of
    :data:`ovenwright.storage.readings.time_nouns.TIME_UNITS`. ``day_first`` is None where the data
    decide; ``year_first`` is for years of two digits. ``header_row`` is the 1-based line of the headings, 0 where it is to be found.
    ``channels`` are the only columns to take, ``left_out`` are never taken; ``planned`` are names or headings that a plan says
    are temperatures, whatever they sound like. ``start`` is an ISO date and time for elapsed time zero;
    ``interval_s`` is the step from row to row of a table without times, 0 where it has them. ``missing`` are marks that stand for
    no reading, beside the usual ones.
    """

    unit: str = ""
    units: Mapping[str, str] = field(default_factory=dict)
    time_columns: tuple[str, ...] = ()
    time_unit: str = ""
    channels: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    planned: tuple[str, ...] = ()
    day_first: bool | None = None
    year_first: bool = False
    zone: str = ""
    delimiter: str = ""
    decimal: str = ""
    encoding: str = ""
    header_row: int = 0
    sheet: str = ""
    start: str = ""
    interval_s: float = 0.0
    missing: tuple[str, ...] = ()
    join: Join = Join.AUTO
