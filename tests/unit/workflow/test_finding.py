"""What was heard, held against a plan and written into one."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.errors import UsageError
from ovenwright.storage.plan_file import read_plan
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.workflow.finding import Asking, find_instruments
from ovenwright.workflow.found_against import hold_against
from ovenwright.workflow.found_into_plan import write_into, write_new

URL = "mqtt://127.0.0.1:1883"
PLAN = """# my own words
title = "Mine"   # and more of them
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
name = "core left"   # by the door
sensor = "T"
role = "core"
[[channels]]
name = "air"
sensor = "T"
role = "air"
"""
MQTT: dict[str, Any] = {
    "kind": "mqtt", "host": "127.0.0.1", "port": 1883, "topic": "oven/{module}",
    "payload": {"value": "t[{channel}]"},
    "channels": {"gw/0": "", "gw/1": "", "gw/2": ""},
}  # fmt: skip


@pytest.fixture(scope="module")
def library() -> ReferenceLibrary:
    return read_reference_library(None)


def heard(proposal: dict[str, Any], *keys: str, module: str = "gw") -> Heard:
    return Heard(
        URL, module, tuple(HeardChannel(k, 21.0, rate_hz=2.0, count=8) for k in keys),
        proposal=proposal,
    )  # fmt: skip


GATEWAY = heard(MQTT, "gw/0", "gw/1", "gw/2")


def test_every_word_of_the_author_stays(tmp_path: Path, library: ReferenceLibrary) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN, encoding="utf-8")
    added = write_into(file, [GATEWAY], URL, library)
    text = file.read_text(encoding="utf-8")
    assert text.startswith(PLAN)
    assert added == ("gw 2",)  # two channels waited for an input, the third is new
    plan = read_plan(file)
    assert [c.name for c in plan.channels] == ["core left", "air", "gw 2"]
    assert [c for _, c in plan.instruments[0].fed()] == ["core left", "air", "gw 2"]


def test_line_ends_of_the_author_stay(tmp_path: Path, library: ReferenceLibrary) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(PLAN.replace("\n", "\r\n").encode())
    write_into(file, [GATEWAY], URL, library)
    content = file.read_bytes()
    assert content.count(b"\n") == content.count(b"\r\n")
    assert content.startswith(PLAN.replace("\n", "\r\n").encode())


def test_a_plan_that_has_it_all_is_left_alone(tmp_path: Path, library: ReferenceLibrary) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN, encoding="utf-8")
    write_into(file, [GATEWAY], URL, library)
    before = file.read_bytes()
    assert write_into(file, [GATEWAY], URL, library) == ()
    assert file.read_bytes() == before


def test_a_first_plan_is_written_around_what_was_heard(
    tmp_path: Path, library: ReferenceLibrary
) -> None:
    file = tmp_path / "new.toml"
    names = write_new(file, [GATEWAY], URL, library)
    plan = read_plan(file)
    assert names == ("gw 0", "gw 1", "gw 2")
    assert plan.recording.interval_s == 0.5
    assert hold_against(plan, [GATEWAY], URL).known == ("gw/0", "gw/1", "gw/2")


def test_modules_that_one_table_reads_are_written_once(
    tmp_path: Path, library: ReferenceLibrary
) -> None:
    file = tmp_path / "new.toml"
    write_new(file, [heard(MQTT, "gw/0", "gw/1"), heard(MQTT, "gw/2", module="gw2")], URL, library)
    assert len(read_plan(file).instruments) == 1


@pytest.mark.parametrize(
    "proposal",
    [
        {
            "kind": "modbus", "host": "127.0.0.1", "port": 502, "unit_id": 3,
            "registers": [{"channel": "", "address": 0, "type": "float32"},
                          {"channel": "", "address": 2, "type": "float32"}],
        },
        {
            "kind": "serial-text", "serial": {"device": "/dev/ttyUSB0", "baud": 9600},
            "text": {"item": "{channel}={value}{unit}"}, "channels": {"T1": "", "T2": ""},
        },
        {
            "kind": "opcua", "url": "opc.tcp://127.0.0.1:4840",
            "nodes": [{"node": "ns=2;s=one", "channel": "Zone one", "unit": "degC"}],
        },
    ],
)  # fmt: skip
def test_every_kind_of_table_can_be_written(
    tmp_path: Path, library: ReferenceLibrary, proposal: dict[str, Any]
) -> None:
    file = tmp_path / "new.toml"
    names = write_new(file, [heard(proposal, "x")], URL, library)
    plan = read_plan(file)
    assert tuple(c for _, c in plan.instruments[0].fed()) == names


def test_new_and_silent_ones_are_named(tmp_path: Path, library: ReferenceLibrary) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN, encoding="utf-8")
    write_into(file, [GATEWAY], URL, library)
    found = hold_against(read_plan(file), [heard({}, "gw/0", "other/1")], URL)
    assert (found.known, found.new, found.silent) == (("gw/0",), ("other/1",), ("air", "gw 2"))


def test_another_address_expects_nothing(tmp_path: Path, library: ReferenceLibrary) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN, encoding="utf-8")
    write_into(file, [GATEWAY], URL, library)
    found = hold_against(read_plan(file), [], "mqtt://127.0.0.1:1884")
    assert found.silent == ()


def test_a_channel_that_never_gave_a_number_is_silent(
    tmp_path: Path, library: ReferenceLibrary
) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN, encoding="utf-8")
    write_into(file, [GATEWAY], URL, library)
    mute = Heard(URL, "gw", (HeardChannel("gw/0", math.nan, count=0),))
    assert "core left" in hold_against(read_plan(file), [mute], URL).silent


@pytest.mark.parametrize(
    "url",
    [
        "",
        "127.0.0.1:1883",
        "http://127.0.0.1",
        "modbus://",
        "modbus://h:99999",
        "serial:x?baud=fast",
    ],
)
def test_addresses_that_can_not_be_read_are_refused(url: str) -> None:
    with pytest.raises(UsageError):
        find_instruments(Asking(url, seconds=0.1))


def test_wrong_numbers_are_refused() -> None:
    with pytest.raises(UsageError):
        find_instruments(Asking(URL, seconds=0.0))
    with pytest.raises(UsageError):
        find_instruments(Asking("modbus://127.0.0.1:1", units=(5, 2)))


def test_nothing_heard_writes_nothing(tmp_path: Path, library: ReferenceLibrary) -> None:
    file = tmp_path / "new.toml"
    with pytest.raises(UsageError, match="nothing was heard"):
        write_new(file, [], URL, library)
    assert not file.exists()
