"""What was heard at an address, held against a plan."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.plan import Plan
from ovenwright.domain.sources import SourcePlan
from ovenwright.workflow.finding_asking import same_place


@dataclass(frozen=True, slots=True)
class Against:
    """What was heard, held against a plan.

    ``known`` and ``new`` are keys the plan's instruments know or don't; ``silent`` are the plan's
    channels that this address should feed and that nothing was heard of.
    """

    known: tuple[str, ...]
    new: tuple[str, ...]
    silent: tuple[str, ...]


def hold_against(plan: Plan, heard: Sequence[Heard], url: str) -> Against:
    """Say which of what was heard the plan knows, and which of its channels stayed silent."""
    fed = fed_at(plan, url)
    channels = [c for h in heard for c in h.channels]
    known = {c.key: key for c in channels if (key := key_in(fed, c)) is not None}
    alive = {
        known[c.key]
        for c in channels
        if c.key in known and (c.count != 0 or math.isfinite(c.value))
    }
    return Against(
        known=tuple(c.key for c in channels if c.key in known),
        new=tuple(c.key for c in channels if c.key not in known),
        silent=tuple(name for key, name in fed.items() if key not in alive),
    )


def key_in(fed: Mapping[str, str], channel: HeardChannel) -> str | None:
    """Return the key under which a plan has what was heard, None where it does not know it."""
    return next((k for k in (channel.key, *channel.also) if k in fed), None)


def fed_at(plan: Plan, url: str) -> dict[str, str]:
    """Return the instrument's keys to channel names, of the plan's instruments at an address."""
    out: dict[str, str] = {}
    for one in plan.instruments:
        if same_place(one.model_dump(mode="json"), url):
            out |= fed_by(one)
    return out


def fed_by(one: SourcePlan) -> dict[str, str]:
    """Return the instrument's keys to channel names, of one table of a plan."""
    facts = one.model_dump(mode="json")
    return {
        str(path[-1])
        if path[0] == "channels"
        else key_of_row(str(path[0]), facts[str(path[0])][int(path[1])], int(path[1]), facts): name
        for path, name in one.fed()
    }


def key_of_row(many: str, row: Mapping[str, Any], at: int, table: Mapping[str, Any]) -> str:
    """Return the key by which a row of a table is heard: a register, a node or a field.

    Parameters
    ----------
    many : ``registers``, ``nodes`` or ``fields``
    row, at : the row and its place
    table : the whole table, as plain data
    """
    if many == "fields":
        return f"field {at + 1}"
    if many == "nodes":
        return str(row["node"])
    unit = table.get("unit_id", 1) if row.get("unit_id") is None else row["unit_id"]
    return f"{unit}/{row.get('function', 'holding')} {row['address']}"
