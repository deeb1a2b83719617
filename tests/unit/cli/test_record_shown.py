"""What a person or a program sees of a recording: lines, JSON, the live view and its keys."""

from __future__ import annotations

import io
import json
import math
import os
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from ovenwright.cli.record_events import EventPrinter, in_words
from ovenwright.cli.record_view import LiveView, render
from ovenwright.domain.run import MarkKind
from ovenwright.recording.latest import Coming, Health, Shown
from ovenwright.recording.life import State
from ovenwright.recording.recorder import Snapshot
from ovenwright.testing.recording_bench import Bench, Ticking

SNAPSHOT = Snapshot(
    state=State.RECORDING,
    run_id="2026-loaf",
    elapsed_s=3725.0,
    planned_s=7200.0,
    waiting_for="",
    durable=12345,
    unflushed=5000,
    channels=(
        Shown("core", 61.04, 1.25, Health.OK, 0.1, 100),
        Shown("air", math.nan, math.nan, Health.SILENT, 42.0, 7),
    ),
    coming=(Coming("core 93 °C", "core", 93.0, 754.0),),
    alarms=(("too hot", "air"),),
    marks=(),
    remarks=(),
    links=("gw1: battery 50%, signal -67",),
)


def shown(snapshot: Snapshot, unit: str) -> str:
    out = io.StringIO()
    Console(file=out, width=80, highlight=False).print(render(snapshot, ("door",), unit))
    return out.getvalue()


def test_the_live_view_says_what_a_person_needs_within_80_columns() -> None:
    text = shown(SNAPSHOT, "C")
    for words in (
        "recording 2026-loaf  1:02:05 of 2:00:00  12,345 readings durable",
        "61.0", "+1.2", "silent 42 s", "core 93 °C in 12:34", "ALARM too hot: air", "gw1: battery 50%, signal -67",
        "5,000 readings wait for the disk", "door", "q stop and seal",
    ):  # fmt: skip
        assert words in text, text
    assert max(map(len, text.splitlines())) <= 80
    fahrenheit = shown(SNAPSHOT, "F")
    assert "141.9" in fahrenheit  # 61.04 °C
    assert "+2.2" in fahrenheit  # 1.25 K/min is 2.25 °F/min


def test_json_lines_are_plain_and_in_order() -> None:
    out = io.StringIO()
    with EventPrinter(out, as_json=True) as printer:
        printer.tell(
            "mark", {"kind": "door", "time_ns": 1_772_633_520_000_000_000, "until_ns": None}
        )
        printer.tell("alarm", {"value": math.nan})
    first, second = (json.loads(line) for line in out.getvalue().splitlines())
    assert first == {
        "event": "mark", "kind": "door", "time": "2026-03-04T14:12:00.000000000Z", "until": None,
    }  # fmt: skip
    assert second == {"event": "alarm", "value": None}


def test_lines_for_people() -> None:
    assert in_words("durable", {"count": 5}) == ""
    assert (
        in_words("waiting", {"for": "the product to enter"}) == "waiting for the product to enter"
    )
    refused = {"error": "the disk is full", "unflushed": 2000, "room_for": 498_000}
    assert "2,000 readings are held in memory" in in_words("disk refuses", refused)
    assert in_words("notice", {"kind": "battery", "text": "", "module": "g"}) == ""


class Stuck(io.StringIO):
    """Standard output that somebody has paused, and then left."""

    def __init__(self) -> None:
        super().__init__()
        self.go = threading.Event()

    def write(self, text: str) -> int:
        self.go.wait(10)
        raise BrokenPipeError


def test_a_reader_that_stands_still_or_goes_holds_nothing_up() -> None:
    out = Stuck()
    with EventPrinter(out, as_json=True) as printer:
        began = time.monotonic()
        for i in range(30_000):
            printer.tell("durable", {"count": i})
        assert time.monotonic() - began < 3.0
        assert printer._waiting.qsize() <= 10_001  # the newest of what passes is left out
        out.go.set()


@pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX terminal")
def test_keys_set_marks_and_stop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import pty

    ours, theirs = pty.openpty()
    bench = Bench(tmp_path)
    with os.fdopen(theirs, "r", closefd=True) as keyboard:
        monkeypatch.setattr(sys, "stdin", keyboard)
        view = LiveView("C")
        view._live.console = Console(file=io.StringIO(), width=80)
        recorder = bench.recorder([Ticking(bench.steady)], watch=view.watch)

        def press() -> None:
            while not bench.events("durable"):
                time.sleep(0.01)
            for key in (b"d", b"x", b"i", b"q"):
                os.write(ours, key)
                time.sleep(0.1)

        hand = threading.Thread(target=press)
        with view:
            view.serve_keys(recorder)
            hand.start()
            sealed = recorder.run(bench.stopping)
        hand.join()
    os.close(ours)
    assert sealed is not None
    kinds: list[Any] = [m.kind for m in sealed.run.marks if m.by == "person"]
    assert kinds == [MarkKind.DOOR, MarkKind.LOAD_IN]
    assert bench.events("stopping")[0]["reason"] == "stopped by a person"
