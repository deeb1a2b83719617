"""A forecast beside a recording: a process of its own that reads the journal, and ends with it."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ovenwright.cli.record_events import in_words
from ovenwright.domain.live import Reading
from ovenwright.domain.run import NS, Mark, MarkKind
from ovenwright.recording.assembling import mark_facts
from ovenwright.storage.journal import Journal, JournalHead
from ovenwright.storage.journal_frames import FrameKind
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.virtual import record
from ovenwright.virtual.serving import read_address, scenario_named
from ovenwright.workflow.forecast_beside import ForecastBeside
from ovenwright.workflow.serving_oven import plan_text_for

LIBRARY = read_reference_library(None)
TEXT = plan_text_for("tin-bread-sound", read_address("mqtt://127.0.0.1:1"), LIBRARY)
AIR_ALONE = """
title = "Air alone"
[oven]
kind = "chamber"
name = "oven"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "none"
[recording]
interval_s = 2.0
[[channels]]
name = "air left"
sensor = "T"
role = "air"
"""
START = 1_700_000_000 * NS
SEEN_S = 1400.0


class Heard:
    """Events as they were told, and a way to wait for one."""

    def __init__(self) -> None:
        self.events: list[tuple[str, Mapping[str, Any]]] = []
        self.news = threading.Condition()

    def tell(self, event: str, facts: Mapping[str, Any]) -> None:
        with self.news:
            self.events.append((event, facts))
            self.news.notify_all()

    def wait_for(self, event: str, most_s: float) -> Mapping[str, Any]:
        def found() -> list[Mapping[str, Any]]:
            return [facts for name, facts in self.events if name == event]

        with self.news:
            assert self.news.wait_for(found, most_s), f"no {event} among {self.events}"
            return found()[-1]


def begun(book: Logbook, plan_toml: str) -> tuple[Journal, dict[str, float]]:
    """Begin a journal and put half of a bake into it; gives it and when each core passes 90 °C."""
    bake = record(scenario_named("tin-bread-sound"), seed=3)
    names = tuple(c.name for c in parse_plan(plan_toml).channels)
    head = JournalHead("beside", "Rye", names, plan_toml, START, interval_s=2.0)
    journal = Journal.create(book.journals_dir, head)
    rows = [(n, bake.names.index(n)) for n in names]
    readings = []
    for k in np.flatnonzero(bake.time_s <= SEEN_S):
        at = START + round(float(bake.time_s[k]) * NS)
        readings += [Reading(n, at, at, float(bake.reading_c[k, i])) for n, i in rows]
    now = START + round(SEEN_S * NS)
    for first in range(0, len(readings), 400):
        journal.append(readings[first : first + 400], now_ns=now)
    entry = Mark(MarkKind.LOAD_IN, START + round(float(bake.load_in_s) * NS), "load-in")
    journal.append((), [(FrameKind.MARK, mark_facts(entry))], now_ns=now)
    truth = {n: float(bake.time_s[np.argmax(bake.reading_c[:, i] >= 93.0)]) for n, i in rows}
    return journal, truth


@pytest.mark.slow
def test_it_reads_the_journal_while_it_is_recorded(tmp_path: Path) -> None:
    book, heard = Logbook(tmp_path / "book"), Heard()
    journal, truth = begun(book, TEXT)
    with journal, ForecastBeside(book.folder, None, heard.tell) as beside:
        beside.tell("recording", {"run": "beside", "reason": "at once"})
        told = heard.wait_for("forecast", 300.0)
    assert heard.events[0][0] == "recording"  # the recorder's own news goes through
    assert told["run"] == "beside"
    assert not told["refused"]
    found = {f["channel"]: f for f in told["found"] if f["temp_c"] == 93.0}
    assert set(found) == {"core left", "core centre", "core right"}
    for name, one in found.items():
        low, high = one["interval_90"]
        early, late = one["interval_50"]
        assert low < early < one["in_s"] < late < high
        # what the virtual oven did afterwards, from the newest reading on
        assert one["in_s"] == pytest.approx(truth[name] - SEEN_S, rel=0.5)
    assert "proves nothing" in in_words("forecast", told)


def test_a_plan_without_cores_is_told_once_and_the_process_ends(tmp_path: Path) -> None:
    book, heard = Logbook(tmp_path / "book"), Heard()
    journal, _ = begun(book, AIR_ALONE)
    with journal, ForecastBeside(book.folder, None, heard.tell) as beside:
        beside.tell("resumed", {"run": "beside", "count": 1})
        told = heard.wait_for("forecast", 300.0)
        assert beside.process is not None
        child = beside.process.child
        assert child is not None
        assert child.wait(300.0) == 0
    assert not told["found"]
    assert "role core" in told["refused"]
    assert in_words("forecast", told).startswith("no forecast: the plan gives")


def test_it_ends_when_the_recorder_is_killed(tmp_path: Path) -> None:
    book, heard = Logbook(tmp_path / "book"), Heard()
    journal, _ = begun(book, TEXT)
    with journal, ForecastBeside(book.folder, None, heard.tell) as beside:
        beside.tell("recording", {"run": "beside", "reason": "at once"})
        until = time.monotonic() + 30
        assert beside.process is not None
        while beside.process.child is None and time.monotonic() < until:
            time.sleep(0.01)
        child = beside.process.child
        assert child is not None
        assert child.stdin is not None
        child.stdin.close()  # as the system does with a killed process' pipes
        assert child.wait(300.0) == 0


def test_a_process_that_dies_is_told_and_holds_nothing_up(tmp_path: Path) -> None:
    book, heard = Logbook(tmp_path / "book"), Heard()
    journal, _ = begun(book, TEXT)
    with journal, ForecastBeside(book.folder, tmp_path / "none.toml", heard.tell) as beside:
        beside.tell("recording", {"run": "beside", "reason": "at once"})  # its kinetics are missing
        told = heard.wait_for("forecast", 300.0)
    assert not told["found"]
    assert "ended by itself" in told["refused"]
    assert "the recording goes on" in in_words("forecast", told)
