"""A bench for recorders and sources: a plan, a clock that can be stepped, sources that obey."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ovenwright.domain.live import Batch, Reading, Stopping
from ovenwright.domain.plan import Plan
from ovenwright.recording.pace import Pace
from ovenwright.recording.recorder import Recorder
from ovenwright.recording.rules import Start
from ovenwright.recording.sealing import Sealed
from ovenwright.recording.steady_clock import SteadyClock, SystemClock
from ovenwright.storage.journal import Journal, JournalHead
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_file import parse_plan

NS = 1_000_000_000
PLAN = """
title = "Trial"
[oven]
kind = "chamber"
name = "oven"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "loaf"
[recording]
interval_s = 0.1
[[channels]]
name = "core"
sensor = "T"
role = "core"
[[channels]]
name = "air"
sensor = "K"
role = "air"
[[crossings]]
level_c = 60.0
on = "core"
"""
QUICK = Pace(turn_s=0.01, told_s=0.0, shown_s=0.0, retry_s=0.05, goodbye_s=2.0)


def plan_of(extra: str = "") -> tuple[Plan, str]:
    """Return the bench's plan and its text, with more TOML set in after the recording's interval."""
    text = PLAN.replace("interval_s = 0.1\n", "interval_s = 0.1\n" + extra) if extra else PLAN
    return parse_plan(text), text


class StepClock(SystemClock):
    """The computer's clock, stepped at will."""

    away_ns = 0

    def now_ns(self) -> int:
        """Return UTC nanoseconds, stepped."""
        return super().now_ns() + self.away_ns


@dataclass
class Scripted:
    """A source that delivers what it is given, batch by batch, and then falls silent."""

    batches: Sequence[Batch]
    pause_s: float = 0.0
    name: str = "scripted"

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver them."""
        for batch in self.batches:
            deliver(batch)
            if stopping.wait(self.pause_s):
                return
        while not stopping.wait(0.02):
            pass


def _counting(_: str, count: int) -> float:
    return 20.0 + count


@dataclass
class Ticking:
    """A source that gives both channels a reading at a steady pace, by a function of the count."""

    clock: SteadyClock
    value: Callable[[str, int], float] = _counting
    pause_s: float = 0.02
    name: str = "ticking"
    delivered: int = 0
    on_count: Mapping[int, Callable[[], None]] = field(default_factory=dict)

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver until told to stop."""
        while not stopping.is_set():
            i = self.delivered
            if i in self.on_count:
                self.on_count[i]()
            now = self.clock.now_ns()
            deliver(Batch(tuple(Reading(c, now, now, self.value(c, i)) for c in ("core", "air"))))
            self.delivered += 1
            stopping.wait(self.pause_s)


@dataclass
class Bench:
    """A recorder on a bench: its logbook, clock and what it told."""

    folder: Path
    clock: StepClock = field(default_factory=StepClock)
    told: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    stopping: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.book = Logbook(self.folder / "book")
        self.steady = SteadyClock(self.clock)

    def tell(self, event: str, facts: Mapping[str, Any]) -> None:
        """Take news of the recording."""
        self.told.append((event, dict(facts)))

    def events(self, name: str) -> list[dict[str, Any]]:
        """Return the facts of every event of that name."""
        return [facts for event, facts in self.told if event == name]

    def recorder(self, sources: Sequence[Any], *, extra: str = "", **more: Any) -> Recorder:
        """Return a recorder on these sources; ``extra`` goes into the plan, the rest to it."""
        plan, text = plan_of(extra)

        def begin(started_ns: int) -> Journal:
            names = tuple(c.name for c in plan.channels)
            head = JournalHead("run", plan.title, names, text, started_ns, interval_s=0.1)
            return Journal.create(self.book.journals_dir, head)

        return Recorder(
            plan,
            sources,
            clock=self.steady,
            logbook=self.book,
            begin=begin,
            tell=self.tell,
            **({"pace": QUICK} | more),
        )

    def record(
        self,
        sources: Sequence[Any],
        *,
        start: Start | None = None,
        resume: Journal | None = None,
        **more: Any,
    ) -> Sealed | None:
        """Record to the end."""
        return self.recorder(sources, start=start, **more).run(self.stopping, resume=resume)

    def stop_when(self, condition: Callable[[], bool], *, within_s: float = 10.0) -> None:
        """Set the stopping event once a condition holds, from a thread of its own."""

        def work() -> None:
            until = time.monotonic() + within_s
            while not condition() and time.monotonic() < until:
                time.sleep(0.005)
            self.stopping.set()

        threading.Thread(target=work, daemon=True).start()
