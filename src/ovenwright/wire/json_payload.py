"""JSON messages to readings, as a plan's mapping says."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

from ovenwright.domain.run import NS, Quality
from ovenwright.domain.sources.mqtt import MqttPayload
from ovenwright.errors import OvenwrightError, UsageError
from ovenwright.wire.json_mapping import JsonMapping
from ovenwright.wire.json_path import Leaf, find_leaves, look_up
from ovenwright.wire.reading_words import decode_count, decode_number, decode_time, decode_unit

MOST_NAME = 120
_MOST_TROUBLES = 5
_YES = frozenset({"1", "true", "yes", "on", "late", "stored", "historical"})
_KELVIN = 273.15
_BESIDE = frozenset({"unit_path", "status", "time", "sequence", "reference", "late"})
_STATES = ("battery", "signal", "serial")
_NO_KEYS: tuple[str | int, ...] = ()


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
class ModuleState:
    """What a module says of itself: ``battery`` is a share, NaN where it says nothing."""

    module: str
    battery: float = math.nan
    signal: float = math.nan
    serial: str = ""


@dataclass(frozen=True, slots=True)
class Message:
    """What one message said; ``troubles`` is what could not be read, in words."""

    items: tuple[Item, ...] = ()
    troubles: tuple[str, ...] = ()
    states: tuple[ModuleState, ...] = ()


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
    reader = _Reader(mapping, document, parts)
    if not leaves:
        reader.troubles.append(f"nothing stands at {mapping.payload.value!r}")
    items = tuple(item for leaf in leaves if (item := reader.item(leaf)) is not None)
    return Message(
        items=items,
        troubles=tuple(f"{topic}: {t}" for t in dict.fromkeys(reader.troubles[:_MOST_TROUBLES])),
        states=reader.states(leaves),
    )


@dataclass(frozen=True, slots=True)
class _Beside:
    """What stands beside a reading."""

    unit: str | None
    quality: Quality = Quality.GOOD
    time_ns: int | None = None
    count: int | None = None
    reference_c: float = math.nan
    stored: bool = False


class _Reader:
    """Reads one document; what holds for all its readings is read once."""

    def __init__(self, mapping: JsonMapping, document: Any, parts: dict[str, str]) -> None:
        self._mapping = mapping
        self._document = document
        self._parts = parts
        self._fixed = {key: look_up(document, bound) for key, bound in mapping.fixed.items()}
        self.troubles: list[str] = []
        self._same = None if _BESIDE & mapping.varying.keys() else self._beside(_NO_KEYS)

    def _told(self, key: str, keys: tuple[str | int, ...]) -> Any:
        bound = self._mapping.varying.get(key)
        return self._fixed.get(key) if bound is None else look_up(self._document, bound, keys)

    def _part(self, name: str, branch: int, keys: tuple[str | int, ...]) -> str:
        if name in self._parts:
            return self._parts[name]
        return _clean(str(keys[branch])) if branch >= 0 else _name(self._told(name, keys))

    def _module(self, keys: tuple[str | int, ...]) -> str:
        mapping = self._mapping
        return self._part("module", mapping.module_branch, keys) or mapping.module

    def item(self, leaf: Leaf) -> Item | None:
        """Return one reading, None where it is none."""
        mapping, plan = self._mapping, self._mapping.payload
        channel = self._part("channel", mapping.channel_branch, leaf.keys)
        module = self._module(leaf.keys)
        number = decode_number(leaf.value, plan.fault_values)
        if number is None:
            # a path that goes every way meets other things than readings
            if mapping.channel_branch < 0 or _key(module, channel) in mapping.known:
                self.troubles.append(f"{_shown(leaf.value)} is no reading")
            return None
        beside = self._same or self._beside(leaf.keys)
        if beside.unit is None:
            return None
        value, quality = number
        if beside.quality is not Quality.GOOD:
            quality |= beside.quality
        time_ns, after_ns = beside.time_ns, 0
        if plan.spacing_s is not None:
            from_first = time_ns is not None and plan.time_of == "first"
            steps = leaf.place if from_first else leaf.place - leaf.count + 1
            after_ns = round(steps * plan.spacing_s * NS)
            time_ns = None if time_ns is None else time_ns + after_ns
        return Item(
            module=module,
            channel=channel,
            value=value,
            unit=beside.unit,
            quality=quality,
            time_ns=time_ns,
            after_ns=after_ns,
            count=beside.count,
            reference_c=beside.reference_c,
            stored=beside.stored,
        )

    def _beside(self, keys: tuple[str | int, ...]) -> _Beside:
        plan = self._mapping.payload
        unit: str | None = plan.unit
        if plan.unit_path and (word := self._told("unit_path", keys)) is not None:
            unit = decode_unit(word)
            if unit is None:
                self.troubles.append(
                    f"{_shown(word)} is no unit; the plan's own can be set with unit"
                )
        quality = Quality.GOOD
        if plan.status and _word(self._told("status", keys)) not in plan.good:
            quality |= Quality.INSTRUMENT_DOUBT
        time_ns = None
        if plan.time:
            word = self._told("time", keys)
            found = decode_time(word, plan.time_form, plan.time_zone)
            if found is None:
                # the reading is kept at its receipt, and says that its own time was not to be had
                self.troubles.append(_time_trouble(word, plan))
                quality |= Quality.RESTAMPED
            else:
                time_ns = found[0]
                quality |= Quality.RESTAMPED if found[1] else Quality.GOOD
        count = decode_count(self._told("sequence", keys)) if plan.sequence else None
        if count is not None and plan.sequence_modulus is not None:
            count %= plan.sequence_modulus
        reference_c = math.nan
        if plan.reference and unit == "mV":
            read = decode_number(self._told("reference", keys))
            if read is not None:
                reference_c = _celsius(read[0], plan.reference_unit)
        stored = bool(plan.late) and _word(self._told("late", keys)) in _YES
        return _Beside(unit, quality, time_ns, count, reference_c, stored)

    def states(self, leaves: list[Leaf]) -> tuple[ModuleState, ...]:
        """Return what modules say of themselves, the latest of each."""
        mapping = self._mapping
        given = [k for k in _STATES if k in mapping.fixed or k in mapping.varying]
        if not given:
            return ()
        varying = (
            any(k in mapping.varying for k in (*given, "module")) or mapping.module_branch >= 0
        )
        found: dict[str, ModuleState] = {}
        for keys in [leaf.keys for leaf in leaves] if varying else [_NO_KEYS]:
            module = self._module(keys)
            battery = decode_number(self._told("battery", keys)) if "battery" in given else None
            signal = decode_number(self._told("signal", keys)) if "signal" in given else None
            found[module] = ModuleState(
                module=module,
                battery=math.nan if battery is None else battery[0] / mapping.payload.battery_full,
                signal=math.nan if signal is None else signal[0],
                serial=_name(self._told("serial", keys)) if "serial" in given else "",
            )
        return tuple(found.values())


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


def _word(word: Any) -> str:
    if isinstance(word, float) and word.is_integer():
        word = int(word) if abs(word) < 1e15 else word
    return (
        "" if isinstance(word, (dict, list)) or word is None else str(word)[:40].strip().casefold()
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
