"""Kills recorders at random moments and counts what of their readings survives; run as a program.

    python kill_recorders.py FOLDER KILLS SEED

Each recorder is a forked process that resumes the journal of the one killed before it. It says on a
pipe what it reported durable and what it acknowledged; all of that must be in the journal after the
kill. Now and then the journal is sealed instead, and the sealed run must hold every reading.
"""

from __future__ import annotations

import json
import os
import random
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ovenwright.domain.live import Batch, Reading, Stopping
from ovenwright.domain.run import MarkKind
from ovenwright.recording.pace import Pace
from ovenwright.recording.recorder import Recorder
from ovenwright.recording.sealing import seal_left_behind
from ovenwright.recording.steady_clock import SteadyClock, SystemClock
from ovenwright.storage.journal import Journal, JournalFiles, JournalHead, journal_files
from ovenwright.storage.journal_reading import recover, resume
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_file import parse_plan

CHANNELS = tuple(f"c{i}" for i in range(8))
PLAN = """
title = "Killed"
[oven]
kind = "chamber"
name = "o"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "p"
[recording]
interval_s = 0.002
""" + "".join(f'[[channels]]\nname = "{c}"\nsensor = "T"\nrole = "air"\n' for c in CHANNELS)
BASE_NS = 1_772_633_520_000_000_000
STEP_NS = 2_000_000
KILLS_A_JOURNAL = 12


@dataclass
class Endless:
    """A source with an instrument's own time and count; goes back a little when it begins anew."""

    first: int
    acknowledged: Callable[[int], None]
    name: str = "endless"

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        count = self.first
        while not stopping.is_set():
            time_ns = BASE_NS + count * STEP_NS
            readings = tuple(
                Reading(c, time_ns, time.time_ns(), count + i / 8, sequence=count)
                for i, c in enumerate(CHANNELS)
            )
            deliver(Batch(readings, acknowledge=lambda n=count: self.acknowledged(n)))  # type: ignore[misc]
            count += 1
            if count % 4 == 0:
                stopping.wait(0.002)


def record_until_killed(book: Logbook, pipe: int, first: int) -> None:
    def say(words: str) -> None:
        os.write(pipe, f"{words}\n".encode())

    def tell(event: str, facts: Mapping[str, Any]) -> None:
        if event == "durable":
            say(f"d {facts['count']}")

    clock = SteadyClock(SystemClock())
    left = [f for f in journal_files(book.journals_dir) if not f.recording]
    journal = None
    if left:
        journal = resume(recover(left[0]))

    def begin(started_ns: int) -> Journal:
        head = JournalHead("killed", "Killed", CHANNELS, PLAN, started_ns, interval_s=0.002)
        return Journal.create(book.journals_dir, head)

    Recorder(
        parse_plan(PLAN),
        [Endless(first, lambda n: say(f"a {n}"))],
        clock=clock,
        logbook=book,
        begin=begin,
        tell=tell,
        pace=Pace(turn_s=0.005, told_s=0.0),
    ).run(threading.Event(), resume=journal)


@dataclass
class Tally:
    kills: int = 0
    sealed: int = 0
    durable: int = 0
    survived: int = 0
    acknowledged: int = 0
    lost: int = 0
    lost_after_acknowledging: int = 0
    cut_short: int = 0  # kills in the midst of a write
    damage: list[str] = field(default_factory=list)
    bare_runs: list[str] = field(default_factory=list)


def _kill_one(book: Logbook, first: int, moment_s: float) -> tuple[int, int]:
    """Return the count last reported durable and the last batch acknowledged."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(out)
        try:
            record_until_killed(book, into, first)
        finally:
            os._exit(3)
    os.close(into)
    said = b""
    deadline = time.monotonic() + 30.0
    until = None
    while True:
        now = time.monotonic()
        if until is None and b"d " in said:
            until = now + moment_s
        if (until is not None and now >= until) or now > deadline:
            break
        wait = 0.05 if until is None else max(0.0, until - now)
        if select.select([out], [], [], wait)[0]:
            piece = os.read(out, 65536)
            if not piece:
                break
            said += piece
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while piece := os.read(out, 65536):
        said += piece
    os.close(out)
    lines = said.decode().splitlines()
    durable = [int(line[2:]) for line in lines if line.startswith("d ")]
    acknowledged = [int(line[2:]) for line in lines if line.startswith("a ")]
    return max(durable, default=0), max(acknowledged, default=-1)


def _seal(book: Logbook, files: JournalFiles, expected: int, tally: Tally) -> None:
    sealed = seal_left_behind(book, files)
    tally.sealed += 1
    if sealed.run.samples != expected or not book.verify(sealed.run.id).seal_intact:
        tally.lost += abs(expected - sealed.run.samples)
    if not any(m.kind is MarkKind.GAP for m in sealed.run.marks):
        tally.bare_runs.append(sealed.run.id)


def kill_recorders(folder: Path, kills: int, seed: int) -> Tally:
    chance = random.Random(seed)
    tally = Tally()
    book = Logbook(folder)
    first = 0
    for turn in range(kills):
        durable, acknowledged = _kill_one(book, max(0, first - 5), chance.uniform(0.0, 0.06))
        (files,) = journal_files(book.journals_dir)
        held = recover(files)
        tally.kills += 1
        tally.durable = durable
        tally.cut_short += held.unfinished > 0
        tally.damage += held.damage
        there = held.unique
        tally.survived += there
        tally.lost += max(0, durable - there)
        sequences = set(held.rows["sequence"].tolist())
        missing = [n for n in range(max(0, first - 5), acknowledged + 1) if n not in sequences]
        tally.acknowledged += acknowledged + 1 - first if acknowledged >= first else 0
        tally.lost_after_acknowledging += len(missing)
        first = max(first, acknowledged + 1)
        if turn % KILLS_A_JOURNAL == KILLS_A_JOURNAL - 1 or turn == kills - 1:
            _seal(book, files, there, tally)
            first = 0
    return tally


if __name__ == "__main__":
    print(json.dumps(vars(kill_recorders(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))))
