"""Change single values of a TOML text in place: every comment and every other letter stays.

Each change is proved before it is handed back: the new text must read as the old data with just
that change. Where the text is written in a way that can't be changed so, it is refused.
"""

from __future__ import annotations

import copy
import datetime as dt
import json
import math
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from ovenwright.errors import UsageError
from ovenwright.storage.toml_spans import KeyPath, Spans, spans_of

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_NUMBER = re.compile(r"[+-]?\d[\d_]*(?:\.\d[\d_]*)?(?:[eE][+-]?\d+)?")


class Literal(str):
    """A number as a person typed it, to stand in the text letter by letter."""

    __slots__ = ()


def number_as_typed(typed: str) -> Literal | str:
    """Return what was typed as a number, or as plain text where it is none.

    A decimal comma and a real minus sign are taken for what they are.
    """
    text = typed.strip().replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", "")
    if re.fullmatch(r"[+-]?\d+,\d+", text):
        text = text.replace(",", ".")
    if text.startswith((".", "-.", "+.")):
        text = text.replace(".", "0.", 1)
    text = text.removesuffix(".")
    if not _NUMBER.fullmatch(text):
        return typed
    try:
        tomllib.loads(f"k = {text}")
    except tomllib.TOMLDecodeError:  # a leading zero
        try:
            return Literal(repr(float(text)))
        except ValueError:
            return typed
    return Literal(text)


def literal(value: Any) -> str:
    """Return a value as TOML on one line."""
    if isinstance(value, Literal):
        return str(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        if math.isnan(value):
            return "nan"
        return repr(value) if math.isfinite(value) else ("inf" if value > 0 else "-inf")
    if isinstance(value, str):
        try:
            value.encode("utf-8")
        except UnicodeEncodeError as cause:
            raise UsageError("the text holds half a character", remedy="type it anew") from cause
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    if isinstance(value, Mapping):
        inside = ", ".join(f"{key_text(str(k))} = {literal(v)}" for k, v in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(literal(v) for v in value)}]"
    raise UsageError(f"{type(value).__name__} can't stand in a plan", remedy="give plain data")


def key_text(key: str) -> str:
    """Return a key as TOML writes it."""
    return key if _BARE.fullmatch(key) else literal(key)


def set_value(text: str, path: KeyPath, value: Any) -> str:
    """Return ``text`` with ``value`` at ``path``; tables on the way are written if need be.

    Raises
    ------
    UsageError : if the text is no TOML, or can't be changed there without changing more
    """
    return _proved(text, path, lambda t: _set(t, path, value), _data_set(path, value))


def remove_value(text: str, path: KeyPath) -> str:
    """Return ``text`` without the key, table or list item at ``path``; raises as `set_value`."""
    return _proved(text, path, lambda t: _remove(t, path), _data_remove(path))


def add_item(text: str, path: KeyPath, value: Any) -> str:
    """Return ``text`` with ``value`` as the last item of the list at ``path``."""
    return _proved(text, path, lambda t: _add(t, path, value), _data_add(path, value))


def swap_items(text: str, path: KeyPath, first: int, second: int) -> str:
    """Return ``text`` with two items of the list at ``path`` in each other's place."""
    return _proved(
        text, path, lambda t: _swap(t, path, first, second), _data_swap(path, first, second)
    )


# what the data must be afterwards ---------------------------------------------------------


def _plain(value: Any) -> Any:
    """Return a value as the standard reader gives it back."""
    return tomllib.loads(f"k = {literal(value)}")["k"]


def _inside(data: Any, path: KeyPath, *, make: bool = False) -> Any:
    here = data
    for key in path:
        if isinstance(here, list):
            if not isinstance(key, int) or not 0 <= key < len(here):
                raise _refusal(path)
            here = here[key]
        elif isinstance(here, dict):
            if key not in here:
                if not make or isinstance(key, int):
                    raise _refusal(path)
                here[key] = {}
            here = here[key]
        else:
            raise _refusal(path)
    return here


def _data_set(path: KeyPath, value: Any) -> Any:
    def change(data: Any) -> None:
        if not path:
            raise _refusal(path)
        holder = _inside(data, path[:-1], make=True)
        key = path[-1]
        fits = isinstance(holder, dict) and isinstance(key, str)
        fits = fits or (
            isinstance(holder, list) and isinstance(key, int) and 0 <= key < len(holder)
        )
        if not fits:
            raise _refusal(path)
        holder[key] = _plain(value)

    return change


def _data_remove(path: KeyPath) -> Any:
    def change(data: Any) -> None:
        if not path:
            raise _refusal(path)
        holder = _inside(data, path[:-1])
        try:
            del holder[path[-1]]
        except (KeyError, IndexError, TypeError) as cause:
            raise _refusal(path) from cause
        if isinstance(path[-1], int) and not holder:  # an empty list of tables has no header
            del _inside(data, path[:-2])[path[-2]]

    return change


def _data_add(path: KeyPath, value: Any) -> Any:
    def change(data: Any) -> None:
        if not path or not isinstance(path[-1], str):
            raise _refusal(path)
        holder = _inside(data, path[:-1], make=True)
        if not isinstance(holder, dict) or not isinstance(holder.get(path[-1], []), list):
            raise _refusal(path)
        holder.setdefault(path[-1], []).append(_plain(value))

    return change


def _data_swap(path: KeyPath, first: int, second: int) -> Any:
    def change(data: Any) -> None:
        holder = _inside(data, path)
        if not isinstance(holder, list) or not all(0 <= i < len(holder) for i in (first, second)):
            raise _refusal(path)
        holder[first], holder[second] = holder[second], holder[first]

    return change


def _refusal(path: KeyPath) -> UsageError:
    return UsageError(
        "the text can't be changed there by itself",
        where=".".join(str(p) for p in path) or "the plan",
        remedy="change the text beside the form",
    )


def _read(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as cause:
        raise UsageError(
            f"the text is not valid TOML: {cause}",
            remedy="mend the text first; nothing in it was changed",
        ) from cause


def _proved(text: str, path: KeyPath, edit: Any, change: Any) -> str:
    windows = "\r\n" in text
    plain = text.replace("\r\n", "\n")
    wanted = _read(plain)
    before = copy.deepcopy(wanted)
    change(wanted)
    if _same(wanted, before):
        return text
    new: str = edit(plain)
    try:
        got = tomllib.loads(new)
    except tomllib.TOMLDecodeError as cause:
        raise _refusal(path) from cause
    if not _same(got, wanted):
        raise _refusal(path)
    return new.replace("\n", "\r\n") if windows else new


def _same(one: Any, other: Any) -> bool:
    """Tell whether two data are the same, NaN included, and 34 is not 34.0."""
    return (
        repr(one) == repr(other) if not isinstance(one, (dict, list)) else _same_holder(one, other)
    )


def _same_holder(one: Any, other: Any) -> bool:
    if type(one) is not type(other) or len(one) != len(other):
        return False
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(_same(v, other[k]) for k, v in one.items())
    return all(_same(a, b) for a, b in zip(one, other, strict=True))


# the text itself --------------------------------------------------------------------------


def _set(text: str, path: KeyPath, value: Any) -> str:
    spans = spans_of(text)
    pair = spans.pairs.get(path)
    if pair is not None:
        return _put(text, pair.value, literal(value))
    if path in spans.items:
        return _put(text, spans.items[path], literal(value))
    if any(h.path[: len(path)] == path for h in spans.headers):
        raise _refusal(path)  # a table that stands in lines of its own is changed key by key
    return _new_key(spans, path, value)


def _put(text: str, span: tuple[int, int], new: str) -> str:
    return text[: span[0]] + new + text[span[1] :]


def _new_key(spans: Spans, path: KeyPath, value: Any) -> str:
    text, parent, key = spans.text, path[:-1], path[-1]
    if isinstance(key, int):
        raise _refusal(path)
    said = f"{key_text(key)} = {literal(value)}"
    if parent in spans.holders:
        return _into_inline(spans, parent, said)
    header = next((h for h in spans.headers if h.path == parent), None)
    if header is not None or not parent:
        at = spans.content_end(header)
        if at == 0 and not parent:
            at = _head_end(text)
        return _insert_line(text, at, said)
    child = next((h for h in spans.headers if h.path[: len(parent)] == parent), None)
    if child is not None:  # [a.b] stands there but [a] does not
        at = _lead(text, child.start)
        return f"{text[:at]}[{_dotted(parent)}]\n{said}\n\n{text[at:]}"
    dotted = [p for p in spans.pairs.values() if p.path[: len(parent)] == parent and not p.inline]
    if dotted:  # a.b = 1 stands there
        last = dotted[-1]
        prefix = ".".join(key_text(str(p)) for p in parent[len(last.table) :])
        return _insert_line(text, spans.line_end(last.value[1]), f"{prefix}.{said}")
    if len(parent) == 1:
        return _at_end(text, f"[{key_text(str(parent[0]))}]\n{said}\n")
    return _new_key(spans, parent, {key: value})


def _dotted(path: KeyPath) -> str:
    return ".".join(key_text(str(p)) for p in path if isinstance(p, str))


def _into_inline(spans: Spans, holder: KeyPath, said: str) -> str:
    text = spans.text
    opened, closed = spans.holders[holder]
    if text[opened] != "{":
        raise _refusal(holder)
    inside = [p for p in spans.own_pairs(holder) if p.inline]
    if not inside:
        return _put(text, (opened, closed), f"{{ {said} }}")
    at = inside[-1].value[1]
    return f"{text[:at]}, {said}{text[at:]}"


def _insert_line(text: str, at: int, said: str) -> str:
    before = text[:at]
    if before and not before.endswith("\n"):
        before += "\n"
    return f"{before}{said}\n{text[at:]}"


def _head_end(text: str) -> int:
    """Return where the first key may stand: behind the comment a file begins with."""
    at = 0
    while text.startswith("#", at):
        end = text.find("\n", at)
        if end < 0:
            return len(text)
        at = end + 1
    return at


def _lead(text: str, at: int) -> int:
    """Return where the comment lines that stand right above ``at`` begin."""
    at = text.rfind("\n", 0, at) + 1
    while at > 0:
        before = text.rfind("\n", 0, at - 1) + 1
        if not text[before:at].lstrip().startswith("#"):
            break
        at = before
    return at


def _at_end(text: str, block: str) -> str:
    body = text.rstrip("\n")
    return f"{body}\n\n{block}" if body else block


def _group(spans: Spans, path: KeyPath) -> tuple[int, int] | None:
    """Return the span of a table with its sub-tables: header to last key; None without header."""
    mine = [i for i, h in enumerate(spans.headers) if h.path[: len(path)] == path]
    if not mine:
        return None
    if mine != list(range(mine[0], mine[-1] + 1)):
        raise _refusal(path)
    first, last = spans.headers[mine[0]], spans.headers[mine[-1]]
    return spans.line_start(first.start), spans.content_end(last)


def _remove(text: str, path: KeyPath) -> str:
    spans = spans_of(text)
    pair = spans.pairs.get(path)
    if pair is not None:
        if pair.inline:
            return _out_of_list(spans, pair.table, (pair.start, pair.value[1]))
        return text[: spans.line_start(pair.start)] + text[spans.line_end(pair.value[1]) :]
    if path in spans.items:
        siblings = [k for k in spans.items if len(k) == len(path) and k[:-1] == path[:-1]]
        if len(siblings) == 1:
            return _remove(text, path[:-1])
        return _out_of_list(spans, path[:-1], spans.items[path])
    group = _group(spans, path)
    if group is None:
        raise _refusal(path)
    before, after = text[: group[0]], text[group[1] :]
    if before.endswith("\n\n") and (after.startswith("\n") or not after):
        before = before[:-1]
    return before.lstrip("\n") + after if not before.strip() else before + after


def _out_of_list(spans: Spans, holder: KeyPath, span: tuple[int, int]) -> str:
    text = spans.text
    opened, closed = spans.holders[holder]
    start, end = span
    rest = text[end : closed - 1]
    after = rest.lstrip()
    if after.startswith(","):
        end += len(rest) - len(after) + 1
        end += len(text[end:closed]) - len(text[end:closed].lstrip(" "))
    else:
        before = text[opened + 1 : start].rstrip()
        if before.endswith(","):
            start = opened + 1 + len(before) - 1
    line = spans.line_start(start)
    if not text[line:start].strip() and text[end : spans.line_end(end)] == "\n":
        start, end = line, end + 1  # the item had a line to itself
    new = text[:start] + text[end:]
    if not text[opened + 1 : start].strip() and not text[end : closed - 1].strip():
        return text[:opened] + text[opened] + text[closed - 1] + text[closed:]
    return new


def _add(text: str, path: KeyPath, value: Any) -> str:
    spans = spans_of(text)
    if path in spans.holders:
        opened, closed = spans.holders[path]
        items = [s for k, s in spans.items.items() if k[:-1] == path]
        if not items:
            return _put(text, (opened, closed), f"[{literal(value)}]")
        at = max(e for _, e in items)
        return f"{text[:at]}, {literal(value)}{text[at:]}"
    if not isinstance(value, Mapping) or any(isinstance(p, int) for p in path):
        return _new_key(spans, path, [value])
    head = f"[[{_dotted(path)}]]\n"
    block = head + "".join(f"{key_text(str(k))} = {literal(v)}\n" for k, v in value.items())
    items_here = _group(spans, path)
    around = items_here or (_group(spans, path[:-1]) if len(path) > 1 else None)
    if around is None:
        return _at_end(text, block)
    at = around[1]
    before = text[:at] if text[:at].endswith("\n") else text[:at] + "\n"
    after = text[at:]
    gap = "" if not after or after.startswith("\n") else "\n"
    return f"{before}\n{block}{gap}{after}"


def _swap(text: str, path: KeyPath, first: int, second: int) -> str:
    spans = spans_of(text)
    one, other = sorted((first, second))
    if (*path, one) in spans.items:
        a, b = spans.items[*path, one], spans.items[*path, other]
    else:
        upper, lower = _group(spans, (*path, one)), _group(spans, (*path, other))
        if upper is None or lower is None:
            raise _refusal(path)
        a, b = upper, lower
    left, middle, right = text[a[0] : a[1]], text[a[1] : b[0]], text[b[0] : b[1]]
    if not right.endswith("\n") and left.endswith("\n"):
        right, left = right + "\n", left.removesuffix("\n")
    return text[: a[0]] + right + middle + left + text[b[1] :]
