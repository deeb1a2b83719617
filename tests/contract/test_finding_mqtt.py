"""Looking for instruments on a broker nobody here wrote (Mosquitto), and reading what was proposed."""

from __future__ import annotations

import json
import math
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ovenwright.domain.live import Batch
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.errors import InstrumentTrouble, UsageError
from ovenwright.sources.finding_mqtt import hear
from ovenwright.sources.opening import open_source

SERVER = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
SENDER = shutil.which("mosquitto_pub")


class SystemClock:
    def now_ns(self) -> int:
        return time.time_ns()

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()


@pytest.fixture
def port(tmp_path: Path) -> Iterator[int]:
    if SERVER is None or SENDER is None:
        pytest.skip("needs mosquitto and mosquitto_pub")
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        found = int(s.getsockname()[1])
    config = tmp_path / "broker.conf"
    config.write_text(f"listener {found} 127.0.0.1\nallow_anonymous true\nlog_dest none\n")
    process = subprocess.Popen([SERVER, "-c", str(config)], stderr=subprocess.DEVNULL)
    for _ in range(200):
        try:
            socket.create_connection(("127.0.0.1", found), timeout=0.2).close()
            break
        except OSError:
            time.sleep(0.02)
    yield found
    process.terminate()
    process.wait(10)


def publish(port: int, topic: str, facts: Any, *more: str) -> None:
    assert SENDER is not None
    text = facts if isinstance(facts, str) else json.dumps(facts)
    subprocess.run(
        [SENDER, "-h", "127.0.0.1", "-p", str(port), "-t", topic, "-m", text, *more], check=True
    )


def test_hears_modules_and_proposes_a_table_that_reads_them(port: int) -> None:
    done = threading.Event()

    def gateways() -> None:
        for k in range(100):
            if done.is_set():
                return
            for g in (1, 2):
                publish(
                    port,
                    f"plant/gw{g}/data",
                    {
                        "serial": f"A7{g}", "seq": k, "ts": time.time_ns() // 1_000_000,
                        "battery": 76, "rssi": -58, "t": [20.5 + g, 200.125],
                    },
                )  # fmt: skip
            publish(port, "plant/door", "shut")
            done.wait(0.1)

    publish(port, "old/probe7", "19.5", "-r")
    thread = threading.Thread(target=gateways)
    thread.start()
    try:
        found = hear(f"mqtt://127.0.0.1:{port}", seconds=1.5, clock=SystemClock())
        by_module = {h.module: h for h in found if h.channels}
        assert list(by_module) == ["", "gw1", "gw2"]
        one = by_module["gw1"]
        assert one.serial == "A71"
        assert one.battery == pytest.approx(0.76)
        assert one.signal == -58
        assert [(c.key, c.value) for c in one.channels] == [("gw1/0", 21.5), ("gw1/1", 200.125)]
        assert all(3 < c.rate_hz < 12 for c in one.channels)
        assert by_module["gw1"].proposal == by_module["gw2"].proposal
        stored = by_module[""]
        assert stored.channels[0].key == "probe7"
        assert math.isnan(stored.channels[0].rate_hz)
        assert any("stored last message" in r for r in stored.remarks)
        assert any(h.detail == "plant/door" for h in found)

        batches: list[Batch] = []
        stopping = threading.Event()
        source = open_source(MqttSource.model_validate(one.proposal), SystemClock(), lasting=False)
        reader = threading.Thread(target=source.run, args=(batches.append, stopping))
        reader.start()
        time.sleep(1.0)
        stopping.set()
        reader.join(10)
        readings = [r for b in batches for r in b.readings]
        assert {r.channel for r in readings} == {"gw1 0", "gw1 1", "gw2 0", "gw2 1"}
        assert all(r.known for r in readings)
    finally:
        done.set()
        thread.join()


def test_listens_to_a_part_of_the_topics_only(port: int) -> None:
    publish(port, "plant/a/t1", "20.5", "-r")
    publish(port, "yard/b/t1", "7.5", "-r")
    found = hear(f"mqtt://127.0.0.1:{port}/plant/#", seconds=0.3, clock=SystemClock())
    assert [c.value for h in found for c in h.channels] == [20.5]


def test_a_broker_that_is_not_there_is_told() -> None:
    with pytest.raises(InstrumentTrouble, match="no broker answers"):
        hear("mqtt://127.0.0.1:9", seconds=0.2, clock=SystemClock())


@pytest.mark.parametrize("url", ["http://h", "mqtt://", "mqtt://h:port", "mqtt://u:secret@h"])
def test_addresses_that_are_none(url: str) -> None:
    with pytest.raises(UsageError) as told:
        hear(url, seconds=0.1, clock=SystemClock())
    assert "secret" not in str(told.value)


def test_something_that_is_no_broker_is_told() -> None:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        s.listen()

        def answer() -> None:
            connection, _ = s.accept()
            with connection:
                connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 50)
                time.sleep(0.2)

        thread = threading.Thread(target=answer)
        thread.start()
        with pytest.raises(InstrumentTrouble, match="not as a broker does"):
            hear(f"mqtt://127.0.0.1:{s.getsockname()[1]}", seconds=0.2, clock=SystemClock())
        thread.join()
