"""Which column is the time, which can be temperatures, and which are set aside."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from ovenwright.errors import ReadingsRefused, UnknownName
from ovenwright.storage.readings.choices import Choices
from ovenwright.storage.readings.conclusions import Concluded, SetAside
from ovenwright.storage.readings.headings import Heading, HeadingKind
from ovenwright.storage.readings.table import Table
from ovenwright.storage.readings.time_patterns import shape_of

_LONG_NAMES = re.compile(
    r"^(channel|channels|sensor|sensor[_ ]?(?:id|name)|tag|tag[_ ]?name|probe|variable|series|name|"
    r"point|position|kanal|messstelle|device)$",
    re.IGNORECASE,
)
_LONG_VALUES = re.compile(
    r"^(value|values|reading|readings|temperature|temp|wert|measurement|data|valeur|valor)$",
    re.IGNORECASE,
)
_LONG_UNITS = re.compile(r"^(unit|units|einheit|uom)$", re.IGNORECASE)


@dataclass(slots=True)
class Selection:
    """Columns by what they are for; numbers are places in the table."""

    time: tuple[int, ...]
    values: list[int]
    aside: list[SetAside] = field(default_factory=list)
    concluded: list[Concluded] = field(default_factory=list)
    long_name: int | None = None
    long_unit: int | None = None


def fold(text: str) -> str:
    """Return a name in the form names are compared in."""
    return re.sub(r"\s+", " ", text).strip().casefold()


def answers_to(heading: Heading, name: str) -> bool:
    """Say whether a person may mean this column by ``name``."""
    return fold(name) in {fold(heading.name), fold(heading.text)}


def _place(headings: Sequence[Heading], name: str, file: str) -> int:
    for i, heading in enumerate(headings):
        if answers_to(heading, name):
            return i
    raise UnknownName("column", name, known=[h.text or h.name for h in headings], where=file)


def select_columns(table: Table, headings: Sequence[Heading], choices: Choices) -> Selection:
    """Sort the columns of a table.

    Raises
    ------
    ReadingsRefused : if no column can be the time, or none the temperatures
    UnknownName : if a person named a column that is not there
    """
    shapes = [_shape(table, i, h) for i, h in enumerate(headings)]
    time, said = ((), None) if choices.interval_s else _time(table, headings, shapes, choices)
    selection = Selection(time, [])
    if said is not None:
        selection.concluded.append(said)
    wanted = [_place(headings, n, table.file) for n in choices.channels]
    unwanted = {_place(headings, n, table.file) for n in choices.left_out}
    given = {i for n in choices.units for i, h in enumerate(headings) if answers_to(h, n)}
    planned = {i for n in choices.planned for i, h in enumerate(headings) if answers_to(h, n)}
    _long(table, headings, selection)
    for i, heading in enumerate(headings):
        if i in time or i in (selection.long_name, selection.long_unit):
            continue
        if selection.long_name is not None and not _LONG_VALUES.match(heading.name):
            selection.aside.append(_aside(heading, heading.why or "no part of the long table"))
            continue
        if i in unwanted:
            selection.aside.append(_aside(heading, "it was left out on purpose"))
            continue
        if wanted and i not in wanted:
            selection.aside.append(_aside(heading, "not among the channels asked for"))
            continue
        sure = i in wanted or i in given or i in planned or selection.long_name is not None
        why = "" if sure else _why_not(table, i, heading, shapes[i])
        if why:
            selection.aside.append(_aside(heading, why))
        else:
            selection.values.append(i)
    if not selection.values:
        reasons = "; ".join(a.words() for a in selection.aside[:4])
        raise ReadingsRefused(
            f"no column can be a temperature ({reasons or 'there is only the time'})",
            file=table.file,
            option="--channels NAME with --unit C, or --header-row N",
        )
    return selection


def _aside(heading: Heading, why: str) -> SetAside:
    return SetAside(heading.name, heading.text or heading.name, why)


def _why_not(table: Table, i: int, heading: Heading, shape: tuple[bool, bool]) -> str:
    """Return why a column can't be a temperature, "" where it can."""
    if heading.kind is HeadingKind.OTHER:
        return heading.why
    if any(shape):
        return "it holds times, and another column is the time"
    kind = table.classes[i] if i < len(table.classes) else "N"
    if kind == "X":
        return "it holds text"
    if heading.kind is HeadingKind.OPEN and kind == "M" and not heading.named:
        cells = [c for c in table.column(i) if c.strip()]
        # a delimiter at the end of each line makes a column of nothing, which nobody misses
        return "it is empty" if not cells and heading.text else ""
    return ""


def _shape(table: Table, i: int, heading: Heading) -> tuple[bool, bool]:
    """Return whether a column holds dates and times of day, from its sample."""
    if table.classes[i] != "T":
        return False, False
    cells = [c for c in table.column(i) if c.strip()][:20]
    shapes = [shape_of(c, clock_word=heading.clock_word) for c in cells]
    return (
        sum(s[0] for s in shapes) * 2 > len(shapes),
        sum(s[1] for s in shapes) * 2 > len(shapes),
    )


def _time(
    table: Table,
    headings: Sequence[Heading],
    shapes: Sequence[tuple[bool, bool]],
    choices: Choices,
) -> tuple[tuple[int, ...], Concluded | None]:
    if choices.time_columns:
        return tuple(_place(headings, n, table.file) for n in choices.time_columns), None
    both = [i for i, s in enumerate(shapes) if s == (True, True)]
    dates = [i for i, s in enumerate(shapes) if s == (True, False)]
    clocks = [i for i, s in enumerate(shapes) if s == (False, True)]
    numbers = [i for i, h in enumerate(headings) if table.classes[i] == "N"]
    if both:
        return (both[0],), _said(headings, (both[0],), both[1:], "it holds dates with times")
    partners = [i for i in clocks if not headings[i].elapsed_word]
    if dates and partners:
        pair = (dates[0], partners[0])
        return pair, _said(headings, pair, (), "one holds dates, the other times of day")
    if digits := _bare_pair(table, headings, numbers):
        return digits, _said(
            headings, digits, (), "one holds dates such as 20240517, the other times such as 061500"
        )
    if clocks:
        return (clocks[0],), _said(headings, (clocks[0],), clocks[1:], "it holds times")
    timed = [i for i in numbers if headings[i].time_unit]
    if timed:
        return (timed[0],), _said(
            headings, (timed[0],), timed[1:], "its heading gives a unit of time"
        )
    worded = [i for i in numbers if headings[i].time_word and headings[i].kind is not _OTHER]
    worded = worded or [i for i in numbers if headings[i].time_word]
    if worded:
        return (worded[0],), _said(headings, (worded[0],), worded[1:], "its heading speaks of time")
    if numbers and numbers[0] == 0 and headings[0].kind is HeadingKind.OPEN:
        values = [_float(c) for c in table.column(0)]
        rising = [a < b for a, b in pairwise(values)]
        plain = headings[0].text == "t" or not headings[0].named
        if len(rising) >= 2 and all(rising) and plain:
            return (0,), Concluded(
                "time",
                f"column {headings[0].text or headings[0].name!r}",
                "it comes first and its numbers rise from row to row",
                "--time-column",
            )
    if dates:
        raise ReadingsRefused(
            f"column {headings[dates[0]].text!r} holds dates without a time of day",
            file=table.file,
            option="--time-column NAME or --time-column DATE,TIME",
        )
    raise ReadingsRefused(
        "no column can be the time: none holds times or dates, and no heading speaks of time",
        file=table.file,
        option="--time-column NAME, with --time-unit where it holds numbers, or --interval S "
        "where the rows come at equal steps",
    )


_OTHER = HeadingKind.OTHER
_BARE_DATE = re.compile(r"^(?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])$")
_BARE_CLOCK = re.compile(r"^(?:(?:[01]?\d|2[0-3])?[0-5]?\d)?[0-5]?\d$")


def _bare_pair(
    table: Table, headings: Sequence[Heading], numbers: Sequence[int]
) -> tuple[int, ...]:
    """Return the columns of dates and clocks written as bare digits, () where there are none."""
    dates = [i for i in numbers if headings[i].date_word and _all(table.column(i), _BARE_DATE)]
    clocks = [
        i
        for i in numbers
        if i not in dates and headings[i].time_word and not headings[i].elapsed_word
        and not headings[i].time_unit and _all(table.column(i), _BARE_CLOCK)
    ]  # fmt: skip
    return (dates[0], clocks[0]) if dates and clocks else ()


def _all(cells: Sequence[str], form: re.Pattern[str]) -> bool:
    filled = [c.strip() for c in cells if c.strip()]
    return bool(filled) and all(form.match(c) for c in filled)


def _float(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return float("nan")


def _said(
    headings: Sequence[Heading], chosen: Sequence[int], others: Sequence[int], why: str
) -> Concluded:
    names = " and ".join(repr(headings[i].text or headings[i].name) for i in chosen)
    if others:
        why += f", as do {', '.join(repr(headings[i].text) for i in others)}, but it comes first"
    return Concluded("time column", names, why, "--time-column", certain=not others)


def _long(table: Table, headings: Sequence[Heading], selection: Selection) -> None:
    """See whether the table is long: one row a reading, with the channel's name beside it."""
    texts = [
        i
        for i, h in enumerate(headings)
        if _LONG_NAMES.match(h.name) and i not in selection.time
        and (table.classes[i] == "X" or len(set(table.column(i))) > 1)
    ]  # fmt: skip
    values = [i for i, h in enumerate(headings) if _LONG_VALUES.match(h.name)]
    if len(texts) != 1 or len(values) != 1:
        return
    selection.long_name = texts[0]
    units = [i for i, h in enumerate(headings) if _LONG_UNITS.match(h.name)]
    selection.long_unit = units[0] if units else None
    selection.concluded.append(
        Concluded(
            "shape",
            f"long, one row a reading, named by {headings[texts[0]].text!r}",
            "one column holds channel names and one holds values",
            "--channels",
            certain=True,
        )
    )
