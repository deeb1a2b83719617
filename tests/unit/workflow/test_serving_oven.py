"""The plan that records a served oven: sound for every scenario and protocol, and it really reads."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from ovenwright.domain.live import Batch, Reading
from ovenwright.domain.run import Quality
from ovenwright.errors import StorageTrouble, UnknownName, UsageError
from ovenwright.sources.opening import open_source
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.virtual import record
from ovenwright.virtual.serving import (
    SCENARIOS,
    Mischief,
    open_outlet,
    read_address,
    scenario_named,
    serve,
)
from ovenwright.workflow.serving_oven import plan_text_for, write_plan_beside

URLS = ("mqtt://127.0.0.1:1883", "mqtts://me@broker.example:8883/line 3", "modbus://127.0.0.1:1502",
        "serial:/dev/ttyUSB0")  # fmt: skip


class Wall:
    def now_ns(self) -> int:
        return time.time_ns()

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()


@pytest.mark.parametrize("name", SCENARIOS)
@pytest.mark.parametrize("url", URLS)
def test_every_plan_is_sound_and_feeds_every_channel(name: str, url: str) -> None:
    text = plan_text_for(name, read_address(url), read_reference_library(None))
    plan = parse_plan(text)
    scenario = scenario_named(name)
    assert [c.name for c in plan.channels] == [s.name for s in scenario.sensors]
    assert plan.recording.interval_s == scenario.interval_s
    (instrument,) = plan.instruments
    assert sorted(channel for _, channel in instrument.fed()) == sorted(
        s.name for s in scenario.sensors
    )


def test_what_no_plan_can_say() -> None:
    library = read_reference_library(None)
    with pytest.raises(UsageError, match="left to chance"):
        plan_text_for("survey", read_address("modbus://127.0.0.1:0"), library)
    with pytest.raises(UnknownName, match="pizza"):
        plan_text_for("pizza", read_address("serial:/tmp/x"), library)


def test_a_plan_that_is_there_is_left_alone(tmp_path: Path) -> None:
    write_plan_beside(tmp_path / "plan.toml", "first")
    with pytest.raises(UsageError, match="left alone"):
        write_plan_beside(tmp_path / "plan.toml", "second")
    assert (tmp_path / "plan.toml").read_text() == "first"
    with pytest.raises(StorageTrouble):
        write_plan_beside(tmp_path / "no" / "plan.toml", "second")


@pytest.mark.parametrize("kind", ["modbus", "serial"])
def test_the_plan_reads_what_is_served(kind: str, tmp_path: Path) -> None:
    """From the virtual oven's wire, through the plan's mapping, to readings: number for number."""
    scenario = scenario_named("tin-bread")
    stop_oven, stop_source, up = threading.Event(), threading.Event(), threading.Event()
    outlet = open_outlet(
        read_address("modbus://127.0.0.1:0" if kind == "modbus" else f"serial:{tmp_path / 'port'}"),
        scenario,
        Mischief(),
    )
    served = threading.Thread(
        target=serve,
        args=(scenario, [outlet]),
        kwargs={"seed": 3, "speed": 100.0, "stop": stop_oven, "opened": lambda _: up.set()},
    )
    got: list[Reading] = []

    def deliver(batch: Batch) -> None:
        got.extend(batch.readings)
        batch.acknowledge()

    served.start()
    try:
        assert up.wait(20)
        text = plan_text_for("tin-bread", read_address(outlet.url), read_reference_library(None),
                             speed=100.0)  # fmt: skip
        source = open_source(parse_plan(text).instruments[0], Wall(), lasting=False)
        reading = threading.Thread(target=source.run, args=(deliver, stop_source))
        reading.start()
        until = time.monotonic() + 20
        while len(got) < 400 and time.monotonic() < until:
            time.sleep(0.02)
        stop_source.set()
        reading.join(10)
        assert not reading.is_alive()
    finally:
        stop_oven.set()
        served.join(10)
    assert len(got) >= 400
    truth = record(scenario, seed=3)
    shown = {
        n: {round(float(v), 6) for v in truth.reading_c[:, i]} for i, n in enumerate(truth.names)
    }
    assert {r.channel for r in got} == set(truth.names)
    for r in got:
        assert r.known
        assert r.unit == "degC"
        if r.quality == Quality.GOOD:
            assert round(r.value, 4) in {round(v, 4) for v in shown[r.channel]}
    assert sum(r.quality == Quality.GOOD for r in got) > 0.9 * len(got)
