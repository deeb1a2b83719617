"""Instruments in a plan: every fault at its line, with a remedy."""

from __future__ import annotations

import pytest

from ovenwright.errors import PlanFaults
from ovenwright.storage.plan_file import parse_plan, write_plan

PLAN = """title = "x"
[oven]
kind = "chamber"
name = "a"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "p"
[recording]
interval_s = 1.0
[[channels]]
name = "core 1"
sensor = "T"
role = "core"
[[channels]]
name = "core 2"
sensor = "T"
role = "core"
[[instruments]]
"""
MQTT = """kind = "mqtt"
host = "127.0.0.1"
topic = "plant/{module}/{channel}"
[instruments.channels]
"g1/1" = "core 1"
"g1/2" = "core 2"
"""


def told(text: str) -> list[str]:
    with pytest.raises(PlanFaults) as faults:
        parse_plan(PLAN + text)
    return [f.words() for f in faults.value.faults]


def test_a_sound_table_is_read_and_written_back() -> None:
    plan = parse_plan(PLAN + MQTT)
    assert plan.instruments[0].fed() == (
        (("channels", "g1/1"), "core 1"),
        (("channels", "g1/2"), "core 2"),
    )
    assert parse_plan(write_plan(plan)) == plan


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"core 2"', '"core 3"', "line 26: instrument (1st), channels.g1/2: there is no channel 'core 3'"),
        ('"core 2"', '"core 1"', "line 26: instrument (1st), channels.g1/2: channel 'core 1' is fed twice"),
        ("{module}", "{modul}", "line 23: instrument (1st), topic: {modul} can't stand here"),
        ("host =", "hots =", 'instrument (1st), hots: there is no such key here; did you mean "host"?'),
        ('"mqtt"', '"mqt"', 'line 21: instrument (1st), kind: is \'mqt\'; did you mean "mqtt"?'),
        ('kind = "mqtt"\n', "", "line 20: instrument (1st), kind: is missing; add it, for example kind ="),
        ("host", "port = 0\nhost", "line 22: instrument (1st), port: is 0; expected a number, 1 or more"),
        (
            "[instruments.channels]",
            'payload = { value = "v", unit = "bar" }\n[instruments.channels]',
            "line 24: instrument (1st), payload.unit: is 'bar'; one of: degC, degF",
        ),
        (
            "[instruments.channels]",
            'payload = { value = "v[*]" }\n[instruments.channels]',
            "line 24: instrument (1st), payload.value: [*] gives many values, but nothing tells",
        ),
    ],
)  # fmt: skip
def test_a_fault_is_told_at_its_line(old: str, new: str, said: str) -> None:
    assert any(said in words for words in told(MQTT.replace(old, new, 1))), told(
        MQTT.replace(old, new, 1)
    )


def test_instruments_written_where_sources_of_numbers_belong() -> None:
    with pytest.raises(PlanFaults, match="an instrument is a table"):
        parse_plan(PLAN.replace("[[instruments]]", "[[sources]]") + 'kind = "mqtt"\n')
