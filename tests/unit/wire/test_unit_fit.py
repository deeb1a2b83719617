"""Units of a plan's instruments against the sensors they are read through."""

from typing import Any

import pytest
from pydantic import TypeAdapter

from ovenwright.domain.plan import Channel
from ovenwright.domain.sources import SourcePlan
from ovenwright.wire.unit_fit import unit_faults

READ: TypeAdapter[SourcePlan] = TypeAdapter(SourcePlan)
CHANNELS = {
    "couple": Channel.model_validate({"name": "couple", "sensor": "T", "role": "core"}),
    "resistor": Channel.model_validate({"name": "resistor", "sensor": "Pt100", "role": "air"}),
}
MODBUS = {"kind": "modbus", "host": "h"}
SCPI = {"kind": "scpi", "host": "h"}
PIPE: dict[str, Any] = {"kind": "standard-input", "channels": {"1": "couple", "2": "resistor"}}
MQTT = {"kind": "mqtt", "host": "h", "topic": "t/{module}/{channel}", "channels": {"m/1": "resistor"}}  # fmt: skip


@pytest.mark.parametrize(
    ("table", "path"),
    [
        (MODBUS | {"registers": [{"channel": "couple", "address": 0, "unit": "mV"}]}, None),
        (MODBUS | {"registers": [{"channel": "couple", "address": 0, "unit": "ohm"}]}, ("registers", 0, "unit")),
        (MODBUS | {"registers": [{"channel": "unknown", "address": 0, "unit": "ohm"}]}, None),
        (SCPI | {"fields": [{"channel": "resistor", "unit": "ohm"}, {"tells": "reference"}]}, None),
        (SCPI | {"fields": [{}, {"channel": "resistor", "unit": "mV"}]}, ("fields", 1, "unit")),
        (PIPE | {"text": {"item": "{channel}={value}"}}, None),
        (PIPE | {"text": {"item": "{channel}={value}", "unit": "ohm"}}, ("text", "unit")),
        (PIPE | {"text": {"item": "{channel}={value}{unit}", "unit": "ohm"}}, None),  # each line tells
        (MQTT | {"payload": {"unit": "mV"}}, ("payload", "unit")),
        (MQTT | {"payload": {"unit": "mV", "unit_path": "u"}}, None),
    ],
)  # fmt: skip
def test_units(table: dict[str, Any], path: tuple[str | int, ...] | None) -> None:
    found = unit_faults(READ.validate_python(table), CHANNELS)
    assert [p for p, _, _ in found] == ([] if path is None else [path])
    assert all("can't be used" in what and remedy for _, what, remedy in found)
