"""Record through the command line alone: live, marked, killed, resumed, recovered, exported."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import signal
import subprocess
import sys
import threading
import time
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import pytest

from ovenwright.cli.main import main

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")

PLAN = """
title = "Piped in"
[oven]
kind = "chamber"
name = "oven"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "loaf"
[recording]
interval_s = 0.05
[[channels]]
name = "core"
sensor = "T"
role = "core"
[[channels]]
name = "air"
sensor = "K"
role = "air"
[[alarms]]
name = "too hot"
above_c = 21.0
on = ["core"]
command = ["sh", "-c", "echo $OVENWRIGHT_ALARM_CHANNEL $OVENWRIGHT_ALARM_RAISED >> alarm.txt"]
[[instruments]]
kind = "standard-input"
channels = { a = "core", b = "air" }
text = { item = "{channel}={value}" }
"""


@dataclass
class Done:
    returncode: int
    stdout: str
    stderr: str


def ovenwright(*words: str, cwd: Path) -> Done:
    """Run a verb in this process, which spares its start."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.chdir(cwd), redirect_stdout(out), redirect_stderr(err):
        code = main(words)
    return Done(code, out.getvalue(), err.getvalue())


class Recording:
    """A recorder as a process, fed through a pipe, its events read as they come."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.events: list[dict[str, Any]] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "ovenwright.cli.main", "record", *words, "--json"],
            cwd=folder,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.over = threading.Event()
        self.threads = [
            threading.Thread(target=self._read, args=(self.process.stdout,)),
            threading.Thread(target=self._feed, args=(self.process.stdin,)),
        ]
        for thread in self.threads:
            thread.start()

    def _read(self, out: IO[str]) -> None:
        for line in out:
            self.events.append(json.loads(line))

    def _feed(self, into: IO[str]) -> None:
        count = 0
        while not self.over.wait(0.03):
            try:
                into.write(f"a={20 + count / 20:.2f} b={200 + count / 10:.1f}\n")
                into.flush()
            except OSError:
                break
            count += 1

    def wait_for(self, event: str, *, least: int = 1) -> dict[str, Any]:
        until = time.monotonic() + 30
        while time.monotonic() < until:
            found = [e for e in self.events if e["event"] == event]
            if event == "durable":
                found = [e for e in found if e["count"] >= least]
            if found:
                return found[-1]
            if self.process.poll() is not None and not self.threads[0].is_alive():
                break
            time.sleep(0.02)
        raise AssertionError(f"no {event} among {self.events}")

    def end(self, number: signal.Signals | None = None) -> int:
        if number is not None:
            self.process.send_signal(number)
        code = self.process.wait(timeout=30)
        self.over.set()
        for thread in self.threads:
            thread.join()
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            assert pipe is not None
            try:
                pipe.close()
            except BrokenPipeError:  # what the feeder had not flushed
                continue
        return code


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN)
    return tmp_path


def test_record_mark_stop_and_look_at_it(folder: Path) -> None:
    one = Recording(folder, "plan.toml")
    run_id = one.wait_for("recording")["run"]
    one.wait_for("durable", least=10)
    listed = json.loads(ovenwright("runs", "--json", cwd=folder).stdout)
    assert (listed["runs"][0]["run"], listed["runs"][0]["state"]) == (run_id, "recording")
    marked = json.loads(ovenwright("mark", "door", "--json", cwd=folder).stdout)
    assert (marked["run"], marked["kind"]) == (run_id, "door")
    assert one.wait_for("mark")["by"] in {"person", "tool"}
    refused = ovenwright("export", run_id, cwd=folder)
    assert refused.returncode == 2
    assert "still being recorded" in refused.stderr
    one.wait_for("alarm")
    assert ovenwright("record", "--stop", run_id[:-2], cwd=folder).returncode == 0
    sealed = one.wait_for("sealed")
    assert one.end() == 0
    assert (sealed["run"], sealed["damage"]) == (run_id, [])
    listed = json.loads(ovenwright("runs", "--json", cwd=folder).stdout)
    assert (listed["runs"][0]["state"], listed["runs"][0]["samples"]) == (
        "sealed",
        sealed["samples"],
    )
    assert ovenwright("verify", run_id, cwd=folder).returncode == 0
    assert "core True" in (folder / "alarm.txt").read_text()
    assert ovenwright("mark", "late", cwd=folder).returncode == 2


def test_a_signal_stops_and_seals(folder: Path) -> None:
    one = Recording(folder, "plan.toml", "--for", "600")
    one.wait_for("durable", least=10)
    assert one.end(signal.SIGTERM) == 0
    assert one.events[-1]["event"] == "sealed"
    assert one.events[-1]["samples"] >= 10


def test_what_was_recorded_is_judged_and_kept_where_that_is_asked(folder: Path) -> None:
    asked = '[[requirements]]\nname = "warm"\nmeasure = "max_temperature"\non = "core"\n'
    times = "interval_s = 0.05\nload_in_s = 0.0\nload_out_s = 0.6"
    (folder / "plan.toml").write_text(
        PLAN.replace("interval_s = 0.05", times) + asked + "at_least = 90.0\n"
    )
    one = Recording(folder, "plan.toml", "--judge")
    one.wait_for("durable", least=60)
    assert one.end(signal.SIGTERM) == 0
    assert [e["event"] for e in one.events[-2:]] == ["sealed", "judged"]
    assert one.events[-1] == {
        "event": "judged",
        "run": one.events[-2]["run"],
        "verdict": "fail",  # it is some 20 °C warm and asked to be 90
    }
    (kept,) = (folder / "logbook" / "judgements" / one.events[-1]["run"]).glob("*.json")
    assert json.loads(kept.read_text())["judgement"]["verdict"] == "fail"


def test_nothing_is_judged_where_the_plan_asks_for_nothing(folder: Path) -> None:
    one = Recording(folder, "plan.toml", "--judge")
    one.wait_for("durable", least=10)
    assert one.end(signal.SIGTERM) == 0
    assert one.events[-1]["event"] == "sealed"


def test_a_killed_recording_is_exported_whole(folder: Path) -> None:
    one = Recording(folder, "plan.toml")
    durable = one.wait_for("durable", least=30)
    one.end(signal.SIGKILL)
    last = max(e["count"] for e in one.events if e["event"] == "durable")
    (listed, *_) = json.loads(ovenwright("runs", "--json", cwd=folder).stdout)["runs"]
    assert (listed["run"], listed["state"]) == (durable["run"], "cut off")
    assert listed["samples"] >= last
    done = ovenwright("export", durable["run"], "-o", "out.csv", cwd=folder)
    assert done.returncode == 0, done.stderr
    with (folder / "out.csv").open(newline="") as file:
        rows = [row for row in csv.reader(file) if row and not row[0].startswith("#")]
    numbers = sum(1 for row in rows[1:] for cell in row[1:] if cell)
    assert numbers >= listed["samples"]
    (after, *_) = json.loads(ovenwright("runs", "--json", cwd=folder).stdout)["runs"]
    assert (after["state"], after["samples"]) == ("sealed", listed["samples"])


def test_resume_goes_on_and_the_next_start_seals_what_is_left(folder: Path) -> None:
    one = Recording(folder, "plan.toml")
    run_id = one.wait_for("durable", least=10)["run"]
    one.end(signal.SIGKILL)
    two = Recording(folder, "plan.toml", "--resume")
    resumed = two.wait_for("resumed")
    assert resumed["run"] == run_id
    two.wait_for("durable", least=resumed["count"] + 10)
    two.end(signal.SIGKILL)
    three = Recording(folder, "plan.toml")
    left = three.wait_for("recovered")
    assert left["run"] == run_id
    assert left["samples"] >= resumed["count"] + 10
    three.wait_for("durable", least=10)
    assert three.end(signal.SIGINT) == 0
    assert len(json.loads(ovenwright("runs", "--json", cwd=folder).stdout)["runs"]) == 2
    nothing = ovenwright("record", "plan.toml", "--resume", cwd=folder)
    assert nothing.returncode == 2
    assert "nothing to resume" in nothing.stderr
    none = json.loads(ovenwright("record", "--recover", "--json", cwd=folder).stdout)
    assert none == {"event": "recovered", "recordings": []}


def test_two_recordings_at_once_in_one_logbook(folder: Path) -> None:
    both = [Recording(folder, "plan.toml"), Recording(folder, "plan.toml")]
    ids = {one.wait_for("durable", least=10)["run"] for one in both}
    assert len(ids) == 2
    unclear = ovenwright("mark", "door", cwd=folder)
    assert unclear.returncode == 2
    assert "--run" in unclear.stderr
    named = ovenwright("mark", "door", "--run", min(ids), cwd=folder)
    assert named.returncode == 0
    for one in both:
        assert one.end(signal.SIGTERM) == 0
    assert {one.events[-1]["run"] for one in both} == ids


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["record"], "give one of PLAN"),
        (["record", "plan.toml", "--start", "soon"], "is no start"),
        (["record", "plan.toml", "--start", "above=crust:60"], "'crust'"),
        (["record", "plan.toml", "--start", "at=2020-01-01T10:00"], "has passed already"),
        (["record", "plan.toml", "--for", "-1"], "more than 0"),
        (["record", "--stop"], "no recording is going on"),
        (["record", "missing.toml"], "missing.toml"),
        (["mark"], "a mark needs"),
    ],
)
def test_wrong_use_is_told(folder: Path, words: list[str], said: str) -> None:
    done = ovenwright(*words, cwd=folder)
    assert done.returncode == 2
    assert said in done.stderr
    assert not (folder / "logbook").exists()
