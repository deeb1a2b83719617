"""A plan's instrument that is there already is completed, and every word of the author stays."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.errors import UsageError
from ovenwright.storage.plan_file import read_plan
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.workflow.found_completing import complete
from ovenwright.workflow.found_into_plan import write_into

HEAD = """title = "Mine"   # my own words
[oven]
kind = "chamber"
name = "oven"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "stones"
[recording]
interval_s = 1.0
[[channels]]
name = "core"
sensor = "T"
role = "core"
[[channels]]
name = "air"   # waits for an input
sensor = "T"
role = "air"
"""
TAIL = """
# the second oven's
[[instruments]]
kind = "serial-text"
serial = { device = "/dev/ttyUSB7" }
text = { item = "{channel}={value}" }
channels = { "z9" = "elsewhere" } # mine

[[channels]]
name = "elsewhere"
sensor = "K"
role = "ambient"
"""
MQTT = """
[[instruments]]   # the gateway
kind = "mqtt"
host = "127.0.0.1"
topic = "oven/{module}"
payload = { value = "t[{channel}]" }
"""
MODBUS = """
[[instruments]]
kind = "modbus"
host = "127.0.0.1"
word_order = "little"
"""
OPCUA = """
[[instruments]]
kind = "opcua"
url = "opc.tcp://127.0.0.1:4840/"
"""

MAPPINGS = [
    MQTT + '[instruments.channels]\n"gw/0" = "core"   # left one\n',
    MQTT + '[instruments.channels]\n\n    "gw/0" = "core"\n\n    # more to come\n',
    MQTT + 'channels = { "gw/0" = "core" }   # {one} for now\n',
    MQTT + 'channels = {"gw/0"="core"}\n',
    MQTT + 'channels."gw/0" = "core"\n',
    MQTT + "  channels.'gw/0' = '''\ncore'''\n",
]
REGISTERS = [
    MODBUS + '[[instruments.registers]]\naddress = 0\ntype = "float32" # F\nchannel = "core"\n',
    MODBUS + '[[instruments.registers]]\nchannel = "core"\ntype = "float32"\naddress = 0\n'
    "faults = [\n  { code = 32767 }, # ]\n  { code = 0 },\n]\n",
    MODBUS + 'registers = [{ channel = "core", address = 0, type = "float32" }] # ]\n',
    MODBUS + 'registers = [\n  { channel = "core", address = 0, type = "float32" },   # left\n]\n',
    MODBUS + 'registers = [\n  { channel = "core", address = 0, type = "float32" }   # left\n  ]\n',
    MODBUS
    + 'registers = [ { channel = "core", address = 0, type = "float32", faults = [{code=1}] }, ]\n',
]
NODES = [
    OPCUA + '[[instruments.nodes]]\nnode = "ns=2;s=a]"\nchannel = "core"\n',
    OPCUA + 'nodes = [\n  { node = "ns=2;s=a]", channel = "core" },\n]\n',
]  # fmt: skip


@pytest.fixture(scope="module")
def library() -> ReferenceLibrary:
    return read_reference_library(None)


def heard(proposal: dict[str, Any], *channels: HeardChannel) -> Heard:
    return Heard("x", "gw", channels, proposal=proposal)


def on_mqtt(*keys: str, topic: str = "oven/{module}", value: str = "t[{channel}]") -> Heard:
    table = {
        "kind": "mqtt", "host": "127.0.0.1", "port": 1883, "topic": topic,
        "payload": {"value": value}, "channels": dict.fromkeys(keys, ""),
    }  # fmt: skip
    return heard(table, *(HeardChannel(k, 21.0) for k in keys))


def on_modbus(unit: int, *rows: dict[str, Any]) -> Heard:
    full = [{"channel": "", "function": "holding", "type": "float32"} | r for r in rows]
    table = {
        "kind": "modbus", "host": "localhost", "port": 502, "unit_id": unit, "registers": full,
    }  # fmt: skip
    return heard(
        table, *(HeardChannel(f"{unit}/{r['function']} {r['address']}", 21.0) for r in full)
    )


def kept_words(before: str, after: str) -> bool:
    """Whether every letter of the text is still there, in its order."""
    left = iter(after)
    return all(letter in left for letter in before)


def written(file: Path, text: str, found: Heard, url: str, library: ReferenceLibrary) -> Any:
    file.write_text(text, encoding="utf-8")
    write_into(file, [found], url, library)
    after = file.read_text(encoding="utf-8")
    assert kept_words(text, after)
    assert all(line[line.index("#") :] in after for line in text.splitlines() if "#" in line)
    assert after.count("[[instruments]]") == text.count("[[instruments]]")
    again = file.read_bytes()
    assert write_into(file, [found], url, library) == ()  # once and never twice
    assert file.read_bytes() == again
    return read_plan(file)


@pytest.mark.parametrize("tail", ["", TAIL])
@pytest.mark.parametrize("table", MAPPINGS)
def test_mappings_are_completed(
    tmp_path: Path, library: ReferenceLibrary, table: str, tail: str
) -> None:
    found = on_mqtt("gw/0", "gw/1", "gw/2")
    plan = written(tmp_path / "p.toml", HEAD + table + tail, found, "mqtt://127.0.0.1", library)
    assert dict(plan.instruments[0].channels) == {"gw/0": "core", "gw/1": "air", "gw/2": "gw 2"}


@pytest.mark.parametrize("tail", ["", TAIL])
@pytest.mark.parametrize("table", REGISTERS)
def test_register_maps_are_completed(
    tmp_path: Path, library: ReferenceLibrary, table: str, tail: str
) -> None:
    found = on_modbus(
        1,
        {"address": 0},
        {"address": 1, "type": "int16"},  # the second half of the number that is read already
        {"address": 2, "word_order": "little"},
        {"address": 4},
    )
    plan = written(tmp_path / "p.toml", HEAD + table + tail, found, "modbus://127.0.0.1", library)
    rows = [(r.channel, r.address, r.word_order) for r in plan.instruments[0].registers]
    # the table's own order is little: what holds already is not said again
    assert rows == [("core", 0, None), ("air", 2, None), ("unit 1 at 4", 4, "big")]


def test_another_unit_behind_the_same_gateway(tmp_path: Path, library: ReferenceLibrary) -> None:
    found = on_modbus(5, {"address": 0, "word_order": "little"})
    text = HEAD + REGISTERS[0]
    plan = written(tmp_path / "p.toml", text, found, "modbus://127.0.0.1", library)
    assert [(r.unit_id, r.channel) for r in plan.instruments[0].registers] == [
        (None, "core"), (5, "air"),
    ]  # fmt: skip


@pytest.mark.parametrize("tail", ["", TAIL])
@pytest.mark.parametrize("table", NODES)
def test_nodes_are_completed(
    tmp_path: Path, library: ReferenceLibrary, table: str, tail: str
) -> None:
    found = heard(
        {
            "kind": "opcua", "url": "opc.tcp://127.0.0.1:4840",
            "nodes": [
                {"node": "nsu=urn:x;s=a]", "channel": "A", "unit": "degC"},
                {"node": "nsu=urn:x;s=b", "channel": "B", "unit": "degF", "module": "Oven 3"},
            ],
        },
        HeardChannel("nsu=urn:x;s=a]", 21.0, also=("ns=2;s=a]",)),
        HeardChannel("nsu=urn:x;s=b", 70.0, also=("ns=2;s=b",)),
    )  # fmt: skip
    url = "opc.tcp://127.0.0.1:4840"
    plan = written(tmp_path / "p.toml", HEAD + table + tail, found, url, library)
    nodes = [(n.node, n.channel, n.unit, n.module) for n in plan.instruments[0].nodes]
    assert nodes == [
        ("ns=2;s=a]", "core", None, ""), ("nsu=urn:x;s=b", "air", "degF", "Oven 3"),
    ]  # fmt: skip


def test_fields_of_a_longer_scan_list_are_added(tmp_path: Path, library: ReferenceLibrary) -> None:
    text = HEAD + (
        '[[instruments]]\nkind = "scpi"\nhost = "h"\n'
        'fields = [{ channel = "core" }, {}]  # the second is a counter\n'
    )
    table = {
        "kind": "scpi", "host": "h", "port": 5025,
        "fields": [{"channel": "channel 1"}, {"channel": "channel 2"}, {"channel": "channel 3"}],
    }  # fmt: skip
    found = heard(table, *(HeardChannel(f"field {i}", 21.0) for i in (1, 2, 3)))
    plan = written(tmp_path / "p.toml", text, found, "scpi://h", library)
    assert [f.channel for f in plan.instruments[0].fields] == ["core", "", "air"]


def test_line_ends_of_the_author_stay(tmp_path: Path, library: ReferenceLibrary) -> None:
    file = tmp_path / "p.toml"
    file.write_bytes((HEAD + MAPPINGS[0]).replace("\n", "\r\n").encode())
    write_into(file, [on_mqtt("gw/0", "gw/1")], "mqtt://127.0.0.1", library)
    content = file.read_bytes()
    assert content.count(b"\n") == content.count(b"\r\n")
    assert b'"gw/1" = "air"\r\n' in content


def test_another_topic_on_the_same_broker_is_another_table(
    tmp_path: Path, library: ReferenceLibrary
) -> None:
    file = tmp_path / "p.toml"
    file.write_text(HEAD + MAPPINGS[0], encoding="utf-8")
    write_into(file, [on_mqtt("g/0", topic="yard/{module}")], "mqtt://127.0.0.1", library)
    assert len(read_plan(file).instruments) == 2


def test_the_same_messages_read_otherwise_are_not_read_twice(
    tmp_path: Path, library: ReferenceLibrary
) -> None:
    file = tmp_path / "p.toml"
    file.write_text(HEAD + MAPPINGS[0], encoding="utf-8")
    before = file.read_bytes()
    with pytest.raises(UsageError, match="calls its inputs otherwise"):
        write_into(
            file, [on_mqtt("a/b", topic="+/{module}", value="v.{channel}")], "mqtt://127.0.0.1", library
        )  # fmt: skip
    assert file.read_bytes() == before


def test_where_no_place_is_found_the_lines_are_told() -> None:
    text = 'instruments = [{ kind = "mqtt", channels = { "a" = "b" } }]\n'
    new = complete(text, 0, "channels", {"c": "d"})
    assert tomllib.loads(new)["instruments"][0]["channels"] == {"a": "b", "c": "d"}
    with pytest.raises(UsageError, match=r'by hand: \{ c = "d" \}'):
        complete("[[instruments]]\nchannels = {}\n", 0, "channels", {"c": "d"})
