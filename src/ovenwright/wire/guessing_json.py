"""Guessing, from messages heard, how a plan could map them. Offered, never imposed."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from ovenwright.domain.run import NS, Quality
from ovenwright.errors import OvenwrightError
from ovenwright.wire.json_path import decode_path, find_leaves
from ovenwright.wire.json_payload import decode_json
from ovenwright.wire.reading_words import decode_count, decode_number, decode_time, decode_unit

_DAY_NS = 86_400 * NS
_DEEPEST = 6

# names as gateways write them, folded and without separators: common practice, no source
_VALUES = (
    "value", "val", "v", "temperature", "temperatures", "temp", "temps", "t", "reading", "readings",
    "values", "channels", "probes", "sensors", "samples", "measurements", "data",
)  # fmt: skip
_NAMES: dict[str, tuple[str, ...]] = {
    "time": ("ts", "time", "timestamp", "datetime", "at", "epoch", "date", "tstamp", "timems"),
    "sequence": ("seq", "sequence", "seqno", "counter", "cnt", "count", "fcnt", "n", "packet"),
    "battery": ("battery", "bat", "batt", "batterylevel", "batterypercent", "soc", "batpct"),
    "signal": ("rssi", "signal", "snr", "lqi", "linkquality"),
    "unit_path": ("unit", "units", "uom"),
    "channel": ("channel", "ch", "id", "name", "sensor", "probe", "port", "no", "input"),
    "module": ("module", "device", "deviceid", "gateway", "gw", "node", "nodeid", "dev", "unitid"),
    "serial": ("serial", "sn", "serialnumber", "serialno"),
    "reference": ("cj", "cjc", "coldjunction", "referencejunction", "reference", "cjtemp"),
    "late": ("stored", "historical", "buffered", "late", "replayed"),
}
_PLAIN = frozenset(
    {"t", "temp", "temperature", "temperatures", "data", "readings", "reading", "values", "value",
     "state", "telemetry", "up", "json", "out", "measurements", "event", "events"}
)  # fmt: skip
_UNIT_ENDINGS = (
    (re.compile(r"(?:_|deg|°)f$|fahrenheit"), "degF"),
    (re.compile(r"(?:_|deg)k$|kelvin"), "K"),
    (re.compile(r"_?mv$|millivolt"), "mV"),
    (re.compile(r"ohms?$"), "ohm"),
)


@dataclass(frozen=True, slots=True)
class Sample:
    """A message as it was heard."""

    topic: str
    payload: bytes
    received_ns: int
    stored: bool = False


@dataclass(frozen=True, slots=True)
class Guess:
    """A topic pattern and the keys of a payload table that would read some messages."""

    topic: str
    payload: dict[str, Any]
    samples: tuple[Sample, ...]
    remarks: tuple[str, ...] = ()
    beside: frozenset[str] = frozenset()
    """Keys that a path going every way meets too, and that are no channels."""


@dataclass(slots=True)
class _Shape:
    """Where the readings of a document stand."""

    value: str
    many: bool  # whether the path to the value tells channels apart
    found: dict[str, str] = field(default_factory=dict)  # paths by key
    size: int = 1
    name: str = ""


def guess_mappings(samples: Sequence[Sample]) -> tuple[tuple[Guess, ...], tuple[str, ...]]:
    """Guess how messages could be mapped.

    Parameters
    ----------
    samples : messages in the order heard

    Returns
    -------
    guesses, one for each group of topics that one table can read; topics in which nothing looks
    like a reading
    """
    shapes: dict[str, tuple[_Shape, Any]] = {}
    by_topic: defaultdict[str, list[Sample]] = defaultdict(list)
    for sample in samples:
        by_topic[sample.topic].append(sample)
    silent: list[str] = []
    for topic, heard in by_topic.items():
        seen = _shape_of_topic(heard)
        if seen is None:
            silent.append(topic)
        else:
            shapes[topic] = seen
    groups: defaultdict[tuple[Any, ...], list[str]] = defaultdict(list)
    for topic, (shape, _) in shapes.items():
        groups[(topic.count("/"), shape.value, tuple(sorted(shape.found.items())))].append(topic)
    guesses = [
        _guess(topics, shapes, by_topic)
        for group in groups.values()
        for topics in _one_pattern_each(group)
    ]
    return tuple(guesses), tuple(silent)


def _shape_of_topic(heard: Sequence[Sample]) -> tuple[_Shape, Any] | None:
    """Return the first shape found in the latest messages, and the document it was found in."""
    for sample in reversed(heard[-8:]):
        try:
            document = decode_json(sample.payload, bare_text=True)
        except OvenwrightError:
            continue
        shape = _shape(document, "", sample.received_ns, 0)
        if shape is not None:
            return shape, document
    return None


def _fold(name: str) -> str:
    return re.sub(r"[^a-z0-9°]", "", name.casefold())


def _step(name: str) -> str:
    if re.fullmatch(r"[A-Za-z_][\w-]*", name):
        return name
    return "['" + re.sub(r"(['\\])", r"\\\1", name) + "']"


def _join(path: str, step: str) -> str:
    return f"{path}.{step}" if path and not step.startswith("[") else path + step


def _is_number(node: Any) -> bool:
    return isinstance(node, (int, float)) and not isinstance(node, bool)


def _may_be_reading(node: Any) -> bool:
    return node is None or (not isinstance(node, (dict, list)) and decode_number(node) is not None)


def _shape(node: Any, path: str, now_ns: int, depth: int) -> _Shape | None:
    if depth > _DEEPEST:
        return None
    if isinstance(node, list):
        return _shape_of_list(node, path, now_ns, depth)
    if isinstance(node, dict):
        return _shape_of_table(node, path, now_ns, depth)
    number = decode_number(node)
    if path or number is None or number[1] is Quality.MISSING:
        return None
    return _Shape(path, many=False)


def _shape_of_list(node: list[Any], path: str, now_ns: int, depth: int) -> _Shape | None:
    if node and all(_may_be_reading(n) for n in node) and any(_is_number(n) for n in node):
        return _Shape(f"{path}[{{channel}}]", many=True, size=len(node))
    if not node or not all(isinstance(n, dict) for n in node):
        return None
    inner = _shape(node[-1], f"{path}[*]", now_ns, depth + 1)
    if inner is None:
        return None
    if not inner.many and "channel" not in inner.found and "time" not in inner.found:
        # nothing but the place tells them apart
        inner.value = inner.value.replace("[*]", "[{channel}]", 1)
        inner.found = {k: p.replace("[*]", "[{channel}]", 1) for k, p in inner.found.items()}
        inner.many = True
    inner.many |= "channel" in inner.found
    inner.size *= len(node)
    return inner


def _shape_of_table(node: dict[Any, Any], path: str, now_ns: int, depth: int) -> _Shape | None:
    named = dict(_beside(node, now_ns))
    found = {what: _join(path, _step(key)) for what, key in named.items()}
    rest = [k for k in node if isinstance(k, str) and k not in named.values()]
    rest.sort(key=lambda k: _VALUES.index(_fold(k)) if _fold(k) in _VALUES else len(_VALUES))
    best: _Shape | None = None
    for key in rest:
        shape = _shape_under(key, node[key], path, now_ns, depth)
        if shape is not None and (best is None or shape.size > best.size):
            best = shape
    alike = _shape_of_alike(node, rest, path, now_ns, depth)
    if alike is not None and (best is None or alike.size > best.size):
        best = alike
    if best is None:
        best = _shape_of_plain_keys(node, rest, path)
    if best is not None:
        best.found = found | best.found
    return best


def _shape_under(key: str, node: Any, path: str, now_ns: int, depth: int) -> _Shape | None:
    here = _join(path, _step(key))
    if isinstance(node, dict) and node:
        if all(_may_be_reading(n) for n in node.values()) and _fold(key) in _VALUES:
            return _Shape(_join(here, "{channel}"), many=True, size=len(node), name=key)
        if _fold(key) in _VALUES and all(isinstance(n, dict) for n in node.values()):
            inner = _shape(
                next(reversed(node.values())), _join(here, "{channel}"), now_ns, depth + 1
            )
            if inner is not None and not inner.many:
                inner.many, inner.size = True, len(node)
                inner.found.pop("channel", None)  # the key tells it already
                return inner
    if isinstance(node, (dict, list)):
        return _shape(node, here, now_ns, depth + 1)
    if _fold(key) in _VALUES[:8] and decode_number(node) is not None and node is not None:
        return _Shape(here, many=False, name=key)
    return None


def _shape_of_alike(
    node: dict[Any, Any], rest: list[str], path: str, now_ns: int, depth: int
) -> _Shape | None:
    """Return the shape of a table whose keys are channels, each with a table of its own."""
    here = _join(path, "{channel}")
    inner = [_shape(node[k], here, now_ns, depth + 1) for k in rest if isinstance(node[k], dict)]
    single = [s for s in inner if s is not None and not s.many and s.value != here]
    if len(single) < 2 or len({s.value for s in single}) > 1:
        return None
    found = {k: p for k, p in single[0].found.items() if k != "channel"}
    return _Shape(single[0].value, many=True, found=found, size=len(single), name=single[0].name)


def _shape_of_plain_keys(node: dict[Any, Any], rest: list[str], path: str) -> _Shape | None:
    numbers = [k for k in rest if _is_number(node[k])]
    if len(numbers) == 1:
        return _Shape(_join(path, _step(numbers[0])), many=False, name=numbers[0])
    if numbers and not any(isinstance(node[k], (dict, list)) for k in rest):
        return _Shape(_join(path, "{channel}"), many=True, size=len(numbers))
    return None


def _beside(node: dict[Any, Any], now_ns: int) -> Iterator[tuple[str, str]]:
    """Yield what stands beside readings in a table: (key of the payload table, its key here)."""
    done: set[str] = set()
    for key, word in node.items():
        if not isinstance(key, str) or isinstance(word, (dict, list)):
            continue
        folded = _fold(key)
        for what, names in _NAMES.items():
            if what not in done and folded in names and _fits(what, word, now_ns):
                done.add(what)
                yield what, key
                break


def _fits(what: str, word: Any, now_ns: int) -> bool:
    if what == "time":
        found = decode_time(word, "auto", "UTC")
        return found is not None and abs(found[0] - now_ns) < 3_650 * _DAY_NS
    if what == "sequence":
        return decode_count(word) is not None
    if what in {"battery", "signal", "reference"}:
        number = decode_number(word)
        return number is not None and number[0] == number[0]
    if what == "unit_path":
        return decode_unit(word) is not None
    if what == "late":
        return isinstance(word, bool)
    return isinstance(word, (str, int)) and not isinstance(word, bool)


def _one_pattern_each(topics: list[str]) -> Iterator[list[str]]:
    """Split topics so that at most two levels differ in each part."""
    levels = [t.split("/") for t in topics]
    differ = [i for i in range(len(levels[0])) if len({level[i] for level in levels}) > 1]
    if len(differ) <= 2:
        yield topics
        return
    parts: defaultdict[str, list[str]] = defaultdict(list)
    for topic, level in zip(topics, levels, strict=True):
        parts[level[differ[0]]].append(topic)
    for part in parts.values():
        yield from _one_pattern_each(part)


def _guess(
    topics: list[str],
    shapes: dict[str, tuple[_Shape, Any]],
    by_topic: dict[str, list[Sample]],
) -> Guess:
    shape, _ = shapes[topics[0]]
    found = dict(shape.found)
    pattern = _pattern(topics, shape, found)
    if "{module}" in pattern:
        found.pop("module", None)
    if "{channel}" in pattern or "{channel}" in shape.value:
        found.pop("channel", None)
    remarks: list[str] = []
    payload: dict[str, Any] = {"value": shape.value, **found}
    documents = [shapes[t][1] for t in topics]
    _say_battery(payload, documents, remarks)
    _say_unit(payload, shape, remarks)
    if payload.get("reference") and payload.get("unit") != "mV" and "unit_path" not in payload:
        del payload["reference"]
    _say_time(payload, documents, remarks)
    samples = tuple(s for t in topics for s in by_topic[t])
    ends = [decode_path(p)[-1:] for p in shape.found.values()]
    beside = {str(e[0]) for e in ends if e} if shape.value.endswith("{channel}") else set()
    return Guess(pattern, payload, samples, tuple(remarks), frozenset(beside))


def _pattern(topics: list[str], shape: _Shape, found: dict[str, str]) -> str:
    """Return the topic pattern of topics that differ in two levels at most."""
    levels = [t.split("/") for t in topics]
    first = list(levels[0])
    differ = [i for i in range(len(first)) if len({level[i] for level in levels}) > 1]
    names: dict[int, str] = {}
    told = shape.many or "channel" in found
    if len(differ) == 2:
        names = {differ[0]: "{module}", differ[1]: "+" if told else "{channel}"}
    elif len(differ) == 1:
        names = {differ[0]: "{module}" if told else "{channel}"}
    elif not told:
        names = {len(first) - 1: "{channel}"}
    free = [i for i in range(len(first)) if i not in names]
    if "{module}" not in names.values() and "module" not in found:
        # the module's level: one with a number in it, else the last that is no general word
        with_number = [i for i in free if any(c.isdigit() for c in first[i])]
        speaking = [i for i in free if _fold(first[i]) not in _PLAIN and first[i]]
        chosen = (with_number or (speaking if told else []))[-1:]
        if chosen:
            names[chosen[0]] = "{module}"
    return "/".join(names.get(i, level) for i, level in enumerate(first))


def _value_at(document: Any, path: str) -> Any:
    leaves = find_leaves(document, decode_path(path))
    return leaves[0].value if leaves else None


def _say_battery(payload: dict[str, Any], documents: list[Any], remarks: list[str]) -> None:
    if "battery" not in payload:
        return
    told = [decode_number(_value_at(d, payload["battery"])) for d in documents]
    most = max((n[0] for n in told if n is not None), default=0.0)
    if most <= 1.0:
        payload["battery_full"] = 1.0
        remarks.append("battery taken as a share of 1; set payload.battery_full if it is percent")
    elif most > 100.0:
        del payload["battery"]
        remarks.append("battery left out: above 100, so no percentage")


def _say_unit(payload: dict[str, Any], shape: _Shape, remarks: list[str]) -> None:
    if "unit_path" in payload:
        return
    name = shape.name.casefold()
    for form, unit in _UNIT_ENDINGS:
        if form.search(name):
            payload["unit"] = unit
            remarks.append(f"unit {unit} taken from the name {shape.name!r}")
            return
    remarks.append("no unit is told: taken as °C; set payload.unit if it is another")


def _say_time(payload: dict[str, Any], documents: list[Any], remarks: list[str]) -> None:
    if "time" not in payload:
        remarks.append("no time is told: the time of receipt will be used")
        return
    word = _value_at(documents[0], payload["time"])
    if isinstance(word, str) and decode_time(word) is None:
        remarks.append("times carry no zone: set payload.time_zone, such as Europe/Riga")
