"""`check` and `find` through the command line, at real speed, on a broker nobody here wrote."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from ovenwright.storage.logbook import Logbook
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.virtual.touching import Touch, TouchBench
from ovenwright.workflow.proving import prove_plan
from ovenwright.workflow.watching import Look, Wanted

SERVER = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
SENDER = shutil.which("mosquitto_pub")
NAMES = ("left", "right", "core")


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


class Gateway:
    """Publishes a bench's readings as they would come, through a sender nobody here wrote."""

    def __init__(
        self, port: int, bench: TouchBench, touches: Sequence[Touch], until_s: float
    ) -> None:
        assert SENDER is not None
        self.scans = bench.shown(touches, until_s=until_s)
        self.process = subprocess.Popen(
            [SENDER, "-h", "127.0.0.1", "-p", str(port), "-t", "plant/gw7", "-l", "-q", "1"],
            stdin=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.stop = threading.Event()
        self.go = threading.Event()
        self.thread = threading.Thread(target=self.run)

    def __enter__(self) -> Gateway:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self.thread.join(10)
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(10)

    def run(self) -> None:
        """Stay at rest until told to go, then play what is touched."""
        assert self.process.stdin is not None
        step = float(self.scans[0][1])
        rest = self.scans[1][:8]
        began, count, since = time.monotonic(), 0, 0
        while since < len(self.scans[1]):
            if self.stop.wait(max(0.0, began + count * step - time.monotonic())):
                return
            row = self.scans[1][since] if self.go.is_set() else rest[count % 8]
            message = {
                "t": [round(float(v), 2) for v in row],
                "time": time.time_ns() / 1e9,
                "seq": count,
                "battery": 81,
            }
            self.process.stdin.write(json.dumps(message) + "\n")
            self.process.stdin.flush()
            count += 1
            since += self.go.is_set()


def ovenwright(folder: Path, *words: str, expect: int = 0) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-m", "ovenwright.cli.main", *words, "--json"],
        cwd=folder, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == expect, done.stdout + done.stderr
    facts: dict[str, Any] = json.loads(done.stdout)
    return facts


@pytest.mark.slow
def test_from_an_unknown_broker_to_proven_channels(port: int, tmp_path: Path) -> None:
    """Find writes a plan, check proves it by touch; the second and third sensor are swapped."""
    url = f"mqtt://127.0.0.1:{port}"
    rest = TouchBench(NAMES, [1.0] * 3, draught_k=0.01)
    with Gateway(port, rest, [], 60.0):
        found = ovenwright(tmp_path, "find", url, "--seconds", "3", "--write", "plan.toml")
    (module,) = found["modules"]
    assert [c["key"] for c in module["channels"]] == ["gw7/0", "gw7/1", "gw7/2"]
    assert all(3.0 < c["rate_hz"] < 5.0 for c in module["channels"])
    assert module["battery"] == pytest.approx(0.81)
    plan = tmp_path / "plan.toml"
    text = plan.read_text()
    for name, heard in zip(NAMES, found["added"], strict=True):
        text = text.replace(f'"{heard}"', f'"{name}"')
    plan.write_text(text)

    # the person begins once the sensors are at rest, and touches in plan order
    touches = [Touch(n, 2 + 8 * k, 6 + 8 * k) for k, n in enumerate(("left", "core", "right"))]
    with Gateway(port, rest, touches, 60.0) as gateway:

        def watch(look: Look) -> None:
            if look.learnt:
                gateway.go.set()

        proved = prove_plan(
            plan, read_reference_library(None), Wanted(order=("plan",)),
            stopping=threading.Event(), logbook=Logbook(tmp_path / "logbook"), watch=watch,
        )  # fmt: skip
    assert proved.proof.seconds < 60
    proof = json.loads(Path(proved.kept).read_text())["proof"]
    assert proof["readiness"] == "not ready"
    assert proof["identity"] == {"right": "core", "core": "right"}
    assert {(r["key"], r["proved"]) for r in proof["remappings"]} == {
        ("channels.gw7/1", "core"),
        ("channels.gw7/2", "right"),
    }
    taus = [c["time_constant"]["value_s"] for c in proof["channels"]]
    assert taus == pytest.approx([1.0] * 3, rel=0.15)
    (module,) = proof["modules"]
    assert abs(module["clock_offset_s"]) < 1.0


def test_silent_and_foreign_modules_are_named(port: int, tmp_path: Path) -> None:
    url = f"mqtt://127.0.0.1:{port}"
    bench = TouchBench(NAMES, [1.0] * 3)
    with Gateway(port, bench, [], 60.0):
        ovenwright(tmp_path, "find", url, "--seconds", "2", "--write", "plan.toml")
        plan = tmp_path / "plan.toml"
        text = plan.read_text().replace('"gw7/2"', '"gw9/0"').replace('"gw7 2"', '"elsewhere"')
        plan.write_text(text)
        found = ovenwright(tmp_path, "find", url, "--seconds", "2", "--plan", "plan.toml")
        proof = ovenwright(tmp_path, "check", "plan.toml", "--seconds", "3", "--no-keep", expect=1)
    assert found["against"] == {
        "known": ["gw7/0", "gw7/1"], "new": ["gw7/2"], "silent": ["elsewhere"],
    }  # fmt: skip
    assert [r["channel"] for r in proof["remarks"] if r["grade"] == "fault"] == ["elsewhere"]
    assert proof["strangers"] == ["gw7/2"]


def test_a_plan_that_lacks_a_channel_is_completed(port: int, tmp_path: Path) -> None:
    """Found on a real broker: what the author took out comes back, and his words stay."""
    url = f"mqtt://127.0.0.1:{port}"
    plan = tmp_path / "plan.toml"
    with Gateway(port, TouchBench(NAMES, [1.0] * 3), [], 60.0):
        ovenwright(tmp_path, "find", url, "--seconds", "2", "--write", "plan.toml")
        whole = plan.read_text()
        text = whole.replace('"gw7/1" = "gw7 1"\n', "# its plug is loose\n")
        assert text != whole
        plan.write_text(text)
        found = ovenwright(tmp_path, "find", url, "--seconds", "2", "--write", "plan.toml")
    assert found["joined"] == [{"key": "gw7/1", "channel": "gw7 1"}]
    assert found["added"] == []
    after = plan.read_text()
    assert "# its plug is loose" in after
    assert after.count("[[instruments]]") == 1
    assert [line for line in after.splitlines() if line not in text.splitlines()] == [
        f"# heard at {url}, added: see that each name stands beside its sensor's input",
        '"gw7/1" = "gw7 1"',
    ]


def test_nobody_there_is_the_instruments_trouble(tmp_path: Path) -> None:
    with socket.socket() as s:  # a port nobody listens at
        s.bind(("127.0.0.1", 0))
        gone = int(s.getsockname()[1])
    ovenwright(tmp_path, "find", f"mqtt://127.0.0.1:{gone}", "--seconds", "2", expect=4)
    ovenwright(tmp_path, "find", f"modbus://127.0.0.1:{gone}", "--units", "1", expect=4)
