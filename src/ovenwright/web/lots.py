"""Lots of files on the way in: what a person decided, what was concluded, the plan that fits."""

from __future__ import annotations

import hashlib
import re
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from ovenwright.domain.plan import SensorType
from ovenwright.domain.run import Role
from ovenwright.errors import (
    OvenwrightError,
    PlanFaults,
    ReadingsRefused,
    StorageTrouble,
    UnknownName,
    UsageError,
)
from ovenwright.storage.plan_file import parse_plan, write_plan
from ovenwright.storage.plan_shelf import PlanShelf
from ovenwright.storage.readings import Choices, FirstRows, Join, weigh
from ovenwright.storage.staging import Lot, StagingArea
from ovenwright.web.site import Site
from ovenwright.workflow.bringing_in import Brought, ChannelBrought, bring_in
from ovenwright.workflow.judging import Judged, judge_run
from ovenwright.workflow.plan_from_columns import Assigned, plan_for_columns, with_columns
from ovenwright.workflow.planning import checked_text
from ovenwright.workflow.previewing import Previewed, preview

Word = Annotated[str, StringConstraints(max_length=300)]
_KEPT_PLAN = re.compile(r"[0-9a-f]{16}", re.ASCII)
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


# what was decided -------------------------------------------------------------------------


def decided(lot: Lot) -> Decided:
    """Return what was decided about a lot so far."""
    return Decided(**lot.facts().get("decided", {}))


def keep_decided(lot: Lot, what: Decided) -> None:
    """Keep what was decided, beside what else is known of the lot."""
    lot.keep(lot.facts() | {"decided": what.model_dump(mode="json", exclude_defaults=True)})


# the plan ---------------------------------------------------------------------------------


def own_plan(lot: Lot) -> Path:
    """Return where the plan that came with the files is kept."""
    return lot.folder / "handed-in.toml"


def _base_text(site: Site, lot: Lot, name: str) -> str:
    """Return the text of a plan that is there already.

    Raises
    ------
    UnknownName : if there is none
    """
    kind, _, ref = name.partition(":")
    if kind == "file":
        path = own_plan(lot)
    elif kind == "kept" and _KEPT_PLAN.fullmatch(ref):
        path = site.tools.logbook.plans_dir / f"{ref}.toml"
    elif kind == "shelf":
        return shelf_text(site, ref)
    else:
        raise UnknownName("plan", name[:80])
    if not path.is_file():
        raise UnknownName("plan", name[:80])
    try:
        return path.read_text("utf-8-sig")
    except UnicodeDecodeError as cause:
        raise UsageError(
            "the plan is not UTF-8 text", where="plan", remedy="save it as UTF-8"
        ) from cause


def shelf_text(site: Site, ref: str) -> str:
    """Return the newest text of a plan that the logbook keeps by name."""
    return PlanShelf(site.tools.logbook.plan_shelf_dir).text(ref)


@dataclass
class _PlanMade:
    text: str = ""
    facts: PlanFacts | None = None
    trouble: Doubtful | None = None
    notes: list[str] = field(default_factory=list)


def _told(site: Site, text: str, notes: list[str]) -> _PlanMade:
    made = _PlanMade(text, notes=notes)
    try:
        plan = checked_text(text, site.tools.library(), file="the plan")
    except PlanFaults as faults:
        made.trouble = doubtful(faults)
        made.text = ""
        return made
    made.facts = PlanFacts(
        title=plan.title,
        oven=plan.oven.name,
        product=plan.product.name,
        channels=[c.name for c in plan.channels],
        requirements=[r.name for r in plan.requirements],
        notes=notes,
    )
    return made


def _existing_text(site: Site, lot: Lot, what: Decided) -> str:
    text = _base_text(site, lot, what.plan)
    if not any(what.columns.values()):
        return text
    return write_plan(with_columns(parse_plan(text, file="the plan"), what.columns))


def _preset_plan(site: Site, what: Decided, columns: list[ColumnFacts], step: float) -> _PlanMade:
    assigned: list[Assigned] = []
    lacking: list[str] = []
    for c in columns:
        role = what.roles.get(c.name) or (Role(c.role) if c.role else None)
        if c.use != "temperature" or role is None:
            continue
        sensor = what.sensors.get(c.name) or what.sensor
        if sensor:
            assigned.append(Assigned(c.channel or c.name, role, SensorType(sensor), c.heading))
        else:
            lacking.append(c.name)
    if lacking:
        return _PlanMade(
            trouble=Doubtful(
                what=f"what sensors these are is not said: {', '.join(lacking[:6])}",
                remedy="the type decides how far a reading can be trusted; choose it",
                field="sensor",
            )
        )
    fitted = plan_for_columns(
        what.plan.partition(":")[2],
        assigned,
        oven=what.oven,
        product=what.product,
        title=what.title,
        interval_s=step,
    )
    return _told(site, fitted.text, list(fitted.notes))


# looking ----------------------------------------------------------------------------------

_MOST_REVIEWS = 12
_reviews: OrderedDict[tuple[str, str], Review] = OrderedDict()
_lock = threading.Lock()


def review(site: Site, lot: Lot) -> Review:
    """Return a lot as it stands; computed anew only when something was decided."""
    what = decided(lot)
    # a plan on the shelf may get a new version while the lot waits
    plan_now = "" if not what.plan.startswith("shelf:") else shelf_text(site, what.plan[6:])
    mark = hashlib.sha256((what.model_dump_json() + plan_now).encode()).hexdigest()
    key = (str(lot.folder), mark)
    with _lock:
        if key in _reviews:
            _reviews.move_to_end(key)
            return _reviews[key]
    found = _review(site, lot, what)
    with _lock:
        _reviews[key] = found
        while len(_reviews) > _MOST_REVIEWS:
            _reviews.popitem(last=False)
    return found


def _review(site: Site, lot: Lot, what: Decided) -> Review:
    files = lot.files()
    paths = [f.path for f in files]
    made: _PlanMade | None = None
    plan_file: Path | None = None
    trouble: Doubtful | None = None
    if what.plan and not what.plan.startswith("preset:"):
        try:
            made = _told(site, _existing_text(site, lot, what), [])
        except OvenwrightError as cause:
            made = _PlanMade(trouble=doubtful(cause))
        if made.text:
            plan_file = lot.keep_plan(made.text)
    seen = preview(paths, what.choices(), plan_file=plan_file, usual_zone=site.tools.settings.zone)
    columns = _columns(seen)
    if what.plan.startswith("preset:") and seen.brought is not None:
        try:
            made = _preset_plan(site, what, columns, seen.brought.interval_s)
        except OvenwrightError as cause:
            made = _PlanMade(trouble=doubtful(cause))
        if made.text:
            lot.keep_plan(made.text)
    plan_trouble = made.trouble if made is not None else None
    if seen.trouble is not None:
        if seen.brought is not None and plan_trouble is None:
            plan_trouble = doubtful(seen.trouble)
        else:
            trouble = doubtful(seen.trouble)
    if made is None or not made.text:
        lot.plan_file.unlink(missing_ok=True)
    brought = seen.brought
    return Review(
        id=lot.id,
        files=[{"name": f.name, "size": f.size} for f in files],
        decided=what,
        ready=brought is not None and trouble is None and plan_trouble is None,
        trouble=trouble,
        rows=[_top(r) for r in seen.rows],
        columns=columns,
        concluded=[
            Conclusion(
                about=c.about,
                found=c.found,
                why=without_options(c.why),
                field=_field(c.option),
                certain=c.certain,
            )
            for c in (brought.concluded if brought else ())
        ],
        notes=_notes(brought),
        start=brought.start if brought else None,
        samples=brought.samples if brought else 0,
        interval_s=_finite(brought.interval_s) if brought else None,
        duration_s=(brought.run.end_ns - brought.run.start_ns) / 1e9 if brought else None,
        plan=made.facts if made else None,
        plan_trouble=plan_trouble,
    )


def _field(option: str) -> str:
    found = _OPTION.search(option)
    return FIELDS.get(found[0], "") if found else ""


def _finite(value: float) -> float | None:
    return value if value == value and abs(value) != float("inf") else None  # noqa: PLR0124


def _notes(brought: Brought | None) -> list[str]:
    """Return the notes that no conclusion and no column tells already."""
    if brought is None:
        return []
    said = {c.words() for c in brought.concluded} | {a.words() for a in brought.set_aside}
    return [without_options(n) for n in brought.notes if n not in said]


def _top(rows: FirstRows) -> Top:
    return Top(
        file=rows.file,
        columns=list(rows.columns),
        headings=list(rows.headings),
        units=list(rows.units),
        rows=[list(r) for r in rows.rows],
        lines=list(rows.lines),
        above=list(rows.above),
        sheets=list(rows.sheets),
    )


def _columns(seen: Previewed) -> list[ColumnFacts]:
    if seen.brought is None:
        return [
            ColumnFacts(name=n, heading=h or n, use="open")
            for top in seen.rows[:1]
            for n, h in zip(top.columns, top.headings, strict=True)
        ]
    brought = seen.brought
    waiting = list(brought.channels)
    aside = {a.name: a.why for a in brought.set_aside}
    out: list[ColumnFacts] = []
    for top in seen.rows:
        for name, heading in zip(top.columns, top.headings, strict=True):
            channel = next((c for c in waiting if c.column in {heading, name}), None)
            if channel is not None:
                waiting.remove(channel)
                out.append(_channel(channel, brought, name))
            elif name in aside:
                out.append(
                    ColumnFacts(
                        name=name,
                        heading=heading or name,
                        use="left out",
                        why=without_options(aside[name]),
                    )
                )
            elif heading or name:
                out.append(ColumnFacts(name=name, heading=heading or name, use="time"))
    # one row a reading: the channels stand in no heading
    out += [_channel(c, brought, c.name) for c in waiting]
    return out


def _channel(c: ChannelBrought, brought: Brought, name: str) -> ColumnFacts:
    why = next(
        (
            x.why
            for x in brought.concluded
            if x.about == "unit" or (x.about.startswith("unit of") and name in x.about)
        ),
        "",
    )
    return ColumnFacts(
        name=name,
        heading=c.column or name,
        use="temperature",
        unit=c.unit,
        # what the heading itself says needs no word beside it
        unit_why="" if why.endswith("says so") else without_options(why),
        channel=c.name,
        role=c.role_guess or "",
        role_why=c.role_reason,
        count=c.count,
        missing=c.missing,
        first_c=c.first_c,
        last_c=c.last_c,
        max_c=c.max_c,
        flags=[f"{f.check.replace('-', ' ')}: {f.reason}" for f in c.flags],
    )


# bringing in ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """A run that is sealed now, and its verdict where there was a plan."""

    brought: Brought
    judged: Judged | None
    trouble: Doubtful | None = None

    def facts(self) -> dict[str, Any]:
        """Return it as plain data."""
        run = self.brought.run
        return {
            "id": run.id,
            "link": f"/runs/{run.id}",
            "verdict": self.judged.verdict.outcome.value if self.judged else None,
            "why_no_verdict": self.trouble.what if self.trouble else None,
            **self.brought.facts(),
        }


def _plan_to_use(site: Site, lot: Lot, what: Decided) -> Path | None:
    if not what.plan:
        return None
    if not what.plan.startswith("preset:"):
        text = _existing_text(site, lot, what)
        checked_text(text, site.tools.library(), file="the plan")
        return lot.keep_plan(text)
    found = review(site, lot)
    in_the_way = found.trouble or found.plan_trouble
    if in_the_way is not None:
        raise UsageError(in_the_way.what, where=in_the_way.where, remedy=in_the_way.remedy)
    if not lot.plan_file.is_file():
        raise StorageTrouble("the plan of these files is gone", remedy="choose it once more")
    return lot.plan_file


def seal(site: Site, lot: Lot, tell: Any = lambda *_: None) -> BroughtIn:
    """Bring a lot in: read, seal, judge where there is a plan; then the lot is gone.

    Raises
    ------
    ReadingsRefused, PlanFaults, UsageError : if something is still in the way
    StorageTrouble : if the disk refuses; the lot stays
    """
    tell(0.05, "looking at the files")
    what = decided(lot)
    paths = [f.path for f in lot.files()]
    for path in paths:
        weigh(path)
    plan_file = _plan_to_use(site, lot, what)
    tell(0.2, "reading and sealing")
    brought = bring_in(
        paths,
        what.choices(),
        logbook=site.tools.logbook,
        plan_file=plan_file,
        title=what.title,
        usual_zone=site.tools.settings.zone,
    )
    judged: Judged | None = None
    trouble: Doubtful | None = None
    if plan_file is not None:
        tell(0.6, "judging")
        try:
            judged = judge_run(site.tools.logbook, site.tools.library(), brought.run.id)
        except OvenwrightError as cause:  # the run is sealed: why it can't be judged is told
            trouble = doubtful(cause)
    lot.discard()
    return BroughtIn(brought, judged, trouble)
