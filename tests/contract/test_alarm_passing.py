"""Alarms passed on: to a program, and to a topic of a real broker."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from ovenwright.domain.alarm import Alarm
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.errors import InstrumentTrouble
from ovenwright.recording.alarms import AlarmNews
from ovenwright.sources.mqtt_telling import publish_once
from ovenwright.workflow.alarm_passing import AlarmPassing

AT_NS = 1_772_633_520_000_000_000


def news(alarm: Alarm, *, raised: bool = True) -> AlarmNews:
    return AlarmNews(alarm, "core", raised, AT_NS, 101.5, "core is at 101.5 °C, above 100")


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    program = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
    if program is None or shutil.which("mosquitto_sub") is None:
        pytest.skip("needs mosquitto and mosquitto_sub")
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = int(s.getsockname()[1])
    config = tmp_path_factory.mktemp("broker") / "broker.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nlog_dest none\n")
    with subprocess.Popen([program, "-c", str(config)]) as process:
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
                break
            except OSError:
                time.sleep(0.02)
        yield port
        process.terminate()


def source_at(port: int) -> MqttSource:
    return MqttSource(kind="mqtt", host="127.0.0.1", port=port, topic="t", channels={"a": "core"})


def test_a_topic_is_told_on_a_real_broker(broker: int, tmp_path: Path) -> None:
    alarm = Alarm(name="hot", above_c=100.0, topic="oven/alarm")
    with subprocess.Popen(
        ["mosquitto_sub", "-p", str(broker), "-t", "oven/#", "-v", "-C", "2", "-W", "10"],
        stdout=subprocess.PIPE,
        text=True,
    ) as ear:
        time.sleep(0.3)
        troubles: list[str] = []

        def publish(topic: str, text: str) -> None:
            publish_once(source_at(broker), topic, text, folder=tmp_path)

        with AlarmPassing(lambda: "run-1", publish, troubles.append) as passing:
            passing(news(alarm))
            passing(news(alarm, raised=False))
        assert ear.stdout is not None
        heard = [line.split(" ", 1) for line in ear.stdout.read().splitlines()]
    assert [topic for topic, _ in heard] == ["oven/alarm", "oven/alarm"]
    facts = [json.loads(text) for _, text in heard]
    assert [f["raised"] for f in facts] == [True, False]
    assert facts[0] == {
        "run": "run-1", "alarm": "hot", "channel": "core", "raised": True, "value": 101.5,
        "text": "core is at 101.5 °C, above 100", "time": "2026-03-04T14:12:00.000000000Z",
    }  # fmt: skip
    assert troubles == []


def test_a_broker_that_is_away_is_told_and_blocks_nothing(tmp_path: Path) -> None:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = int(s.getsockname()[1])
    with pytest.raises(InstrumentTrouble, match="did not take the message"):
        publish_once(source_at(port), "oven/alarm", "{}", folder=tmp_path, timeout_s=1.0)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX shell")
def test_a_program_is_told_by_its_environment_in_the_order_of_events(tmp_path: Path) -> None:
    out = tmp_path / "out.txt"
    script = f'echo "$OVENWRIGHT_ALARM_RAISED $OVENWRIGHT_ALARM_TEXT; rm -rf" >> {out}'
    alarm = Alarm(name="hot", above_c=100.0, command=("sh", "-c", script))
    troubles: list[str] = []
    with AlarmPassing(lambda: "run-1", None, troubles.append) as passing:
        passing(news(alarm))
        passing(news(alarm, raised=False))
        passing(news(Alarm(name="quiet", above_c=1.0)))
    assert out.read_text().splitlines() == [
        "True core is at 101.5 °C, above 100; rm -rf",
        "False core is at 101.5 °C, above 100; rm -rf",
    ]
    assert troubles == []


def test_a_program_that_fails_or_hangs_is_told_and_holds_up_nobody(tmp_path: Path) -> None:
    troubles: list[str] = []
    gate = threading.Event()
    missing = Alarm(name="missing", above_c=1.0, command=(str(tmp_path / "no-such-program"),))
    failing = Alarm(
        name="failing", above_c=1.0, command=(sys.executable, "-c", "import sys; sys.exit('no')")
    )
    topic = Alarm(name="topic", above_c=1.0, topic="t")

    def publish(_: str, __: str) -> None:
        gate.wait(10)

    with AlarmPassing(lambda: "r", publish, troubles.append) as passing:
        began = time.monotonic()
        passing(news(topic))
        for _ in range(2000):
            passing(news(missing))
        assert time.monotonic() - began < 2.0
        assert any("too many alarms" in words for words in troubles)
        gate.set()
    with AlarmPassing(lambda: "r", None, troubles.append) as passing:
        passing(news(failing))
        passing(news(topic))
    assert any("missing: the command can't be run" in words for words in troubles)
    assert any("failing: the command ended with 1 no" in words for words in troubles)
    assert any("no MQTT instrument" in words for words in troubles)
