"""What was heard at an address, held against a plan."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.plan import Plan
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
        facts = one.model_dump(mode="json")
        if not same_place(facts, url):
            continue
        for path, channel in one.fed():
            if path[0] == "registers":
                row = facts["registers"][int(path[1])]
                unit = facts["unit_id"] if row["unit_id"] is None else row["unit_id"]
                out[f"{unit}/{row['function']} {row['address']}"] = channel
            elif path[0] == "fields":
                out[f"field {int(path[1]) + 1}"] = channel
            elif path[0] == "nodes":
                out[str(facts["nodes"][int(path[1])]["node"])] = channel
            else:
                out[str(path[-1])] = channel
    return out
