"""What a plan's author is told about an instrument's table."""

from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from ovenwright.domain.sources import DescribedSource, SourcePlan
from ovenwright.domain.sources.modbus import RegisterType

READ: TypeAdapter[DescribedSource] = TypeAdapter(SourcePlan)
PORT = {"device": "/dev/ttyUSB0"}
REGISTER = {"channel": "core", "address": 0}
TEXT = {"item": "{channel}={value}"}


@pytest.mark.parametrize(
    ("table", "path", "word"),
    [
        ({"kind": "modbus", "registers": [REGISTER]}, ("host",), "missing"),
        ({"kind": "modbus", "host": "h", "serial": PORT, "registers": [REGISTER]}, ("host",), "both"),
        ({"kind": "modbus", "host": "h", "registers": [{"address": 0}]}, ("registers", 0, "channel"), "without a channel"),
        ({"kind": "modbus", "host": "h", "registers": [REGISTER | {"tells": "battery"}]}, ("registers", 0, "channel"), "beside"),
        ({"kind": "modbus", "host": "h", "registers": [REGISTER | {"address": 65_535, "type": "float32"}]}, ("registers", 0, "address"), "beyond"),
        ({"kind": "modbus", "host": "h", "most_registers": 1, "registers": [REGISTER | {"type": "float64"}]}, ("most_registers",), "4 registers"),
        ({"kind": "modbus", "host": "h", "registers": [REGISTER | {"scale": 0}]}, ("registers", 0, "scale"), "alike"),
        ({"kind": "scpi", "fields": [{"channel": "core"}]}, ("host",), "missing"),
        ({"kind": "scpi", "host": "h", "fields": [{}]}, ("fields",), "no field"),
        ({"kind": "scpi", "host": "h", "fields": [{"channel": "core"}], "number_at": 1}, ("number_at",), "beyond"),
        ({"kind": "scpi", "host": "h", "fields": [{"channel": "core"}], "read": "READ"}, ("read",), "no query"),
        ({"kind": "scpi", "host": "h", "fields": [{"channel": "core"}], "read": ""}, ("read",), "no query"),
        ({"kind": "scpi", "host": "h", "fields": [{"channel": "core"}], "setup": ["A\nB"]}, ("setup", 0), "one line"),
        ({"kind": "serial-text", "serial": PORT, "text": {}, "channels": {"T1": "core"}}, ("text", "item"), "where readings"),
        ({"kind": "follow-file", "path": "x", "text": {"item": "{value}", "header": True}, "channels": {"T1": "core"}}, ("text", "item"), "both"),
        ({"kind": "standard-input", "text": {"columns": ["a"], "time_form": "noon"}, "channels": {"T1": "core"}}, ("text", "time_form"), "form of time"),
    ],
)  # fmt: skip
def test_faults_across_keys(table: dict[str, Any], path: tuple[str | int, ...], word: str) -> None:
    faults = READ.validate_python(table).places()
    assert any(p == path and word in what and remedy for p, what, remedy in faults), faults


@pytest.mark.parametrize(
    ("table", "fed"),
    [
        (
            {"kind": "modbus", "host": "h", "registers": [REGISTER, {"address": 5, "tells": "battery"}]},
            [(("registers", 0, "channel"), "core")],
        ),
        (
            {"kind": "scpi", "host": "h", "fields": [{}, {"channel": "core"}, {"tells": "reference"}]},
            [(("fields", 1, "channel"), "core")],
        ),
        (
            {"kind": "serial-text", "serial": PORT, "text": TEXT, "channels": {"T1": "core"}},
            [(("channels", "T1"), "core")],
        ),
        (
            {"kind": "follow-file", "path": "x.csv", "text": TEXT, "channels": {"T1": "core"}},
            [(("channels", "T1"), "core")],
        ),
        (
            {"kind": "standard-input", "text": TEXT, "channels": {"T1": "core"}},
            [(("channels", "T1"), "core")],
        ),
    ],
)  # fmt: skip
def test_sound_tables_and_what_they_feed(table: dict[str, Any], fed: list[Any]) -> None:
    made = READ.validate_python(table)
    assert made.places() == ()
    assert list(made.fed()) == fed


@pytest.mark.parametrize(
    "table",
    [
        {"kind": "modbus", "host": "h", "registers": []},
        {"kind": "modbus", "host": "h", "registers": [REGISTER | {"address": -1}]},
        {"kind": "modbus", "host": "h", "registers": [REGISTER | {"type": "int17"}]},
        {"kind": "modbus", "host": "h", "registers": [REGISTER | {"colour": 1}]},
        {"kind": "scpi", "host": "h", "fields": []},
        {"kind": "serial-text", "serial": {"device": ""}, "text": TEXT, "channels": {"T1": "core"}},
        {"kind": "follow-file", "path": "x", "text": TEXT, "channels": {}},
    ],
)
def test_what_can_not_stand_at_all(table: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        READ.validate_python(table)


def test_registers_a_number_takes() -> None:
    assert {t.value: t.registers for t in RegisterType} == {
        "int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "float64": 4,
    }  # fmt: skip
