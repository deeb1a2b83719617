"""A plan's mapping of JSON messages: topic pattern and paths, read once, with all their faults."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from ovenwright.domain.sources.described import KeyPath
from ovenwright.domain.sources.mqtt import MqttPayload, MqttSource
from ovenwright.errors import OvenwrightError, UsageError
from ovenwright.wire.json_path import Step, bind, branches_of, decode_path
from ovenwright.wire.topic_pattern import TopicPattern, decode_topic_pattern

Bound = tuple[tuple[str | int, int], ...]


@dataclass(frozen=True, slots=True)
class JsonMapping:
    """A plan's mapping, read once and used for every message."""

    topic: TopicPattern
    payload: MqttPayload
    module: str
    value: tuple[Step, ...]
    channel_branch: int
    module_branch: int
    fixed: dict[str, Bound] = field(default_factory=dict)
    varying: dict[str, Bound] = field(default_factory=dict)
    known: frozenset[str] = frozenset()

    @property
    def count_per_channel(self) -> bool:
        """Whether each channel has a count of its own."""
        if self.payload.sequence_of != "auto":
            return self.payload.sequence_of == "channel"
        if "channel" in self.topic.names:
            return True
        used = {b for _, b in self.varying.get("sequence", ()) if b >= 0}
        named = {self.channel_branch} | {b for _, b in self.varying.get("channel", ()) if b >= 0}
        return bool(used & named)


def decode_mapping(source: MqttSource) -> JsonMapping:
    """Read the topic pattern and the paths of a plan's table.

    Raises
    ------
    UsageError : for the first fault; :func:`mapping_faults` tells all of them
    """
    faults = mapping_faults(source)
    if faults:
        path, what, remedy = faults[0]
        raise UsageError(what, where=".".join(str(p) for p in path), remedy=remedy)
    return _mapping(source)


def _mapping(source: MqttSource) -> JsonMapping:
    value = decode_path(source.payload.value)
    names = [b.name for b in branches_of(value)]
    fixed: dict[str, Bound] = {}
    varying: dict[str, Bound] = {}
    for key, text in source.payload.paths().items():
        if key == "value":
            continue
        bound = bind(decode_path(text), value)
        (varying if any(b >= 0 for _, b in bound) else fixed)[key] = bound
    return JsonMapping(
        topic=decode_topic_pattern(source.topic),
        payload=source.payload,
        module=source.module,
        value=value,
        channel_branch=names.index("channel") if "channel" in names else -1,
        module_branch=names.index("module") if "module" in names else -1,
        fixed=fixed,
        varying=varying,
        known=frozenset(source.channels),
    )


def mapping_faults(source: MqttSource) -> tuple[tuple[KeyPath, str, str], ...]:
    """Return every fault of topic and paths: (key path in the table, what, remedy)."""
    found: list[tuple[KeyPath, str, str]] = []
    names: set[str] = set()
    try:
        names = set(decode_topic_pattern(source.topic).names)
    except OvenwrightError as trouble:
        found.append((("topic",), trouble.what, trouble.remedy))
    payload = source.payload
    value: tuple[Step, ...] = ()
    try:
        value = decode_path(payload.value)
    except OvenwrightError as trouble:
        found.append((("payload", "value"), trouble.what, trouble.remedy))
        return tuple(found)
    found += _branch_faults(value, names, payload)
    bounds: dict[str, Bound] = {}
    for key, text in payload.paths().items():
        if key == "value":
            continue
        try:
            bounds[key] = bind(decode_path(text), value)
        except OvenwrightError as trouble:
            found.append((("payload", key), trouble.what, trouble.remedy))
    found += _open_faults(value, bounds, payload)
    return tuple(found)


def _branch_faults(
    value: tuple[Step, ...], names: set[str], payload: MqttPayload
) -> Iterator[tuple[KeyPath, str, str]]:
    seen: set[str] = set()
    for branch in branches_of(value):
        if branch.name and (branch.name not in {"channel", "module"} or branch.name in seen):
            yield (
                ("payload", "value"),
                f"{{{branch.name}}} can't stand here",
                "use {channel} and {module}, each once, and [*] for the rest",
            )
        elif branch.name in names or (branch.name and getattr(payload, branch.name)):
            yield (
                ("payload", "value"),
                f"the {branch.name} is told twice",
                "keep one: in the topic, in the path to the value, or by a path of its own",
            )
        seen.add(branch.name)
    for name in ("channel", "module"):
        if name in names and getattr(payload, name):
            yield (
                ("payload", name),
                f"the topic tells the {name} already",
                "take one of them out",
            )


def _open_faults(
    value: tuple[Step, ...], bounds: dict[str, Bound], payload: MqttPayload
) -> Iterator[tuple[KeyPath, str, str]]:
    told = {b for key in ("channel", "module", "time") for _, b in bounds.get(key, ()) if b >= 0}
    for i, branch in enumerate(branches_of(value)):
        if not branch.name and i not in told and payload.spacing_s is None:
            yield (
                ("payload", "value"),
                "[*] gives many values, but nothing tells them apart",
                "name it {channel}, give a path to channel or time with the same [*], or spacing_s",
            )
    if payload.reference and payload.unit != "mV" and not payload.unit_path:
        yield (
            ("payload", "reference"),
            f"the readings are in {payload.unit}",
            'a reference junction belongs to unit = "mV"',
        )
