"""Which table of a plan reads what was heard already, and what is missing in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from pydantic import TypeAdapter

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.plan import Plan
from ovenwright.domain.sources import SourcePlan
from ovenwright.domain.sources.modbus import RegisterType
from ovenwright.errors import UsageError
from ovenwright.wire.topic_pattern import decode_topic_pattern
from ovenwright.workflow.finding_asking import plain_host
from ovenwright.workflow.found_against import fed_by, key_in, key_of_row

MAPPINGS = ("channels", "registers", "nodes", "fields")
"""Keys of a table that join the instrument's inputs to the plan's channels."""
_READING: Mapping[str, tuple[str, ...]] = {
    "mqtt": ("topic", "payload"),
    "serial-text": ("text",),
}
"""Keys that decide by which names a mapping calls its inputs."""


@dataclass(frozen=True, slots=True)
class Missing:
    """What a plan lacks of one proposed table.

    ``at`` is the plan's instrument to complete, None where the whole table is new; ``table`` is the
    proposal, its mapping cut down to what is missing.
    """

    at: int | None
    many: str
    table: Mapping[str, Any]


def missing_in(plan: Plan, heard: Sequence[Heard]) -> list[Missing]:
    """Return what a plan lacks of what was heard, table by table; nothing where it has it all.

    Raises
    ------
    UsageError : if the plan reads the same messages or lines in another way, so that the names that
        were heard are not its own
    """
    by_key = {c.key: c for h in heard for c in h.channels}
    out: list[Missing] = []
    for proposal in proposals_of(heard):
        many = next(k for k in MAPPINGS if k in proposal)
        homes = [
            i
            for i, one in enumerate(plan.instruments)
            if _place(one.model_dump(mode="json")) == _place(proposal)
        ]
        at = _home(plan, homes, proposal, by_key)
        if at is None:
            out.append(Missing(None, many, proposal))
            continue
        fed = {k: v for i in homes for k, v in fed_by(plan.instruments[i]).items()}
        table = plan.instruments[at].model_dump(mode="json")
        rest: Any
        if many == "channels":
            rest = {k: v for k, v in proposal[many].items() if not _known(fed, by_key, k)}
        else:
            rest = [
                row
                for i, row in enumerate(proposal[many])
                if not _known(fed, by_key, key_of_row(many, row, i, proposal))
                and not (many == "fields" and i < len(table["fields"]))
                and not (many == "registers" and _taken(plan, homes, row, proposal))
                and not (many == "nodes" and _beside(plan, homes, by_key, row))
            ]
            if many == "registers":
                rest = [_spelt_out(row, proposal, table) for row in rest]
        if rest:
            out.append(Missing(at, many, {**proposal, many: rest}))
    return out


def proposals_of(heard: Sequence[Heard]) -> list[dict[str, Any]]:
    """Return each proposed table once: modules that one table reads carry the same one."""
    out: list[dict[str, Any]] = []
    for h in heard:
        table = dict(h.proposal)
        if table and table not in out:
            out.append(table)
    return out


def _place(table: Mapping[str, Any]) -> tuple[Any, ...]:
    """Return what tells one instrument's address from another's."""
    kind = table["kind"]
    if kind == "opcua":
        return kind, str(table["url"]).rstrip("/").casefold()
    if table.get("serial"):
        return kind, table["serial"]["device"]
    if "port" in table:
        return kind, plain_host(table["host"]), table["port"]
    return (kind,)


def _known(fed: Mapping[str, str], by_key: Mapping[str, HeardChannel], key: str) -> bool:
    channel = by_key.get(key)
    return key in fed if channel is None else key_in(fed, channel) is not None


def _home(
    plan: Plan, homes: list[int], proposal: Mapping[str, Any], by_key: Mapping[str, HeardChannel]
) -> int | None:
    """Return which of the tables at this address reads it, None where it is another one's."""
    kind = proposal["kind"]
    if not homes:
        return None
    if kind == "modbus":
        same = [i for i in homes if getattr(plan.instruments[i], "unit_id", None) == proposal["unit_id"]]  # fmt: skip
        return (same or homes)[0]
    if kind not in _READING:
        return homes[0]
    asked: Any = TypeAdapter(SourcePlan).validate_python(_whole(proposal))
    for i in homes:
        if all(getattr(plan.instruments[i], k) == getattr(asked, k) for k in _READING[kind]):
            return i
    for i in homes:
        if any(_known(fed_by(plan.instruments[i]), by_key, k) for k in proposal["channels"]):
            return i
    for i in homes:
        table = plan.instruments[i].model_dump(mode="json")
        if kind != "mqtt" or _overlap(table["topic"], proposal["topic"]):
            raise UsageError(
                f"instrument {i + 1} of the plan reads this already, but calls its inputs otherwise; "
                f"heard here: {', '.join(list(proposal['channels'])[:8])}",
                remedy="complete its channels by hand, or take the table out and let it be found anew",
            )
    return None


def _whole(proposal: Mapping[str, Any]) -> dict[str, Any]:
    """Return a proposal that the models take: its names may still be empty."""
    return {**proposal, "channels": dict.fromkeys(proposal["channels"], "-")}


def _overlap(one: str, other: str) -> bool:
    """Whether a topic could fit both patterns (OASIS MQTT 5.0, section 4.7)."""
    levels = (decode_topic_pattern(text).filter.split("/") for text in (one, other))
    for a, b in zip_longest(*levels):
        if "#" in (a, b):
            return True
        if a is None or b is None or ("+" not in (a, b) and a != b):
            return False
    return True


def _taken(plan: Plan, homes: list[int], row: Mapping[str, Any], table: Mapping[str, Any]) -> bool:
    """Whether registers of this row are read by the plan already, as this number or another."""
    wanted = set(_cells(row, table))
    return any(
        wanted & set(_cells(one, facts))
        for facts in (plan.instruments[i].model_dump(mode="json") for i in homes)
        for one in facts["registers"]
    )


def _beside(
    plan: Plan, homes: list[int], by_key: Mapping[str, HeardChannel], row: Mapping[str, Any]
) -> bool:
    """Whether a variable is the reference junction of another one in the plan."""
    beside = {
        n["reference_node"]: ""
        for i in homes
        for n in plan.instruments[i].model_dump(mode="json")["nodes"]
    }
    return _known(beside, by_key, str(row["node"]))


def _cells(row: Mapping[str, Any], table: Mapping[str, Any]) -> Iterator[tuple[Any, ...]]:
    unit = table.get("unit_id", 1) if row.get("unit_id") is None else row["unit_id"]
    count = RegisterType(row.get("type", "int16")).registers
    for address in range(row["address"], row["address"] + count):
        yield unit, row.get("function", "holding"), address


def _spelt_out(
    row: Mapping[str, Any], proposal: Mapping[str, Any], table: Mapping[str, Any]
) -> dict[str, Any]:
    """Return a register with what its new table would otherwise decide for it."""
    out = dict(row)
    if table["unit_id"] != proposal["unit_id"]:
        out["unit_id"] = proposal["unit_id"]
    for order in ("word_order", "byte_order"):
        wanted = row.get(order, "big")
        out.pop(order, None)
        if table[order] != wanted:
            out[order] = wanted
    return out
