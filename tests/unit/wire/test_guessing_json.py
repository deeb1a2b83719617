"""How messages heard could be mapped: shapes gateways use (common practice, no source)."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.wire.guessing_json import Guess, Sample, guess_mappings
from ovenwright.wire.json_mapping import decode_mapping
from ovenwright.wire.json_payload import decode_message

MS = 1_795_595_400_125
NOW = MS * 1_000_000
ISO = "2026-11-25T08:30:00Z"


def heard(*messages: tuple[str, Any]) -> list[Sample]:
    return [
        Sample(t, f if isinstance(f, bytes) else json.dumps(f).encode(), NOW) for t, f in messages
    ]


def one(*messages: tuple[str, Any]) -> Guess:
    guesses, silent = guess_mappings(heard(*messages))
    assert silent == ()
    assert len(guesses) == 1
    return guesses[0]


def keys_of(guess: Guess) -> dict[str, float]:
    mapping = decode_mapping(
        MqttSource.model_validate(
            {"kind": "mqtt", "host": "h", "topic": guess.topic, "payload": guess.payload}
            | {"channels": {"x": "x"}}
        )
    )
    found = [decode_message(mapping, s.topic, s.payload) for s in guess.samples]
    assert all(m.troubles == () for m in found)
    return {i.key: i.value for m in found for i in m.items}


@pytest.mark.parametrize(
    ("messages", "topic", "payload", "keys"),
    [
        (
            [("plant/gw1/t1", b"20.5"), ("plant/gw1/t2", b"21"), ("plant/gw2/t1", b"22")],
            "plant/{module}/{channel}",
            {"value": ""},
            {"gw1/t1": 20.5, "gw1/t2": 21.0, "gw2/t1": 22.0},
        ),
        (
            [("a/gw1/temp", {"value": 20.5, "ts": MS, "seq": 3})],
            "a/{module}/{channel}",
            {"value": "value", "time": "ts", "sequence": "seq"},
            {"gw1/temp": 20.5},
        ),
        (
            [(f"a/p{i}/temp", {"temperature_f": 70.5, "time": ISO, "battery": 88}) for i in (1, 2)],
            "a/{channel}/temp",
            {"value": "temperature_f", "time": "time", "battery": "battery", "unit": "degF"},
            {"p1": 70.5, "p2": 70.5},
        ),
        (
            [(f"a/gw{i}", {"ts": MS, "seq": 1, "bat": 0.8, "rssi": -60, "t": [1.5, 2.5]})
             for i in (1, 2)],
            "a/{module}",
            {"value": "t[{channel}]", "time": "ts", "sequence": "seq", "battery": "bat",
             "battery_full": 1.0, "signal": "rssi"},
            {"gw1/0": 1.5, "gw1/1": 2.5, "gw2/0": 1.5, "gw2/1": 2.5},
        ),
        (
            [("a/gw1", {"ts": MS, "readings": {"1": 20.5, "2": 21.5}})],
            "a/{module}",
            {"value": "readings.{channel}", "time": "ts"},
            {"gw1/1": 20.5, "gw1/2": 21.5},
        ),
        (
            [("a/data", {"device": "gw1", "ts": MS, "readings": [
                {"ch": 1, "value": 20.5, "unit": "C"}, {"ch": 2, "value": 21.5, "unit": "C"}]})],
            "a/data",
            {"value": "readings[*].value", "channel": "readings[*].ch", "module": "device",
             "time": "ts", "unit_path": "readings[*].unit"},
            {"gw1/1": 20.5, "gw1/2": 21.5},
        ),
        (
            [("a/data", {"device": "gw1", "samples": [
                {"ts": MS, "seq": 5, "t": [1.5, 2.5]}, {"ts": MS + 250, "seq": 6, "t": [3.5, 4.5]}]})],
            "a/data",
            {"value": "samples[*].t[{channel}]", "module": "device", "time": "samples[*].ts",
             "sequence": "samples[*].seq"},
            {"gw1/0": 3.5, "gw1/1": 4.5},
        ),
        (
            [("a/gw1", {"ch1": {"value": 20.5, "ts": MS}, "ch2": {"value": 21.5, "ts": MS}})],
            "a/{module}",
            {"value": "{channel}.value", "time": "{channel}.ts"},
            {"gw1/ch1": 20.5, "gw1/ch2": 21.5},
        ),
        (
            [("a/gw1", {"core": 20.5, "air": 180.5, "ts": MS, "serial": "A77"})],
            "a/{module}",
            {"value": "{channel}", "time": "ts", "serial": "serial"},
            {"gw1/core": 20.5, "gw1/air": 180.5, "gw1/ts": float(MS)},
        ),
    ],
)  # fmt: skip
def test_shapes(
    messages: list[tuple[str, Any]], topic: str, payload: dict[str, Any], keys: dict[str, float]
) -> None:
    guess = one(*messages)
    assert (guess.topic, guess.payload) == (topic, payload)
    assert keys_of(guess) == keys


def test_what_a_person_has_to_decide_is_said() -> None:
    guess = one(("a/gw1", {"time": "2026-11-25T08:30:00", "battery": 3100, "t": [1.5]}))
    said = " ".join(guess.remarks)
    assert "carry no zone" in said
    assert "no percentage" in said
    assert "taken as °C" in said
    assert "battery" not in guess.payload


def test_topics_without_readings_are_set_aside() -> None:
    guesses, silent = guess_mappings(
        heard(("a/state", {"state": "on"}), ("x", b"hello"), ("y", b"\xff"), ("z", b""))
    )
    assert guesses == ()
    assert silent == ("a/state", "x", "y", "z")


def test_topics_that_differ_in_many_levels_are_parted() -> None:
    guesses, _ = guess_mappings(
        heard(*((f"{a}/{b}/{c}", b"20.5") for a in "pq" for b in ("g1", "g2") for c in "tu"))
    )
    assert sorted(g.topic for g in guesses) == ["p/{module}/{channel}", "q/{module}/{channel}"]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["t", "ts", "value", "ch", "a b", "bat", "{x}", "'"]), inner
        )
    ),
    max_leaves=15,
)


@given(
    st.lists(st.tuples(st.sampled_from(["a/g1", "a/g2", "b", "c/d/e", "+", ""]), JSON), max_size=4)
)
@settings(max_examples=150)
def test_every_topic_is_guessed_at_or_set_aside(
    messages: list[tuple[str, Any]],
) -> None:

    guesses, silent = guess_mappings(heard(*messages))
    topics = {t for t, _ in messages}
    assert {s.topic for g in guesses for s in g.samples} | set(silent) == topics
