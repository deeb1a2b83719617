"""The unit of every temperature column, with the reason; columns that have none are set aside."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.errors import ReadingsRefused, UnknownName, UsageError
from ovenwright.storage.readings.choices import Choices
from ovenwright.storage.readings.columns import answers_to
from ovenwright.storage.readings.conclusions import Concluded, SetAside
from ovenwright.storage.readings.headings import Heading, HeadingKind, temperature_unit
from ovenwright.storage.readings.scales import conclude_scale, is_sequence, is_switch

_IN_BANNER = re.compile(
    r"(?:unit|units|einheit|einheiten|unité|unidad|temperatur\w*|temp)\W{0,12}"
    r"((?:°|º|deg(?:rees?)?\.?)\s?[CFK]|celsius|fahrenheit|kelvin|[CFK])(?:$|\W)"
    r"|((?:°|º)\s?[CF])(?:$|\W)|\b(celsius|fahrenheit)\b",
    re.IGNORECASE,
)
_COLDEST_KELVIN = 150.0
"""A column headed K whose readings start below this is of type K, not in kelvin."""


@dataclass(frozen=True, slots=True)
class Column:
    """One numeric column before its unit is known; ``written`` is the unit beside its numbers."""

    heading: Heading
    value: FloatArray
    written: str = ""


@dataclass(slots=True)
class Units:
    """``unit`` for each column, "" where it was set aside."""

    unit: list[str]
    concluded: list[Concluded]
    aside: list[SetAside]
    notes: list[str]


def unit_named(text: str, where: str) -> str:
    """Return degC, degF or K for what a person typed.

    Raises
    ------
    UsageError : if it is none of them
    """
    unit = temperature_unit(text)
    if not unit:
        raise UsageError(
            f"{text!r} is no unit of temperature", where=where, remedy="give C, F or K"
        )
    return unit


def conclude_units(
    columns: Sequence[Column], choices: Choices, banner: Sequence[str], file: str
) -> Units:
    """Settle the unit of every column.

    Raises
    ------
    ReadingsRefused : if °C and °F are both possible, naming ``--unit``
    UnknownName : if a unit was given for a column that is not there
    """
    found = Units([""] * len(columns), [], [], [])
    for name in choices.units:
        if not any(answers_to(c.heading, name) for c in columns):
            raise UnknownName(
                "temperature column", name, known=[c.heading.name for c in columns], where=file
            )
    for i, column in enumerate(columns):
        _from_words(i, column, choices, found)
        if column.heading.other_unit and not found.unit[i]:
            raise ReadingsRefused(
                f"column {column.heading.text!r} was asked for and is in "
                f"{column.heading.other_unit}, no unit of temperature",
                file=file,
                option=f'--unit "{column.heading.name}=C" if it is one all the same',
            )
    left = [i for i, u in enumerate(found.unit) if not u]
    if left:
        left = _without_readings(columns, left, found, choices)
    if left:
        _from_banner(columns, left, banner, found)
        left = [i for i in left if not found.unit[i]]
    if left and len(left) < sum(1 for c in columns):
        left = _from_siblings(columns, left, found, choices)
    if left:
        _from_values(columns, left, found, choices, file)
    return found


def _asked(column: Column, choices: Choices) -> bool:
    names = (*choices.channels, *choices.planned, *choices.units)
    return any(answers_to(column.heading, n) for n in names)


def _from_words(i: int, column: Column, choices: Choices, found: Units) -> None:
    heading = column.heading
    given = next((u for n, u in choices.units.items() if answers_to(heading, n)), choices.unit)
    if given:
        by_name = any(answers_to(heading, n) for n in choices.units)
        counts = is_sequence(column.value) or is_switch(column.value)
        if counts and not by_name and not heading.unit and not _asked(column, choices):
            # --unit for all is no word that a counter or a switch is a temperature
            return
        found.unit[i] = unit_named(given, "--unit")
        if heading.unit and heading.unit != found.unit[i]:
            found.notes.append(
                f"column {heading.text!r} is headed {heading.unit}; {found.unit[i]} was given and "
                "is used"
            )
        return
    unit, said = heading.unit, heading.text
    if column.written:
        if unit and unit != column.written:
            found.notes.append(
                f"column {heading.text!r} is headed {unit}, its cells say {column.written}: the "
                "cells are followed (--unit overrules)"
            )
        unit, said = column.written, "the cells"
    if unit == "K":
        start = column.value[np.isfinite(column.value)][:5]
        if start.size and float(np.median(start)) < _COLDEST_KELVIN:
            found.notes.append(
                f"column {heading.text!r}: K is read as thermocouple type K, not kelvin, because "
                f"it starts at {float(np.median(start)):.4g} (--unit overrules)"
            )
            return
    if unit:
        found.unit[i] = unit
        found.concluded.append(
            Concluded(f"unit of {heading.name!r}", unit, f"{said} says so", "--unit", certain=True)
        )


def _without_readings(
    columns: Sequence[Column], left: Sequence[int], found: Units, choices: Choices
) -> list[int]:
    """Set aside what is plainly no temperature by its numbers."""
    rest = []
    for i in left:
        column = columns[i]
        why = ""
        if not np.isfinite(column.value).any() and not column.heading.text:
            continue
        if not np.isfinite(column.value).any():
            if any(found.unit) or column.heading.named or len(left) > 1:
                rest.append(i)
                continue
            why = "it holds no number"
        elif _asked(column, choices):
            pass
        elif is_sequence(column.value):
            why = "its numbers only count the rows"
        elif is_switch(column.value):
            why = "it knows only 0 and 1"
        if why:
            _put_aside(column, why, found)
        else:
            rest.append(i)
    return rest


def _put_aside(column: Column, why: str, found: Units) -> None:
    found.aside.append(
        SetAside(column.heading.name, column.heading.text or column.heading.name, why)
    )


def _from_banner(
    columns: Sequence[Column], left: Sequence[int], banner: Sequence[str], found: Units
) -> None:
    said: dict[str, str] = {}
    for line in banner:
        for match in _IN_BANNER.finditer(line):
            unit = temperature_unit(next(g for g in match.groups() if g).strip())
            if unit and unit != "K":
                said.setdefault(unit, line.strip()[:60])
    if len(said) != 1 or any(found.unit):
        return
    unit, line = said.popitem()
    for i in left:
        if columns[i].heading.kind is HeadingKind.OPEN:
            found.unit[i] = unit
    found.concluded.append(
        Concluded("unit", unit, f"a line above the table says {line!r}", "--unit")
    )


def _from_siblings(
    columns: Sequence[Column], left: Sequence[int], found: Units, choices: Choices
) -> list[int]:
    """Where other columns carry a unit, give it to namesakes only; set the rest aside."""
    known = Counter(u for u in found.unit if u)
    if not known:
        return list(left)
    stems = {_stem(c.heading.name) for c, u in zip(columns, found.unit, strict=True) if u}
    taken: list[str] = []
    for i in left:
        column = columns[i]
        kin = column.heading.named or _stem(column.heading.name) in stems
        if len(known) == 1 and (kin or _asked(column, choices)):
            found.unit[i] = next(iter(known))
            taken.append(column.heading.name)
        else:
            _put_aside(
                column,
                "it has no unit where other columns have one (--unit NAME=C takes it in)",
                found,
            )
    if taken:
        found.concluded.append(
            Concluded(
                f"unit of {', '.join(taken)}",
                next(iter(known)),
                "columns of the same kind have it",
                "--unit",
            )
        )
    return []


def _stem(name: str) -> str:
    return re.sub(r"[\W\d_]+", "", name).casefold()


def _from_values(
    columns: Sequence[Column], left: Sequence[int], found: Units, choices: Choices, file: str
) -> None:
    pool = [i for i in left if np.isfinite(columns[i].value).any()]
    pool = _alike(columns, pool, found, choices)
    if not pool:
        names = ", ".join(repr(columns[i].heading.text) for i in left)
        raise ReadingsRefused(
            f"no unit stands anywhere and the readings of {names} tell none",
            file=file,
            option="--unit C or --unit F",
        )
    scale = conclude_scale([columns[i].value for i in pool])
    if not scale.unit:
        raise ReadingsRefused(
            f"the temperatures have no unit and nothing decides between °C and °F: {scale.why}",
            file=file,
            option="--unit C or --unit F",
        )
    aside = {a.name for a in found.aside}
    for i in left:
        if columns[i].heading.name not in aside:
            found.unit[i] = scale.unit
    found.concluded.append(
        Concluded("unit", scale.unit, f"no unit is given and {scale.why}", "--unit")
    )


def _alike(
    columns: Sequence[Column], pool: Sequence[int], found: Units, choices: Choices
) -> list[int]:
    """Keep the columns that behave as the others do; numbers of another kind are set aside."""
    if len(pool) < 2:
        return list(pool)
    start = {i: float(np.median(_known(columns[i].value)[:5])) for i in pool}
    sure = [i for i in pool if columns[i].heading.named or _asked(columns[i], choices)]
    stems = Counter(_stem(columns[i].heading.name) for i in pool)
    family = {s for s, n in stems.items() if n >= 2 and s}
    middle = float(np.median([start[i] for i in (sure or pool)]))
    kept = []
    for i in pool:
        value = _known(columns[i].value)
        reach = float(value.max() - value.min())
        stem = _stem(columns[i].heading.name)
        near = abs(start[i] - middle) <= 60.0 and reach >= 2.0 and value.min() > -60.0
        if i in sure or stem in family or near:
            kept.append(i)
        else:
            _put_aside(
                columns[i],
                f"no unit is given and it does not behave as the others do: it starts at "
                f"{start[i]:.4g} and moves by {reach:.4g} (--unit NAME=C takes it in)",
                found,
            )
    return kept


def _known(value: FloatArray) -> FloatArray:
    return value[np.isfinite(value)]
