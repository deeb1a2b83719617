"""The touch check played without hardware: a bench served through a broker nobody here wrote."""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

SCENARIOS = ("touch-bench", "touch-bench-swapped", "touch-bench-faulty")
SPEED = "4"  # the gateway's stamps run along, so that time constants stay what they are


def wait_for(what: Callable[[], object], seconds: float) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.05)


def ovenwright(*words: str) -> list[str]:
    return [sys.executable, "-m", "ovenwright.cli.main", *words]


@dataclass(frozen=True)
class Played:
    """What one check answered, and what was true."""

    code: int
    proof: dict[str, Any]
    truth: dict[str, Any]

    def channel(self, name: str) -> dict[str, Any]:
        found: dict[str, Any] = next(c for c in self.proof["channels"] if c["channel"] == name)
        return found

    def faults(self) -> dict[str, str]:
        return {r["channel"]: r["what"] for r in self.proof["remarks"] if r["grade"] == "fault"}

    def true_s(self, name: str) -> float:
        return next(
            float(c["time_constant_s"]) for c in self.truth["channels"] if c["name"] == name
        )


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, Path]]:
    """Serve a broker that writes down who subscribes; yield its port and that file."""
    server = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/bin")
    if server is None:
        pytest.skip("needs mosquitto")
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = int(s.getsockname()[1])
    folder = tmp_path_factory.mktemp("broker")
    config, log = folder / "broker.conf", folder / "log"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nlog_dest stderr\nlog_type subscribe\n"
    )
    with log.open("wb") as out:
        process = subprocess.Popen([server, "-c", str(config)], stderr=out)
        try:
            yield port, log
        finally:
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def played(broker: tuple[int, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Played]:
    """Play the three benches side by side, each with its check."""
    port, log = broker
    folder = tmp_path_factory.mktemp("benches")
    checks: dict[str, subprocess.Popen[str]] = {}
    with ExitStack() as running:

        def start(words: list[str], out: int) -> subprocess.Popen[str]:
            process = subprocess.Popen(words, cwd=folder, stdout=out, text=True)
            running.callback(process.wait)
            running.callback(process.kill)
            return process

        def serving(name: str) -> tuple[str, ...]:
            url = f"mqtt://127.0.0.1:{port}/{name}"
            return "virtual-oven", "--serve", url, "--scenario", name, "--speed", SPEED

        for name in SCENARIOS:
            plan = subprocess.run(
                ovenwright(*serving(name), "--print-plan"),
                capture_output=True, text=True, check=True, timeout=60,
            ).stdout  # fmt: skip
            (folder / f"{name}.toml").write_text(plan)
            checks[name] = start(
                ovenwright("check", f"{name}.toml", "--touch", "--order", "--json", "--no-keep"),
                subprocess.PIPE,
            )
            assert checks[name].stdout is not None
            running.callback(checks[name].stdout.close)  # type: ignore[union-attr]
        for name in SCENARIOS:
            wait_for(lambda name=name: f"{name}/" in log.read_text(), 60)  # type: ignore[misc]
        ovens = [
            start(ovenwright(*serving(name), "--truth", f"{name}.json"), subprocess.DEVNULL)
            for name in SCENARIOS
        ]
        for one in ovens:
            assert one.wait(120) == 0
        found = {}
        for name, check in checks.items():
            if check.poll() is None:  # it still hopes for the dead channel
                check.send_signal(signal.SIGINT)
            text, _ = check.communicate(timeout=30)
            truth = json.loads((folder / f"{name}.json").read_text())
            found[name] = Played(check.returncode, json.loads(text), truth)
    return found


@pytest.mark.slow
def test_sound_channels_are_proved(played: dict[str, Played]) -> None:
    bench = played["touch-bench"]
    assert bench.code == 0
    assert bench.faults() == {}
    assert bench.proof["identity"] == {}
    order = [t["channel"] for t in bench.truth["touches"]]
    assert order == ["left", "middle", "right", "spare"]
    assert [bench.channel(name)["turn"] for name in order] == [1, 2, 3, 4]
    # sensors of unlike class errors at one temperature agree within what their class allows
    assert all(abs(c["offset_k"]) < c["allowed_k"] for c in bench.proof["channels"])
    for name in order:
        found = bench.channel(name)["time_constant"]
        assert found["reason"] == ""
        assert found["value_s"] == pytest.approx(bench.true_s(name), rel=0.15)


@pytest.mark.slow
def test_swapped_leads_are_found_and_put_right(played: dict[str, Played]) -> None:
    bench = played["touch-bench-swapped"]
    assert bench.code == 1
    assert bench.proof["identity"] == {"middle": "right", "right": "middle"}
    assert "swapped" in " ".join(bench.faults().values())
    assert {(r["key"], r["was"], r["proved"]) for r in bench.proof["remappings"]} == {
        ("channels.bench/2", "middle", "right"),
        ("channels.bench/3", "right", "middle"),
    }
    # each time constant belongs to the sensor at the end of the wire
    for name, wired in (("left", "left"), ("middle", "right"), ("right", "middle")):
        found = bench.channel(name)["time_constant"]["value_s"]
        assert found == pytest.approx(bench.true_s(wired), rel=0.15)


@pytest.mark.slow
def test_reversed_and_dead_channels_are_told_apart(played: dict[str, Played]) -> None:
    bench = played["touch-bench-faulty"]
    assert bench.code == 1
    assert {(p["channel"], p["kind"]) for p in bench.truth["planted"]} == {
        ("left", "ReversedLeads"),
        ("right", "ShortedLeads"),
    }
    faults = bench.faults()
    assert set(faults) == {"left", "right"}
    assert "leads are reversed" in faults["left"]
    assert "did not react" in faults["right"]
    assert bench.channel("left")["reversed_leads"]
    assert not bench.channel("right")["touched"]
    for name in ("left", "middle", "spare"):
        found = bench.channel(name)["time_constant"]["value_s"]
        assert found == pytest.approx(bench.true_s(name), rel=0.15)
