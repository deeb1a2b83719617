"""Paths into JSON documents: names, indices, wildcards and named parts.

The notation is JSONPath (RFC 9535) cut down to child names, indices and the wildcard ``*``, with one
addition: ``{channel}`` is a wildcard whose concrete key is kept under that name.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from ovenwright.errors import OutOfRange, UsageError

MOST_STEPS = 32
MOST_LEAVES = 100_000

_TOKEN = re.compile(
    r"""
      \[\s*(?:(?P<index>-?\d{1,9})|(?P<star>\*)|\{(?P<inner>\w+)\}|'(?P<single>(?:[^'\\]|\\.)*)'|"(?P<double>(?:[^"\\]|\\.)*)")\s*\]
    | (?:\.|(?<![\].}\w*'"]))(?:(?P<dotstar>\*)|\{(?P<named>\w+)\}|(?P<name>[^\s.\[\]{}*'"]+))
    """,
    re.VERBOSE | re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class Branch:
    """A step that goes every way; ``name`` is empty for a plain wildcard."""

    name: str = ""


Step = str | int | Branch


@dataclass(frozen=True, slots=True)
class Leaf:
    """What a path led to.

    ``keys`` are the concrete keys of the path's branches, in order. ``place`` and ``count`` tell
    where in the innermost list the leaf stands, 0 and 1 where the path branches over no list.
    """

    value: Any
    keys: tuple[str | int, ...] = ()
    place: int = 0
    count: int = 1


def decode_path(text: str) -> tuple[Step, ...]:
    """Return the steps of a path.

    Parameters
    ----------
    text : such as ``samples[*].t[{channel}]``; empty for the document itself

    Raises
    ------
    UsageError : if it can't be read, naming the place
    """
    body = text.strip()
    body = body.removeprefix("$")
    steps: list[Step] = []
    at = 0
    while at < len(body):
        match = _TOKEN.match(body, at)
        if match is None or (at == 0 and body.startswith(".") and body == "."):
            raise UsageError(
                f"the path can't be read from {body[at : at + 20]!r} on",
                where=repr(text),
                remedy="write it such as samples[*].t[{channel}]; names with dots or spaces as ['a b']",
            )
        found = match.groupdict()
        if found["index"] is not None:
            steps.append(int(found["index"]))
        elif found["star"] or found["dotstar"]:
            steps.append(Branch())
        elif found["inner"] or found["named"]:
            steps.append(Branch(found["inner"] or found["named"]))
        else:
            quoted = found["single"] if found["single"] is not None else found["double"]
            steps.append(found["name"] if quoted is None else re.sub(r"(?s)\\(.)", r"\1", quoted))
        at = match.end()
        if len(steps) > MOST_STEPS:
            raise UsageError(
                f"the path has more than {MOST_STEPS} steps",
                where=repr(text[:40]),
                remedy="shorten it",
            )
    return tuple(steps)


def branches_of(steps: tuple[Step, ...]) -> tuple[Branch, ...]:
    """Return the branches of a path, in order."""
    return tuple(s for s in steps if isinstance(s, Branch))


def bind(steps: tuple[Step, ...], to: tuple[Step, ...]) -> tuple[tuple[str | int, int], ...]:
    """Tie a path's branches to those of the path to the value.

    A named branch takes the key of the branch of that name, the n-th plain wildcard the key of the
    n-th plain wildcard.

    Returns
    -------
    steps as (key, -1) for a fixed key, ("", n) for the key of the value path's n-th branch

    Raises
    ------
    UsageError : if a branch has no partner
    """
    partners = branches_of(to)
    plain = [i for i, b in enumerate(partners) if not b.name]
    named = {b.name: i for i, b in enumerate(partners) if b.name}
    bound: list[tuple[str | int, int]] = []
    used = 0
    for step in steps:
        if not isinstance(step, Branch):
            bound.append((step, -1))
        elif step.name:
            if step.name not in named:
                raise UsageError(
                    f"the path to the value has no {{{step.name}}}",
                    remedy="use the same named parts",
                )
            bound.append(("", named[step.name]))
        else:
            if used >= len(plain):
                raise UsageError(
                    "it branches where the path to the value does not",
                    remedy="use at most as many [*] as the path to the value has",
                )
            bound.append(("", plain[used]))
            used += 1
    return tuple(bound)


def child(node: Any, key: str | int) -> Any:
    """Return what stands under a key, None where nothing does."""
    if isinstance(node, dict):
        return node.get(key if isinstance(key, str) else str(key))
    if isinstance(node, list) and isinstance(key, int) and -len(node) <= key < len(node):
        return node[key]
    return None


def look_up(
    document: Any, bound: tuple[tuple[str | int, int], ...], keys: tuple[str | int, ...] = ()
) -> Any:
    """Follow a bound path with the keys of one leaf; None where it leads nowhere."""
    node = document
    for key, branch in bound:
        node = child(node, key if branch < 0 else keys[branch])
        if node is None:
            return None
    return node


def find_leaves(document: Any, steps: tuple[Step, ...]) -> list[Leaf]:
    """Return everything a path leads to, in document order.

    Raises
    ------
    OutOfRange : if there are more than ``MOST_LEAVES``
    """
    found: list[Leaf] = []
    for leaf in _walk(document, steps, 0, (), (0, 1)):
        found.append(leaf)
        if len(found) > MOST_LEAVES:
            raise OutOfRange("values in one message", got="more", expected=f"at most {MOST_LEAVES}")
    return found


def _walk(
    node: Any, steps: tuple[Step, ...], at: int, keys: tuple[str | int, ...], stand: tuple[int, int]
) -> Iterator[Leaf]:
    while at < len(steps):
        step = steps[at]
        at += 1
        if isinstance(step, Branch):
            if isinstance(node, list):
                for i, inner in enumerate(node):
                    inner_stand = stand if step.name else (i, len(node))
                    yield from _walk(inner, steps, at, (*keys, i), inner_stand)
            elif isinstance(node, dict):
                for key, inner in node.items():
                    yield from _walk(inner, steps, at, (*keys, key), stand)
            return
        if isinstance(node, dict):
            key = step if isinstance(step, str) else str(step)
            if key not in node:
                return
            node = node[key]
        elif isinstance(node, list) and isinstance(step, int) and -len(node) <= step < len(node):
            node = node[step]
        else:
            return
    yield Leaf(node, keys, *stand)
