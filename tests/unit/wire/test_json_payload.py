"""Messages to readings, as a plan's mapping says."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.domain.run import Quality
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.errors import UsageError
from ovenwright.wire.json_mapping import JsonMapping, decode_mapping, mapping_faults
from ovenwright.wire.json_payload import ModuleState, decode_message

TS = 1_795_595_400_125
NS = TS * 1_000_000


def described(topic: str = "p/{module}/{channel}", **payload: Any) -> MqttSource:
    more = {k: payload.pop(k) for k in ("module",) if k in payload and "/" not in topic}
    return MqttSource.model_validate(
        {
            "kind": "mqtt",
            "host": "h",
            "topic": topic,
            "channels": {"g1/1": "core"},
            "payload": payload,
        }
        | more
    )


def mapping(topic: str = "p/{module}/{channel}", **payload: Any) -> JsonMapping:
    return decode_mapping(described(topic, **payload))


def read(
    to: JsonMapping, topic: str, facts: Any
) -> list[tuple[str, float, int | None, int | None]]:
    found = decode_message(
        to, topic, facts if isinstance(facts, bytes) else json.dumps(facts).encode()
    )
    assert found.troubles == ()
    return [(i.key, i.value, i.time_ns, i.count) for i in found.items]


def test_a_bare_number() -> None:
    assert read(mapping(value=""), "p/g1/3", b"200.125") == [("g1/3", 200.125, None, None)]
    open_sensor = decode_message(mapping(value=""), "p/g1/3", b"OL").items[0]
    assert open_sensor.quality is Quality.OVERFLOW


def test_one_value_with_what_stands_beside_it() -> None:
    found = decode_message(
        mapping(value="v", time="ts", sequence="n", unit_path="u", status="q", battery="b",
                battery_full=1.0, signal="r", serial="sn", late="old"),
        "p/g1/1",
        json.dumps({"v": 70.5, "ts": TS, "n": 9, "u": "°F", "q": "Good", "b": 0.5, "r": -70,
                    "sn": "A7", "old": True}).encode(),
    )  # fmt: skip
    item = found.items[0]
    assert (item.value, item.unit, item.time_ns, item.count) == (70.5, "degF", NS, 9)
    assert item.stored
    assert item.quality is Quality.GOOD
    assert found.states == (ModuleState("g1", 0.5, -70.0, "A7"),)


@pytest.mark.parametrize(
    ("payload", "facts"),
    [
        ({"value": "t[{channel}]"}, {"t": [1.5, 2.5]}),
        ({"value": "t.{channel}"}, {"t": {"0": 1.5, "1": 2.5}}),
        ({"value": "{channel}.v"}, {"0": {"v": 1.5}, "1": {"v": 2.5}}),
        (
            {"value": "r[*].v", "channel": "r[*].id"},
            {"r": [{"id": 0, "v": 1.5}, {"id": 1, "v": 2.5}]},
        ),
        ({"value": "v[*]", "channel": "id[*]"}, {"id": ["0", "1"], "v": [1.5, 2.5]}),
        ({"value": "[{channel}]"}, [1.5, 2.5]),
    ],
)
def test_many_channels_in_one_message(payload: dict[str, Any], facts: Any) -> None:
    found = read(mapping("p/{module}", **payload), "p/g1", facts)
    assert [(k, v) for k, v, _, _ in found] == [("g1/0", 1.5), ("g1/1", 2.5)]


def test_scans_kept_while_the_link_was_down() -> None:
    facts = {"s": [{"ts": TS + 250 * i, "n": i, "t": [1.0 + i, 2.0 + i]} for i in range(3)]}
    to = mapping("p/{module}", value="s[*].t[{channel}]", time="s[*].ts", sequence="s[*].n")
    assert read(to, "p/g1", facts)[-1] == ("g1/1", 4.0, NS + 500_000_000, 2)
    assert not to.count_per_channel
    assert mapping("p/{module}", value="r.{channel}.v", sequence="r.{channel}.n").count_per_channel
    assert mapping("p/{module}/{channel}", sequence="n").count_per_channel


def test_a_list_of_values_with_one_time() -> None:
    facts = {"ts": TS, "v": [1.0, 2.0, 3.0]}
    first = mapping(value="v[*]", time="ts", spacing_s=0.25)
    last = mapping(value="v[*]", time="ts", spacing_s=0.25, time_of="last")
    receipt = mapping(value="v[*]", spacing_s=0.25)
    assert [t for _, _, t, _ in read(first, "p/g/1", facts)] == [
        NS, NS + 250_000_000, NS + 500_000_000,
    ]  # fmt: skip
    assert [t for _, _, t, _ in read(last, "p/g/1", facts)] == [
        NS - 500_000_000, NS - 250_000_000, NS,
    ]  # fmt: skip
    items = decode_message(receipt, "p/g/1", json.dumps(facts).encode()).items
    assert [i.after_ns for i in items] == [-500_000_000, -250_000_000, 0]


def test_a_list_whose_time_is_not_to_be_had_ends_with_its_receipt() -> None:
    to = mapping(value="v[*]", time="ts", spacing_s=0.25)
    items = decode_message(to, "p/g/1", b'{"ts": 0, "v": [1, 2]}').items
    assert [(i.time_ns, i.after_ns) for i in items] == [(None, -250_000_000), (None, 0)]


def test_modules_of_one_message_each_tell_their_state() -> None:
    to = mapping("p/all", value="{module}.t[{channel}]", battery="{module}.b", serial="{module}.s")
    facts = {"a": {"t": [1.5], "b": 50, "s": "A"}, "b": {"t": [2.5, 3.5], "b": 75}}
    found = decode_message(to, "p/all", json.dumps(facts).encode())
    assert [i.key for i in found.items] == ["a/0", "b/0", "b/1"]
    assert [(s.module, s.battery, s.serial) for s in found.states] == [
        ("a", 0.5, "A"), ("b", 0.75, ""),
    ]  # fmt: skip


def test_millivolts_bring_their_reference_junction() -> None:
    to = mapping(
        "p/{module}", value="t[{channel}]", unit="mV", reference="cj", reference_unit="degF"
    )
    items = decode_message(to, "p/g1", b'{"t": [4.279], "cj": 77.0}').items
    assert items[0].unit == "mV"
    assert items[0].reference_c == pytest.approx(25.0)


def test_a_reading_is_kept_where_its_time_is_not_to_be_had() -> None:
    for word, said in (
        ("2026-11-25T08:30:00", "carries no zone"),
        (12, "never set"),
        (None, "no time stands"),
    ):
        found = decode_message(
            mapping(time="ts"), "p/g/1", json.dumps({"value": 20.5, "ts": word}).encode()
        )
        assert found.items[0].time_ns is None
        assert found.items[0].quality is Quality.RESTAMPED
        assert said in found.troubles[0]


def test_one_bad_value_does_not_take_the_others_along() -> None:
    to = mapping("p/{module}", value="t[{channel}]")
    found = decode_message(to, "p/g1", b'{"t": [20.5, "hot", {}, null, 21.5]}')
    assert [i.channel for i in found.items] == ["0", "3", "4"]
    assert math.isnan(found.items[1].value)
    assert found.items[1].quality is Quality.MISSING


def test_doubt_of_the_instrument_is_kept() -> None:
    found = decode_message(mapping(status="q"), "p/g/1", b'{"value": 20.5, "q": "sensor drift"}')
    assert found.items[0].quality is Quality.INSTRUMENT_DOUBT


@pytest.mark.parametrize(
    ("topic", "payload", "key"),
    [
        ("p/{modul}", {}, "topic"),
        ("p/{module}", {"value": "a..b"}, "value"),
        ("p/{module}", {"value": "t[*]"}, "value"),
        ("p/{channel}", {"value": "t[{channel}]"}, "value"),
        ("p/{channel}", {"channel": "id"}, "channel"),
        ("p/{module}", {"value": "t[{channel}]", "time": "s[*].ts"}, "time"),
        ("p/{module}", {"value": "t[{place}]"}, "value"),
        ("p/{channel}", {"value": "v", "reference": "cj"}, "reference"),
    ],
)
def test_faults_of_a_mapping_name_their_key(topic: str, payload: dict[str, Any], key: str) -> None:
    source = described(topic, **payload)
    assert [path[-1] for path, _, _ in mapping_faults(source)] == [key]
    with pytest.raises(UsageError):
        decode_mapping(source)


MAPPINGS = [
    mapping(value=""),
    mapping(value="v", time="ts", sequence="n", unit_path="u", battery="b", status="q", late="l"),
    mapping("p/#", value="s[*].t[{channel}]", time="s[*].ts", sequence="s[*].n", module="g"),
    mapping("p/{module}", value="{channel}.v", time="{channel}.ts", serial="sn"),
    mapping("p/{module}/{channel}", value="v[*]", spacing_s=0.5, unit="mV", reference="cj"),
]
KEYS = st.sampled_from(["v", "ts", "n", "u", "s", "t", "b", "q", "l", "g", "sn", "cj", "0"])
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(KEYS, inner, max_size=6),
    max_leaves=30,
)


@given(st.sampled_from(MAPPINGS), st.binary(max_size=200), st.text(max_size=20))
def test_any_bytes_are_read_or_told(to: JsonMapping, payload: bytes, topic: str) -> None:
    for on in ("p/g/1", "p/g", topic):
        found = decode_message(to, on, payload)
        assert found.items or found.troubles


@given(st.sampled_from(MAPPINGS), JSON)
@settings(max_examples=300)
def test_any_document_is_read_or_told(to: JsonMapping, document: Any) -> None:
    payload = json.dumps(document).encode()
    for on in ("p/g/1", "p/g"):
        found = decode_message(to, on, payload)
        assert len(found.items) <= len(payload)
        assert sum(map(len, found.troubles)) < 2_000
        for item in found.items:
            assert math.isfinite(item.value) or item.quality


def test_deep_and_wide_messages_are_refused() -> None:
    to = MAPPINGS[2]
    assert "deeply" in decode_message(to, "p/x", b"[" * 200_000).troubles[0]
    wide = json.dumps({"s": [{"t": [1] * 1000}] * 101}).encode()
    assert "values in one message" in decode_message(to, "p/x", wide).troubles[0]
    digits = decode_message(MAPPINGS[0], "p/g/1", b"9" * 100_000)
    assert digits.items == ()
    assert len(digits.troubles[0]) < 300


def test_names_that_would_disturb_a_terminal_or_a_file_are_cleaned() -> None:
    found = decode_message(
        mapping("p/{module}", value="{channel}"), "p/\x1b[2J", b'{"\\ud800\\u0007": 1}'
    )
    assert found.items[0].key == "\ufffd[2J/\ufffd\ufffd"
