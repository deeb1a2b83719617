"""A plan while it is being written: what its text says, what is wrong with it, one change at a time."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

from pydantic import BaseModel, Field

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import ChamberOven, Plan, TunnelOven
from ovenwright.domain.sources import SourcePlan
from ovenwright.domain.strict import Strict
from ovenwright.errors import Fault, PlanFaults, UsageError
from ovenwright.storage import toml_edit
from ovenwright.storage.plan_shelf import MOST_BYTES
from ovenwright.storage.toml_places import key_lines
from ovenwright.workflow.planning import checked_text

KeyPath = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Draft:
    """One text of a plan. ``data`` is None where the text is no TOML, ``plan`` where it has faults.

    ``lines`` tells the line of every key, counted from 1.
    """

    text: str
    data: Mapping[str, Any] | None
    faults: tuple[Fault, ...]
    plan: Plan | None
    lines: Mapping[KeyPath, int]


def read_draft(text: str, library: ReferenceLibrary) -> Draft:
    """Return what a text says and every fault in it.

    Raises
    ------
    UsageError : if the text is too large to be a plan
    """
    refuse_long(text)
    text = text.removeprefix("\ufeff")
    crowded = _crowded(text)
    if crowded is not None:
        return Draft(text, None, (crowded,), None, {})
    plan: Plan | None = None
    faults: tuple[Fault, ...] = ()
    try:
        plan = checked_text(text, library)
    except PlanFaults as trouble:
        faults = trouble.faults
    except (RecursionError, ValueError) as cause:  # nested or long beyond what the reader takes
        odd = Fault((), f"the text can't be read: {str(cause)[:80]}", "take out what is so large")
        return Draft(text, None, (odd,), None, {})
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return Draft(text, None, faults, None, {})
    return Draft(text, _dates_as_text(data), faults, plan, key_lines(text))


MOST_ITEMS = 600
MOST_NAMED = 3_000
"""Beyond these a text is no plan of one test, and its checks would hold up everybody else."""


def _crowded(text: str) -> Fault | None:
    """Return a fault where a list is far longer than any plan needs, so that nothing else is tried."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError):
        return None
    named = 0
    waiting: list[tuple[KeyPath, Any]] = [((), data)]
    while waiting:
        path, here = waiting.pop()
        if isinstance(here, dict):
            waiting += [((*path, k), v) for k, v in here.items() if isinstance(v, (dict, list))]
        elif isinstance(here, list):
            named += len(here) if path[-1:] == ("on",) else 0
            if len(here) > MOST_ITEMS or named > MOST_NAMED:
                what = f"{max(len(here), named):,} are more than a plan can have here"
                return Fault(path, what, f"at most {MOST_ITEMS} of a kind: split the test")
            waiting += [((*path, i), v) for i, v in enumerate(here) if isinstance(v, (dict, list))]
    return None


def _dates_as_text(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _dates_as_text(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_dates_as_text(v) for v in value]
    return value.isoformat() if isinstance(value, (dt.date, dt.time)) else value


def refuse_long(text: str) -> None:
    """Raise UsageError if a text is too long to be a plan."""
    if len(text) > MOST_BYTES:
        raise UsageError(
            f"{len(text):,} letters are no plan", remedy=f"a plan has at most {MOST_BYTES:,}"
        )


class Change(Strict):
    """One change to a plan's text.

    ``do``: ``set`` puts ``value`` at ``path``, or what a person ``typed`` there; ``remove`` takes
    out what is at ``path``; ``add`` puts ``value`` at the end of the list at ``path``, or, without
    one, an item to be filled in; ``copy`` adds a copy of the item at ``path`` to its list; ``up``
    and ``down`` move it by one; ``rename`` gives the channel, zone or instrument at ``path`` the
    name ``value`` and follows it wherever the plan calls it; ``become`` makes the oven or instrument
    at ``path`` one of kind ``value`` and takes out the keys that kind does not have.
    """

    do: Literal["set", "remove", "add", "copy", "up", "down", "rename", "become"]
    path: tuple[str | int, ...] = Field(min_length=1, max_length=12)
    value: Any = None
    typed: str | None = None
    as_kind: Literal["text", "number", "flag", "list", "numbers"] = "text"
    """What was typed: a text, a number, true or false, one text a line, or one number a line."""


def change_text(text: str, changes: Sequence[Change]) -> str:
    """Return a plan's text with changes made in place; comments and the rest stay as they are.

    Raises
    ------
    UsageError : if the text is no TOML, there is nothing at a path, or it can't be changed there
    """
    refuse_long(text)
    for change in changes:
        text = _DOING[change.do](text, change)
    return text


def _typed(change: Change) -> Any:
    typed = change.typed if change.typed is not None else ""
    if change.as_kind == "number":
        return toml_edit.number_as_typed(typed)
    if change.as_kind == "flag":
        return typed.strip().lower() == "true"
    if change.as_kind == "numbers":
        lines = typed.replace(";", "\n").splitlines()
        return [toml_edit.number_as_typed(line) for line in lines if line.strip()]
    if change.as_kind == "list":
        return [line.strip() for line in typed.splitlines() if line.strip()]
    return typed


def _set(text: str, change: Change) -> str:
    if change.typed is None:
        if change.value is None:
            raise UsageError("there is no value to set", remedy='give "value" or "typed"')
        return toml_edit.set_value(text, change.path, change.value)
    value = _typed(change)
    if value in ("", []) or value is False:
        # an optional key that says nothing is better not there
        there = _at(tomllib_data(text), change.path)
        if there is None:
            return text
        return toml_edit.remove_value(text, change.path)
    return toml_edit.set_value(text, change.path, value)


def tomllib_data(text: str) -> dict[str, Any]:
    """Return a text's data.

    Raises
    ------
    UsageError : if it is no TOML
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as cause:
        raise UsageError(
            f"the text is not valid TOML: {cause}", remedy="mend the text first"
        ) from cause


def _at(data: Any, path: KeyPath) -> Any:
    here = data
    for key in path:
        try:
            here = here[key]
        except (KeyError, IndexError, TypeError):
            return None
    return here


def _remove(text: str, change: Change) -> str:
    return toml_edit.remove_value(text, change.path)


def _add(text: str, change: Change) -> str:
    value = change.value
    if value is None:
        value = new_item(tomllib_data(text), change.path)
    return toml_edit.add_item(text, change.path, value)


def _copy(text: str, change: Change) -> str:
    data = tomllib_data(text)
    item, siblings = _at(data, change.path), _at(data, change.path[:-1])
    if not isinstance(siblings, list) or item is None:
        raise UsageError("there is nothing to copy", where=_dotted(change.path))
    if isinstance(item, dict) and "name" in item:
        taken = {str(s.get("name")) for s in siblings if isinstance(s, dict)}
        item = {**item, "name": _free(str(item["name"]), taken)}
    return toml_edit.add_item(text, change.path[:-1], item)


def _move(text: str, change: Change) -> str:
    at = change.path[-1]
    if not isinstance(at, int):
        raise UsageError("only items of a list have an order", where=_dotted(change.path))
    other = at - 1 if change.do == "up" else at + 1
    siblings = _at(tomllib_data(text), change.path[:-1])
    if not isinstance(siblings, list) or not 0 <= other < len(siblings):
        return text
    return toml_edit.swap_items(text, change.path[:-1], at, other)


def _rename(text: str, change: Change) -> str:
    data = tomllib_data(text)
    item = _at(data, change.path)
    new = str(change.value if change.typed is None else change.typed).strip()
    if not isinstance(item, dict) or not new:
        raise UsageError("a name is needed", where=_dotted(change.path), remedy="type one")
    old = item.get("name")
    text = toml_edit.set_value(text, (*change.path, "name"), new)
    siblings = _at(data, change.path[:-1])
    alone = sum(isinstance(s, dict) and s.get("name") == old for s in siblings or ()) == 1
    if isinstance(old, str) and old and alone:
        for path in _mentions(data, change.path[:-1], old):
            text = toml_edit.set_value(text, path, new)
    return text


_KINDS: Mapping[str, type[BaseModel]] = {
    str(get_args(m.model_fields["kind"].annotation)[0]): m
    for m in (TunnelOven, ChamberOven, *get_args(get_args(SourcePlan)[0]))
}


def _become(text: str, change: Change) -> str:
    kind = str(change.value if change.typed is None else change.typed)
    item = _at(tomllib_data(text), change.path)
    model = _KINDS.get(kind)
    if not isinstance(item, dict) or model is None:
        raise UsageError(f"nothing can become {kind!r}", where=_dotted(change.path))
    text = toml_edit.set_value(text, (*change.path, "kind"), kind)
    for key in item:
        if key not in model.model_fields:
            text = toml_edit.remove_value(text, (*change.path, key))
    return text


def _mentions(data: Mapping[str, Any], of: KeyPath, name: str) -> Iterator[KeyPath]:
    """Yield every path where a plan calls a channel or a zone by its name."""
    if of == ("oven", "zones"):
        for i, channel in enumerate(_tables(data, "channels")):
            if _at(channel, ("place", "zone")) == name:
                yield ("channels", i, "place", "zone")
        return
    if of != ("channels",):
        return
    for key in ("requirements", "crossings", "alarms"):
        for i, one in enumerate(_tables(data, key)):
            on = one.get("on") if isinstance(one, dict) else None
            for j, said in enumerate(on if isinstance(on, list) else ()):
                if said == name:
                    yield (key, i, "on", j)
    if _at(data, ("recording", "stop", "channel")) == name:
        yield ("recording", "stop", "channel")
    for i, one in enumerate(_tables(data, "instruments")):
        yield from _fed_by(one, ("instruments", i), name)


def _fed_by(here: Any, path: KeyPath, name: str) -> Iterator[KeyPath]:
    if isinstance(here, dict):
        for key, value in here.items():
            named = key == "channel" or (bool(path) and path[-1] == "channels")
            if named and value == name:
                yield (*path, key)
            else:
                yield from _fed_by(value, (*path, key), name)
    elif isinstance(here, list):
        for i, value in enumerate(here):
            yield from _fed_by(value, (*path, i), name)


def _tables(data: Mapping[str, Any], key: str) -> list[Any]:
    found = data.get(key)
    return found if isinstance(found, list) else []


def _dotted(path: KeyPath) -> str:
    return ".".join(str(p) for p in path)


def _free(name: str, taken: set[str]) -> str:
    head, _, tail = name.rpartition(" ")
    stem, count = (head, int(tail) + 1) if head and tail.isdecimal() else (name, 2)
    while f"{stem} {count}" in taken:
        count += 1
    return f"{stem} {count}"


def new_item(data: Mapping[str, Any], path: KeyPath) -> dict[str, Any]:
    """Return an item to be filled in: what can be taken over from its neighbours is, no limit ever.

    Raises
    ------
    UsageError : if there is no such list in a plan
    """
    siblings = _at(data, path)
    last = siblings[-1] if isinstance(siblings, list) and siblings else {}
    last = last if isinstance(last, dict) else {}
    taken = {str(s.get("name")) for s in siblings or () if isinstance(s, dict)}
    roles = [str(c.get("role")) for c in _tables(data, "channels") if isinstance(c, dict)]
    role = "core" if "core" in roles or not roles else roles[0]
    name = path[-1]
    if path == ("channels",):
        kept = {k: last[k] for k in ("sensor", "tolerance", "role", "module") if k in last}
        return {"name": _fresh("channel", taken), "sensor": "K", "role": "air"} | kept
    if path == ("oven", "zones"):
        kept = {k: last[k] for k in ("length_m", "setpoint_c") if k in last}
        return {"name": _fresh("zone", taken)} | ({"length_m": 1.0} | kept)
    if path == ("requirements",):
        return {"name": _fresh("requirement", taken), "measure": "max_temperature", "on": role}
    if path == ("crossings",):
        return {"level_c": 60.0, "on": role}
    if path == ("alarms",):
        return {"name": _fresh("alarm", taken), "on": role}
    if path == ("instruments",):
        return {"kind": str(last.get("kind", "mqtt"))}
    if name == "points" and "certificate" in path:
        return {"at_c": 100.0, "correction_k": 0.0, "expanded_uncertainty_k": 0.5} | last
    if path[0] == "instruments" and name in {"registers", "nodes", "fields", "values"}:
        return dict(last)
    raise UsageError(
        "there is no such list in a plan", where=_dotted(path), remedy="give the item as value"
    )


def _fresh(word: str, taken: set[str]) -> str:
    count = len(taken) + 1
    while f"{word} {count}" in taken:
        count += 1
    return f"{word} {count}"


_DOING = {
    "set": _set,
    "remove": _remove,
    "add": _add,
    "copy": _copy,
    "up": _move,
    "down": _move,
    "rename": _rename,
    "become": _become,
}
