"""Faults the plan's models find, told in words its author can act on."""

from __future__ import annotations

import difflib
import re
import types
import typing
from collections.abc import Iterable, Mapping
from enum import Enum
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from ovenwright.domain import plan as nouns
from ovenwright.domain.plan import ChamberOven, Plan, TunnelOven
from ovenwright.errors import Fault

KeyPath = tuple[str | int, ...]


# what a unit suffix stands for, and a number that would do
_UNITS: tuple[tuple[str, str, str], ...] = (
    ("_w_m_k", "W/(m K)", "0.4"),
    ("_j_kg_k", "J/(kg K)", "880.0"),
    ("_m2_s", "m²/s", "1.4e-7"),
    ("_m_min", "m/min", "0.7"),
    ("_mah", "mAh", "2600.0"),
    ("_ma", "mA", "45.0"),
    ("_kpa", "kPa", "101.3"),
    ("_kg", "kg", "0.8"),
    ("_m2", "m²", "0.012"),
    ("_m3", "m³", "2.0e-5"),
    ("_c", "°C", "93.0"),
    ("_k", "K", "0.5"),
    ("_s", "s", "2.0"),
    ("_m", "m", "0.05"),
)
_EXAMPLES: Mapping[str, str] = {
    "title": '"Tin loaves, oven 3"',
    "name": '"core left"',
    "sensor": '"T"',
    "recorded_as": '"K"',
    "role": '"core"',
    "on": '"core" or ["core left", "core right"]',
    "measure": '"max_temperature"',
    "kind": '"tunnel" or "chamber"',
    "zone": '"zone 1"',
    "lane": '"left"',
    "module": '"gateway 1"',
    "tolerance": '"IEC 60584-1 class 1"',
    "belt_speed_m_min": "0.7",
    "length_m": "6.0",
    "altitude_m": "120.0",
    "half_size_m": "0.055",
    "at_least": "93.0",
    "at_most": "98.0",
    "shape": '"slab"',
    "date": '"2026-01-15"',
    "parameters": "{ level_c = 60.0 }",
    "place": '{ lane = "left" }',
    "body": "{ mass_kg = 0.25, heat_capacity_j_kg_k = 897.0, area_m2 = 0.015 }",
    "thermistor": "{ a = 1.1e-3, b = 2.4e-4, c = 7.5e-8 }",
    "transmitter": "{ low_signal = 4.0, low_c = 0.0, high_signal = 20.0, high_c = 300.0 }",
    "points": "[{ at_c = 100.0, correction_k = -0.2, expanded_uncertainty_k = 0.3 }]",
    "cautions": '["Validate for your product."]',
    "sources": '["our own recipe sheet 12"]',
    "a": "1.1e-3",
    "b": "2.4e-4",
    "c": "7.5e-8",
    "low_signal": "4.0",
    "high_signal": "20.0",
}
_TABLES: Mapping[str, str] = {
    "oven": 'a table [oven] with kind = "tunnel" (and zones, belt_speed_m_min) or '
    'kind = "chamber" (and width_m, depth_m, height_m)',
    "product": "a table [product] with at least a name",
    "recording": "a table [recording] with interval_s, the seconds between readings",
    "channels": "one table [[channels]] for each sensor, with name, sensor and role",
    "zones": "one table [[oven.zones]] for each zone, with name and length_m",
    "requirements": "one table [[requirements]] for each thing asked, with name and measure",
    "crossings": "one table [[crossings]] for each temperature, with level_c and on",
}


_INSTRUMENT_KEYS: Mapping[str, str] = {
    "kind": 'for example kind = "mqtt"',
    "channels": 'a table [instruments.channels] with lines such as "gateway1/3" = "core left"',
    "topic": 'for example topic = "plant/oven3/{module}/{channel}"',
    "host": 'for example host = "192.168.1.20"',
}


def model_faults(data: Mapping[str, Any], errors: Iterable[Mapping[str, Any]]) -> list[Fault]:
    """Turn the models' errors into faults, one for each place, not yet located.

    Errors that follow from another one are left out: a list "too short" because its items are
    faulty, every arm of a union but one, and rules across keys, which
    :mod:`ovenwright.storage.plan_checks` words better.
    """
    found: dict[KeyPath, Fault] = {}
    for error in errors:
        kind = str(error["type"])
        if kind == "value_error":
            continue
        path = _plain_path(error["loc"], data, missing=kind == "missing")
        value = value_at(data, path)
        if kind == "too_short" and value:
            continue
        if kind.startswith("union_tag"):
            path = (*path, "kind")
            value = value_at(data, path)
            kind = "missing" if value is None else "tag"
        fault = _fault(kind, path, value, error, data)
        # of a union's arms the first speaks, and an item's fault beats the list's
        if path not in found:
            found[path] = fault
    paths = set(found)
    return [f for p, f in found.items() if not any(_inside(q, p) for q in paths if q != p)]


def value_at(data: object, path: KeyPath) -> Any:
    """Return what stands at ``path`` in plain data, None where nothing does."""
    here: Any = data
    for key in path:
        try:
            here = here[key]
        except (KeyError, IndexError, TypeError):
            return None
    return here


def holds(here: object, key: str | int) -> bool:
    """Tell whether a table or list of plain data has something under ``key``."""
    if isinstance(here, list):
        return isinstance(key, int) and 0 <= key < len(here)
    return isinstance(here, dict) and key in here


_ITEMS: Mapping[str, str] = {
    "channels": "channel",
    "zones": "zone",
    "requirements": "requirement",
    "crossings": "crossing",
    "instruments": "instrument",
    "alarms": "alarm",
    "points": "point",
    "registers": "register",
    "nodes": "node",
    "fields": "field",
    "cautions": "caution",
    "sources": "source",
    "setup": "command",
    "columns": "column",
}
"""What people call one item of a list in a plan."""
_LONGEST_NAME = 40


def place_words(path: KeyPath, data: object) -> str:
    """Return a key path as the plan's author thinks of it.

    Parameters
    ----------
    path : such as ``("channels", 2, "sensor")``
    data : the plan as plain data, to look up names in

    Returns
    -------
    such as ``channel "core left" (3rd), sensor``; places are counted from 1, "" for the whole plan
    """
    parts: list[str] = []
    keys: list[str] = []  # plain keys in a row, told with points between them
    here: Any = data
    for key in path:
        here = here[key] if holds(here, key) else None
        if isinstance(key, int):
            many = keys.pop() if keys else "item"
            parts += [".".join(keys)] * bool(keys)
            keys = []
            name = here.get("name") if isinstance(here, dict) else None
            shown = f' "{name[:_LONGEST_NAME]}"' if isinstance(name, str) and name else ""
            parts.append(f"{_ITEMS.get(many, many)}{shown} ({_ordinal(key + 1)})")
        else:
            keys.append(str(key))
    return ", ".join([*parts, *([".".join(keys)] if keys else [])])


def _ordinal(number: int) -> str:
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{'th' if number % 100 in (11, 12, 13) else ending}"


def nearest(name: str, known: Iterable[str]) -> str:
    """Return the known name most like ``name``, "" where none is like it."""
    folded = {k.casefold(): k for k in known}
    close = difflib.get_close_matches(str(name).casefold(), folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else ""


def _inside(inner: KeyPath, outer: KeyPath) -> bool:
    return len(inner) > len(outer) and inner[: len(outer)] == outer


def _plain_path(loc: Iterable[str | int], data: object, *, missing: bool) -> KeyPath:
    """Drop the parts of a model error's place that name union arms and are no keys."""
    parts = list(loc)
    path: list[str | int] = []
    here: Any = data
    for i, part in enumerate(parts):
        last = i == len(parts) - 1
        if holds(here, part):
            here = here[part]
        elif not (missing and last):
            continue
        path.append(part)
    return tuple(path)


def _model_of(annotation: Any, value: Any) -> type[BaseModel] | None:
    """Return the model inside an annotation, choosing the oven by its ``kind``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    arms = [a for a in typing.get_args(annotation) if a is not type(None)]
    models = [m for m in (_model_of(a, value) for a in arms) if m is not None]
    if len(models) > 1:
        kind = value.get("kind") if isinstance(value, dict) else None
        return next((m for m in models if kind in _kinds(m)), None)
    return models[0] if models else None


def _kinds(model: type[BaseModel]) -> tuple[str, ...]:
    """Return what ``kind`` may say for a model to be meant."""
    field = model.model_fields.get("kind")
    return typing.get_args(field.annotation) if field is not None else ()


def _surroundings(
    path: KeyPath, data: Mapping[str, Any]
) -> tuple[type[BaseModel] | None, FieldInfo | None]:
    """Return the model a key path's last key belongs to, and that key's field."""
    model: type[BaseModel] | None = Plan
    field: FieldInfo | None = None
    owner: type[BaseModel] | None = Plan
    for i, key in enumerate(path):
        if isinstance(key, int):
            continue
        owner = model
        if model is None:
            return None, None
        field = model.model_fields.get(key)
        if field is None:
            return owner, None
        item = path[i + 1 : i + 2]  # of a list of tables, the one that is meant
        inner = value_at(data, path[: i + 1] + (item if item and isinstance(item[0], int) else ()))
        model = _model_of(field.annotation, inner)
    return owner, field


def _last_name(path: KeyPath) -> str:
    return next((str(k) for k in reversed(path) if isinstance(k, str)), "")


def _example(key: str, field: FieldInfo | None) -> str:
    if key in _EXAMPLES:
        return _EXAMPLES[key]
    for suffix, _, number in _UNITS:
        if key.endswith(suffix):
            return number
    default = field.default if field is not None else None
    if isinstance(default, bool):
        return str(default).lower()
    if isinstance(default, (int, float)):
        return repr(default)
    if isinstance(default, Enum):
        return f'"{default.value}"'
    return '"…"'


def _unit(key: str) -> str:
    return next((u for suffix, u, _ in _UNITS if key.endswith(suffix)), "")


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _assignment(key: str, field: FieldInfo | None) -> str:
    if key in _TABLES:
        return _TABLES[key]
    return f"for example {key} = {_example(key, field)}"


def _assignment_at(path: KeyPath, key: str, field: FieldInfo | None) -> str:
    known = _INSTRUMENT_KEYS.get(key) if path[0] == "instruments" else None
    return known or _assignment(key, field)


def _meaning(field: FieldInfo | None) -> str:
    text = (field.description or "") if field is not None else ""
    text = re.sub(r"\s+", " ", text.replace("``", "")).strip().rstrip(".")
    return text[:1].lower() + text[1:] if text and not text[:2].isupper() else text


def _fault(
    kind: str, path: KeyPath, value: Any, error: Mapping[str, Any], data: Mapping[str, Any]
) -> Fault:
    model, field = _surroundings(path, data)
    key = _last_name(path)
    context = error.get("ctx") or {}
    if kind == "missing":
        return Fault(
            path,
            f"is missing ({meaning})" if (meaning := _meaning(field)) else "is missing",
            "add " + _assignment_at(path, key, field).replace("for example", "it, for example"),
        )
    if path[0] == "sources" and isinstance(value, dict):
        return Fault(
            path, "is a table", "sources are texts; an instrument is a table [[instruments]]"
        )
    if kind == "extra_forbidden":
        return Fault(path, "there is no such key here", _where_it_belongs(key, model))
    if kind in {"enum", "literal_error", "tag"}:
        expected = str(context.get("expected") or context.get("expected_tags") or "")
        return _choice_fault(path, key, value, field, expected)
    if "parameters" in path[:-1] and not _unit(key):
        return Fault(path, f"is {_shown(value)}", "expected a number, or a name in quotes")
    return Fault(path, f"is {_shown(value)}", _expected(kind, key, context, field))


def _choice_fault(
    path: KeyPath, key: str, value: Any, field: FieldInfo | None, expected: str
) -> Fault:
    choices = re.findall(r"'([^']*)'", expected) or re.findall(r"[\w.-]+", expected)
    if key == "on":
        remedy = f"give a role ({', '.join(choices)}) or a list of channel names"
        like = nearest(str(value), choices)
        if like:
            remedy = f'did you mean "{like}"? Otherwise ' + remedy
        elif isinstance(value, str):
            remedy = f"{remedy}, such as on = [{value!r}]".replace("'", '"')
        return Fault(path, f"is {_shown(value)}", remedy)
    like = nearest(str(value), choices)
    if key == "format":
        return Fault(path, f"is {_shown(value)}", "this version reads plans of format = 1")
    remedy = f"one of: {', '.join(choices)}" if choices else _assignment(key, field)
    if like:
        remedy = f'did you mean "{like}"? It is ' + remedy
    return Fault(path, f"is {_shown(value)}", remedy)


def _expected(kind: str, key: str, context: Mapping[str, Any], field: FieldInfo | None) -> str:
    unit = _unit(key)
    of = f" in {unit}" if unit else ""
    example = _assignment(key, field)
    bounds = {
        "greater_than": "above {gt}",
        "greater_than_equal": "{ge} or more",
        "less_than": "below {lt}",
        "less_than_equal": "{le} or less",
    }
    if kind in bounds:
        bound = bounds[kind].format(**{k: f"{v:g}" for k, v in context.items()})
        return f"expected a number{of}, {bound}; {example}"
    if kind == "finite_number":
        return f"expected a plain finite number{of}; {example}"
    if kind.startswith(("float_", "int_", "decimal_")):
        whole = "a whole number" if kind.startswith("int_") else "a number"
        return f"expected {whole}{of} without quotes; {example}"
    if kind == "string_too_short":
        return f"give it a text; {example}"
    if kind.startswith("string_"):
        return f"expected a text in quotes; {example}"
    if kind.startswith("bool_"):
        return f"expected true or false; for example {key} = true"
    if kind in {"tuple_type", "list_type"} and key == "on":
        return f"expected a role or a list of channel names; {example}"
    if kind in {"tuple_type", "list_type", "too_short"}:
        return "expected a list with at least one item; " + (
            f"write {_TABLES[key]}" if key in _TABLES else example
        )
    if kind in {"model_type", "model_attributes_type", "dict_type"}:
        return f"expected a table; {example}"
    return f"{str(context.get('error', '')) or 'that will not do'}; {example}"


def _where_it_belongs(key: str, model: type[BaseModel] | None) -> str:
    known = list(model.model_fields) if model is not None else []
    like = nearest(key, known)
    if like:
        return f'did you mean "{like}"?'
    homes = [
        home for home, owner in _HOMES.items() if owner is not model and key in owner.model_fields
    ]
    if homes:
        return f"{key} belongs in {' or '.join(homes)}"
    return f"known keys here: {', '.join(known)}"


_HOMES: Mapping[str, type[BaseModel]] = types.MappingProxyType(
    {
        "the first lines, before any table": Plan,
        "[site]": nouns.Site,
        "[oven] of kind tunnel": TunnelOven,
        "[oven] of kind chamber": ChamberOven,
        "[[oven.zones]]": nouns.Zone,
        "[product]": nouns.Product,
        "[recording]": nouns.Recording,
        "[recording.stop]": nouns.Stop,
        "[recording.battery]": nouns.Battery,
        "[[channels]]": nouns.Channel,
        "place = { … } of a channel": nouns.Place,
        "[channels.certificate]": nouns.Certificate,
        "[channels.body]": nouns.Body,
        "[[requirements]]": nouns.Requirement,
        "[[crossings]]": nouns.CrossingWish,
        "[decision]": nouns.Decision,
    }
)
