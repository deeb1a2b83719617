"""How single keys of a plan are shown on a form: label, unit, kind of input, choices.

Everything is read off the plan's own models, so that a key added there is on the form as well.
"""

from __future__ import annotations

import math
import re
import types
import typing
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from ovenwright.errors import Fault
from ovenwright.reporting.words import Shown, plain

KeyPath = tuple[str | int, ...]

SUFFIXES: tuple[tuple[str, str], ...] = (
    ("_w_m2_k", "W/(m²·K)"),
    ("_w_m_k", "W/(m·K)"),
    ("_j_kg_k", "J/(kg·K)"),
    ("_m2_s", "m²/s"),
    ("_k_min", "K/min"),
    ("_m_min", "m/min"),
    ("_bytes", "bytes"),
    ("_mah", "mAh"),
    ("_kpa", "kPa"),
    ("_ma", "mA"),
    ("_kg", "kg"),
    ("_m2", "m²"),
    ("_m3", "m³"),
    ("_ms", "ms"),
    ("_c", "°C"),
    ("_k", "K"),
    ("_s", "s"),
    ("_m", "m"),
)
_SIGNS: Mapping[str, str] = {
    "degC": "°C",
    "log10": "log",
    "1": "",
    "W/(m2 K)": "W/(m²·K)",
    "W/m2": "W/m²",
}
_LABELS: Mapping[str, str] = {
    "at_c": "At",
    "at_least": "At least",
    "at_most": "At most",
    "all_below_c": "Once all are below",
    "after_s": "After",
    "reaches_c": "reaches",
    "back_k": "Ends when back by",
    "below_c": "Below",
    "above_c": "Above",
    "rises_k_min": "Rises faster than",
    "falls_k_min": "Falls faster than",
    "silent_s": "Silent for",
    "lasting_s": "Lasting at least",
    "interval_s": "Time between readings",
    "duration_s": "Meant to last",
    "load_in_s": "Product goes in at",
    "load_out_s": "Product comes out at",
    "x_m": "Along (x)",
    "y_m": "Across (y)",
    "z_m": "Height (z)",
    "start_c": "Temperature as loaded",
    "end_moisture": "Moisture as it leaves",
    "moisture": "Moisture as loaded",
    "half_size_m": "Half its thickness",
    "on": "Asked of",
    "column": "Heading in the readings",
    "recorded_as": "Instrument was set to type",
    "time_constant_s": "Follows 63 % of a change in",
    "resolution_k": "Smallest step",
    "level_c": "Temperature",
    "safety": "Someone may be hurt by a wrong answer",
    "combine": "Of several channels, take",
    "setpoint_c": "Set to",
    "a": "a",
    "b": "b",
    "c": "c",
    "preset": "Started from preset",
    "k0_per_s": "k0",
}
_ODD = re.compile(r"\W+")
_AREAS = frozenset({"purpose", "note", "caution", "source"})


@dataclass(frozen=True, slots=True)
class Option:
    """One choice."""

    value: str
    label: str
    chosen: bool = False


@dataclass(slots=True)
class Row:
    """One key on the form. ``control`` names the input, ``kind`` how what is typed is read."""

    path: KeyPath
    label: str
    control: str
    kind: str
    value: str = ""
    unit: str = ""
    help: str = ""
    hint: str = ""
    options: tuple[Option, ...] = ()
    needed: bool = False
    faults: tuple[Fault, ...] = ()
    line: int = 0
    covered: tuple[str, ...] = ()
    wide: bool = False
    node: str = "row"
    id: str = field(init=False)

    def __post_init__(self) -> None:
        self.id = "f-" + "-".join(_ODD.sub("_", str(p)) for p in self.path)


@dataclass(slots=True)
class Absent:
    """A table that is not there and can be added."""

    path: KeyPath
    label: str
    help: str
    faults: tuple[Fault, ...] = ()
    node: str = "absent"


@dataclass(slots=True)
class Pairs:
    """A table of free keys, such as an instrument's inputs and the channels they feed."""

    path: KeyPath
    label: str
    help: str
    rows: tuple[tuple[str, str], ...]
    choices: tuple[str, ...]
    faults: tuple[Fault, ...] = ()
    node: str = "pairs"


@dataclass(slots=True)
class Group:
    """Keys that belong together; ``open`` where they are worth seeing at once."""

    path: KeyPath
    title: str
    nodes: list[Any] = field(default_factory=list)
    words: str = ""
    faults: tuple[Fault, ...] = ()
    open: bool = False
    count: int = 0
    node: str = "group"
    moves: bool = False
    look: int = -1
    id: str = ""
    card: dict[str, Any] | None = None


@dataclass(slots=True)
class Items:
    """A list of tables; each item is a group."""

    path: KeyPath
    items: list[Group]
    add: str
    faults: tuple[Fault, ...] = ()
    note: str = ""
    node: str = "items"


def label_of(key: str) -> str:
    """Return a key as people read it, without its unit."""
    if key in _LABELS:
        return _LABELS[key]
    for suffix, _ in SUFFIXES:
        if key.endswith(suffix) and len(key) > len(suffix):
            key = key.removesuffix(suffix)
            break
    words = key.replace("_", " ")
    return words[:1].upper() + words[1:]


def unit_of(key: str) -> str:
    """Return the unit a key's name carries."""
    return next((u for s, u in SUFFIXES if key.endswith(s) and len(key) > len(s)), "")


def sign_of(unit: str) -> str:
    """Return the sign of a measure's unit, as the plan's numbers have it."""
    return _SIGNS.get(unit, unit)


def said(value: object) -> str:
    """Return a plain value as it stands in an input."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else ""
    if isinstance(value, float):
        if value.is_integer() and abs(value) < 1e15:
            return str(int(value))
        return repr(value)
    if isinstance(value, (list, tuple)):
        return "\n".join(said(v) for v in value)
    return str(value)


def other_unit(key: str, value: object, shown: Shown) -> str:
    """Return a temperature of the plan in the unit people are shown, where that is another."""
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not shown.fahrenheit or not number or not math.isfinite(float(str(value))):
        return ""
    unit = unit_of(key)
    if unit == "°C":
        return f"= {plain(shown.temperature(float(str(value))), 1)} °F"
    return f"= {plain(shown.difference(float(str(value))), 2)} °F" if unit == "K" else ""


def help_of(info: FieldInfo, label: str = "") -> str:
    """Return what a key means, in one line; nothing where that is no more than its label says."""
    said = re.sub(r"\s+", " ", (info.description or "").replace("``", "")).strip()
    return "" if said.rstrip(".").casefold() == label.casefold() else said


def shape_of(annotation: Any) -> tuple[str, Any]:
    """Return what an annotation stands for: (shape, detail).

    Shapes: flag, number, choice (with its words), text, model (with it), models (a list of it),
    list, numbers, pairs, other.
    """
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return shape_of(typing.get_args(annotation)[0])
    if origin in {typing.Union, types.UnionType}:
        arms = [a for a in typing.get_args(annotation) if a is not type(None)]
        return shape_of(arms[0]) if len(arms) == 1 else ("other", annotation)
    if origin is typing.Literal:
        return "choice", tuple(str(a) for a in typing.get_args(annotation))
    if origin in {tuple, list}:
        shape, detail = shape_of(typing.get_args(annotation)[0])
        return {"model": ("models", detail), "number": ("numbers", None)}.get(shape, ("list", None))
    if origin in {dict, Mapping} or annotation is dict:
        return "pairs", None
    if isinstance(annotation, type):
        if issubclass(annotation, BaseModel):
            return "model", annotation
        if issubclass(annotation, StrEnum):
            return "choice", tuple(str(m) for m in annotation)
        if issubclass(annotation, bool):
            return "flag", None
        if issubclass(annotation, (int, float)):
            return "number", None
        if issubclass(annotation, str):
            return "text", None
    return "other", annotation


def control_of(shape: str, key: str) -> str:
    """Return the input for a shape."""
    if shape == "text":
        return "area" if key in _AREAS else "text"
    return {"flag": "flag", "number": "number", "choice": "choice"}.get(shape, "area")


def choices(words: Iterable[str], chosen: str, *, none: str | None = None) -> tuple[Option, ...]:
    """Return options; what is chosen is among them even when it is no known word."""
    listed = list(words)
    options = [Option(w, w, w == chosen) for w in listed]
    if none is not None:
        options.insert(0, Option("", none, not chosen))
    if chosen and chosen not in listed:
        options.append(Option(chosen, f"{chosen} (not known)", chosen=True))
    return tuple(options)


def faults_at(faults: Sequence[Fault], path: KeyPath, *, below: bool = False) -> tuple[Fault, ...]:
    """Return the faults of one key, with those inside it when ``below``."""
    return tuple(f for f in faults if f.path == path or (below and f.path[: len(path)] == path))
