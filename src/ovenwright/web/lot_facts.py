"""Lots of files on the way in, as plain data: what a person decided, what was concluded of it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from ovenwright.domain.plan import SensorType
from ovenwright.domain.run import Role
from ovenwright.errors import OvenwrightError, ReadingsRefused
from ovenwright.storage.readings import Choices, Join
from ovenwright.storage.staging import Lot, StagingArea
from ovenwright.web.site import Site

Word = Annotated[str, StringConstraints(max_length=300)]
_OPTION = re.compile(r"--[a-z]+(?:-[a-z]+)*")
_IN_BRACKETS = re.compile(r"\s*\((?=[^()]*--)[^()]*\)")

FIELDS: Mapping[str, str] = {
    "--unit": "unit",
    "--time-column": "time_columns",
    "--time-unit": "time_unit",
    "--zone": "zone",
    "--day-first": "day_first",
    "--month-first": "day_first",
    "--year-first": "year_first",
    "--delimiter": "delimiter",
    "--decimal": "decimal",
    "--encoding": "encoding",
    "--header-row": "header_row",
    "--sheet": "sheet",
    "--start": "start",
    "--interval": "interval_s",
    "--missing": "missing",
    "--join": "join",
    "--channels": "columns",
}
"""Which field of :class:`Decided` does what an option of the command line does."""


class Decided(BaseModel):
    """What a person decided about a lot of files; whatever is left empty is concluded.

    ``taken`` are columns that are temperatures all the same, ``left_out`` those never to be taken.
    ``plan`` is empty for none, ``preset:ID``, ``kept:ID`` for a plan this logbook judged under,
    ``shelf:ID`` for one of its named plans, or ``file`` for one that was handed in. ``columns``
    gives channels of the plan the headings of their columns.
    """

    model_config = ConfigDict(extra="forbid")

    title: Word = ""
    unit: Word = ""
    units: dict[Word, Word] = Field(default={}, max_length=300)
    time_columns: list[Word] = Field(default=[], max_length=8)
    time_unit: Word = ""
    channels: list[Word] = Field(default=[], max_length=300)
    left_out: list[Word] = Field(default=[], max_length=300)
    taken: list[Word] = Field(default=[], max_length=300)
    day_first: bool | None = None
    year_first: bool = False
    zone: Word = ""
    delimiter: Word = ""
    decimal: Word = ""
    encoding: Word = ""
    header_row: int = Field(default=0, ge=0, le=1_000_000)
    sheet: Word = ""
    start: Word = ""
    interval_s: float = Field(default=0.0, ge=0, le=86_400, allow_inf_nan=False)
    missing: list[Word] = Field(default=[], max_length=50)
    join: Join = Join.AUTO
    roles: dict[Word, Role] = Field(default={}, max_length=300)
    sensor: SensorType | Literal[""] = ""
    sensors: dict[Word, SensorType] = Field(default={}, max_length=300)
    plan: Word = ""
    oven: Word = ""
    product: Word = ""
    columns: dict[Word, Word] = Field(default={}, max_length=300)

    def choices(self) -> Choices:
        """Return what of it concerns the reading of files."""
        no_temperature = {*self.left_out, *self.time_columns}
        return Choices(
            unit=self.unit,
            # a column may get its unit first and be left out then
            units={n: u for n, u in self.units.items() if n not in no_temperature},
            time_columns=tuple(self.time_columns),
            time_unit=self.time_unit,
            channels=tuple(self.channels),
            left_out=tuple(self.left_out),
            planned=tuple(self.taken),
            day_first=self.day_first,
            year_first=self.year_first,
            zone=self.zone,
            delimiter=self.delimiter,
            decimal=self.decimal,
            encoding=self.encoding,
            header_row=self.header_row,
            sheet=self.sheet,
            start=self.start,
            interval_s=self.interval_s,
            missing=tuple(self.missing),
            join=self.join,
        )


class Conclusion(BaseModel):
    """One conclusion, with its reason; ``field`` is what overrules it."""

    about: str
    found: str
    why: str
    field: str
    certain: bool


class Doubtful(BaseModel):
    """What is in the way, and the field that helps where there is one."""

    what: str
    where: str = ""
    remedy: str = ""
    field: str = ""
    faults: list[dict[str, Any]] = []


class ColumnFacts(BaseModel):
    """One column of the table, or one channel of a long one; temperatures in °C.

    ``use`` is ``open`` while something has to be decided before anything can be concluded.
    """

    name: str
    heading: str
    use: Literal["temperature", "time", "left out", "open"]
    why: str = ""
    unit: str = ""
    unit_why: str = ""
    channel: str = ""
    role: str = ""
    role_why: str = ""
    count: int = 0
    missing: int = 0
    first_c: float | None = None
    last_c: float | None = None
    max_c: float | None = None
    flags: list[str] = []


class Top(BaseModel):
    """The first rows of a file, as they stand in it."""

    file: str
    columns: list[str]
    headings: list[str]
    units: list[str]
    rows: list[list[str]]
    lines: list[int]
    above: list[str]
    sheets: list[str]


class PlanFacts(BaseModel):
    """The plan the readings would be judged under."""

    title: str
    oven: str
    product: str
    channels: list[str]
    requirements: list[str]
    notes: list[str] = []


class Review(BaseModel):
    """A lot of files as it stands: nothing of it is kept in the logbook yet."""

    id: str
    files: list[dict[str, str | int]]
    decided: Decided
    ready: bool
    trouble: Doubtful | None
    rows: list[Top]
    columns: list[ColumnFacts]
    concluded: list[Conclusion]
    notes: list[str]
    start: str | None = None
    samples: int = 0
    interval_s: float | None = None
    duration_s: float | None = None
    plan: PlanFacts | None = None
    plan_trouble: Doubtful | None = None


def without_options(text: str) -> str:
    """Return a sentence without the command line's options, which help nobody on a page."""
    return _IN_BRACKETS.sub("", text).strip()


def doubtful(trouble: OvenwrightError) -> Doubtful:
    """Return a trouble as the page and its twin tell it."""
    option = getattr(trouble, "option", "") or trouble.where
    found = _OPTION.search(option) or _OPTION.search(trouble.what)
    name = FIELDS.get(found[0], "") if found else ""
    facts = trouble.facts()
    remedy = trouble.remedy
    if isinstance(trouble, ReadingsRefused) and trouble.option:
        remedy = f"decide it here: {name.replace('_', ' ')}" if name else ""
    where = "" if trouble.where.startswith("--") else Path(trouble.where).name
    return Doubtful(
        what=without_options(trouble.what),
        where=where,
        remedy=without_options(remedy),
        field=name,
        faults=list(facts.get("faults", ())),  # type: ignore[call-overload]
    )


def staging(site: Site) -> StagingArea:
    """Return the logbook's folder of files on their way in."""
    return StagingArea(site.tools.logbook.folder / "imports")


def decided(lot: Lot) -> Decided:
    """Return what was decided about a lot so far."""
    return Decided(**lot.facts().get("decided", {}))


def keep_decided(lot: Lot, what: Decided) -> None:
    """Keep what was decided, beside what else is known of the lot."""
    lot.keep(lot.facts() | {"decided": what.model_dump(mode="json", exclude_defaults=True)})


def own_plan(lot: Lot) -> Path:
    """Return where the plan that came with the files is kept."""
    return lot.folder / "handed-in.toml"


def field_of(option: str) -> str:
    """Return the field that does what an option of the command line does, "" for none."""
    found = _OPTION.search(option)
    return FIELDS.get(found[0], "") if found else ""
