"""JSON messages to readings, as a plan's mapping says."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from ovenwright.domain.run import NS, Quality
from ovenwright.domain.sources.described import KeyPath
from ovenwright.domain.sources.mqtt import MqttPayload, MqttSource
from ovenwright.errors import OvenwrightError, UsageError
from ovenwright.wire.json_path import (
    Branch,
    Leaf,
    Step,
    bind,
    branches_of,
    decode_path,
    find_leaves,
    look_up,
)
from ovenwright.wire.reading_words import decode_count, decode_number, decode_time, decode_unit
from ovenwright.wire.topic_pattern import TopicPattern, decode_topic_pattern

MOST_NAME = 120
_MOST_TROUBLES = 5
_YES = frozenset({"1", "true", "yes", "on", "late", "stored", "historical"})
_KELVIN = 273.15


def _key(module: str, channel: str) -> str:
    return f"{module}/{channel}" if module and channel else (module or channel)


@dataclass(frozen=True, slots=True)
class Item:
    """One number of a message, before it is known when and whether it counts.

    ``time_ns`` is None where the message tells no time; then ``after_ns`` is counted from the time
    of receipt. ``count`` is the instrument's own count.
    """

    module: str
    channel: str
    value: float
    unit: str
    quality: Quality
    time_ns: int | None = None
    after_ns: int = 0
    count: int | None = None
    reference_c: float = math.nan
    stored: bool = False

    @property
    def key(self) -> str:
        """The instrument's own key: ``module/channel``, or the one of them that there is."""
        return _key(self.module, self.channel)


@dataclass(frozen=True, slots=True)
class Message:
    """What one message said. ``battery`` is a share; ``troubles`` is what could not be read."""

    items: tuple[Item, ...] = ()
    troubles: tuple[str, ...] = ()
    module: str = ""
    battery: float = math.nan
    signal: float = math.nan
    serial: str = ""


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


def decode_json(payload: bytes | bytearray, *, bare_text: bool = False) -> Any:
    """Return the document of a message.

    Parameters
    ----------
    payload : UTF-8, with or without a mark at its start
    bare_text : whether a text without quotes is the document itself

    Raises
    ------
    UsageError : if it is no JSON (RFC 8259)
    """
    try:
        text = payload.decode("utf-8-sig")
    except UnicodeDecodeError as cause:
        raise UsageError("not UTF-8 text") from cause
    try:
        return json.loads(text)
    except RecursionError as cause:
        raise UsageError("nested too deeply") from cause
    except ValueError as cause:
        if bare_text and len(text) <= MOST_NAME:
            return text.strip()
        raise UsageError(f"not JSON: {str(cause)[:80]}") from cause


def decode_message(mapping: JsonMapping, topic: str, payload: bytes | bytearray) -> Message:
    """Return what a message says; whatever can't be read is told, the rest is kept.

    Parameters
    ----------
    mapping : from :func:`decode_mapping`
    topic : the topic it came on
    payload : the message's bytes

    Returns
    -------
    its readings in document order, and its troubles in words
    """
    parts = mapping.topic.match(topic)
    topic = _clean(topic)
    if parts is None:
        return Message(troubles=(f"topic {topic!r} is not of the plan's pattern",))
    parts = {name: _clean(text) for name, text in parts.items()}
    try:
        document = decode_json(payload, bare_text=not mapping.value)
        leaves = find_leaves(document, mapping.value)
    except OvenwrightError as trouble:
        return Message(troubles=(f"{topic}: {trouble.what}",))
    fixed = {key: look_up(document, bound) for key, bound in mapping.fixed.items()}
    troubles: list[str] = []
    if not leaves:
        troubles.append(f"nothing stands at {mapping.payload.value!r}")
    items = [
        item
        for leaf in leaves
        if (item := _item(mapping, document, leaf, (fixed, parts), troubles)) is not None
    ]
    module = parts.get("module") or _name(fixed.get("module")) or mapping.module
    battery = decode_number(fixed.get("battery"))
    signal = decode_number(fixed.get("signal"))
    return Message(
        items=tuple(items),
        troubles=tuple(f"{topic}: {t}" for t in dict.fromkeys(troubles[:_MOST_TROUBLES])),
        module=module,
        battery=math.nan if battery is None else battery[0] / mapping.payload.battery_full,
        signal=math.nan if signal is None else signal[0],
        serial=_name(fixed.get("serial")),
    )


def _name(word: Any) -> str:
    if isinstance(word, bool) or not isinstance(word, (str, int)):
        return ""
    if isinstance(word, int) and abs(word) >= 10**18:
        return ""
    return _clean(str(word).strip())


def _clean(name: str) -> str:
    """Return a name that any terminal and any file can hold."""
    name = name[:MOST_NAME]
    if name.isprintable():
        return name
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in name)


def _item(
    mapping: JsonMapping,
    document: Any,
    leaf: Leaf,
    known: tuple[dict[str, Any], dict[str, str]],
    troubles: list[str],
) -> Item | None:
    plan = mapping.payload
    fixed, parts = known

    def told(key: str) -> Any:
        bound = mapping.varying.get(key)
        return fixed.get(key) if bound is None else look_up(document, bound, leaf.keys)

    channel = parts.get("channel") or (
        _clean(str(leaf.keys[mapping.channel_branch]))
        if mapping.channel_branch >= 0
        else _name(told("channel"))
    )
    module = parts.get("module") or (
        _clean(str(leaf.keys[mapping.module_branch]))
        if mapping.module_branch >= 0
        else _name(told("module")) or mapping.module
    )
    number = decode_number(leaf.value, plan.fault_values)
    if number is None:
        # a path that goes every way meets other things than readings
        if mapping.channel_branch < 0 or _key(module, channel) in mapping.known:
            troubles.append(f"{_shown(leaf.value)} is no reading")
        return None
    value, quality = number
    unit: str = plan.unit
    if plan.unit_path and (word := told("unit_path")) is not None:
        read_unit = decode_unit(word)
        if read_unit is None:
            troubles.append(f"{_shown(word)} is no unit; the plan's own can be set with unit")
            return None
        unit = read_unit
    if plan.status:
        word = told("status")
        if word is None or str(word).strip().casefold() not in plan.good:
            quality |= Quality.INSTRUMENT_DOUBT
    time_ns, after_ns = None, 0
    if plan.spacing_s is not None:
        steps = leaf.place if plan.time and plan.time_of == "first" else leaf.place - leaf.count + 1
        after_ns = round(steps * plan.spacing_s * NS)
    if plan.time:
        word = told("time")
        found = decode_time(word, plan.time_form, plan.time_zone)
        if found is None:
            # the reading is kept at the time of receipt, and says that its own time was not to be had
            troubles.append(_time_trouble(word, plan))
            quality |= Quality.RESTAMPED
        else:
            time_ns = found[0] + after_ns
            if found[1]:
                quality |= Quality.RESTAMPED
    reference_c = math.nan
    if plan.reference and unit == "mV":
        read = decode_number(told("reference"))
        if read is not None:
            reference_c = _celsius(read[0], plan.reference_unit)
    count = decode_count(told("sequence")) if plan.sequence else None
    if count is not None and plan.sequence_modulus is not None:
        count %= plan.sequence_modulus
    return Item(
        module=module,
        channel=channel,
        value=value,
        unit=unit,
        quality=quality,
        time_ns=time_ns,
        after_ns=after_ns,
        count=count,
        reference_c=reference_c,
        stored=bool(plan.late) and str(told("late")).strip().casefold() in _YES,
    )


def _time_trouble(word: Any, plan: MqttPayload) -> str:
    if isinstance(word, str) and not plan.time_zone and decode_time(word, "iso", "UTC") is not None:
        return f"time {_shown(word)} carries no zone; give payload.time_zone in the plan"
    if word is None:
        return f"no time stands at {plan.time!r}"
    return f"{_shown(word)} is no time, or of a clock that was never set"


def _celsius(value: float, unit: str) -> float:
    if unit == "K":
        return value - _KELVIN
    return (value - 32.0) / 1.8 if unit == "degF" else value


def _shown(word: Any) -> str:
    if isinstance(word, dict):
        return "a table"
    if isinstance(word, list):
        return "a list"
    text = repr(word) if not isinstance(word, int) or abs(word) < 10**18 else "a huge number"
    return text if len(text) <= 40 else text[:37] + "…"


__all__ = [
    "Branch",
    "Item",
    "JsonMapping",
    "Message",
    "decode_json",
    "decode_mapping",
    "decode_message",
    "mapping_faults",
]
