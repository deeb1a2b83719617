"""Watch a plan's instruments for a while: what a check rests on."""

from __future__ import annotations

import math
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ovenwright.conditioning.proof.fixed_point import Point
from ovenwright.conditioning.proof.gathering import CommonAxis, Gathering
from ovenwright.conditioning.proof.touching import Moving, TouchEvent, TouchKind, TouchWatch
from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading, Source, Stopping
from ovenwright.domain.plan import Plan
from ovenwright.domain.proof import Grade, Remark
from ovenwright.errors import InstrumentTrouble, OvenwrightError
from ovenwright.wire.celsius import celsius_of

AFTER_LAST_TOUCH_S = 45.0
_QUEUE = 4_096
_LOOK_S = 0.1
_NO_TOUCH = {TouchKind.TIME_CONSTANT, TouchKind.RESTLESS}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be proved.

    ``seconds`` is how long is watched, a fitting time where it is None. ``order`` names the sensors
    in the order of touching; ``("plan",)`` stands for the plan's own. ``in_bath`` names the sensors
    in the fixed point; those that come near it when left out. The air pressure for boiling water is
    measured, follows from an altitude, or stands in the plan.
    """

    seconds: float | None = None
    touch: bool = False
    order: tuple[str, ...] = ()
    fixed_point: Point | None = None
    in_bath: tuple[str, ...] = ()
    pressure_kpa: float | None = None
    altitude_m: float | None = None
    ambient: bool = True


@dataclass(frozen=True, slots=True)
class Look:
    """What a live view shows."""

    elapsed_s: float
    of_s: float
    readings: int
    moving: tuple[Moving, ...]
    events: tuple[TouchEvent, ...]  # new since the last look
    learnt: bool
    touch: bool
    notices: tuple[Notice, ...]
    restless: tuple[str, ...] = ()  # channels that moved already: their rest is waited for


def usual_seconds(plan: Plan, wanted: Wanted) -> float:
    """Return how long a check watches when nobody says."""
    scans = 12 * plan.recording.interval_s
    if wanted.touch or wanted.order:
        return max(20.0, scans) + 25.0 * len(plan.channels) + AFTER_LAST_TOUCH_S
    if wanted.fixed_point is not None:
        return max(40.0, scans)
    return min(max(10.0, scans), 300.0)


class Watching:
    """The sources, each in its thread, and what they deliver."""

    def __init__(self, plan: Plan, wanted: Wanted, sources: Sequence[Source]) -> None:
        self.plan = plan
        self.wanted = wanted
        self.sources = tuple(sources)
        self.axis = CommonAxis()
        self.gathering = Gathering(plan, self.axis)
        self.touching: TouchWatch | None = None
        if wanted.touch or wanted.order:
            self.touching = TouchWatch(
                [c.name for c in plan.channels],
                modules={c.name: c.module for c in plan.channels},
                axis=self.axis,
            )
        self.events: list[TouchEvent] = []
        self._channels = {c.name: c for c in plan.channels}
        self._queue: queue.Queue[Batch] = queue.Queue(_QUEUE)
        self._stop = threading.Event()
        self._failed: dict[str, OvenwrightError] = {}
        self._notices: list[Notice] = []
        self._last_touch_s = math.nan

    def run(self, stopping: Stopping, watch: Callable[[Look], None] | None) -> float:
        """Watch until the time is over, all is proved or it is told to stop; return how long."""
        seconds = self.wanted.seconds or usual_seconds(self.plan, self.wanted)
        threads = [
            threading.Thread(target=self._one, args=(s,), name=f"check {s.name}", daemon=True)
            for s in self.sources
        ]
        began = time.monotonic()
        for thread in threads:
            thread.start()
        shown = 0.0
        told = 0
        try:
            while not stopping.is_set():
                elapsed = time.monotonic() - began
                if elapsed >= seconds or self._complete(elapsed):
                    break
                if len(self._failed) == len(threads):
                    break
                self._take(until=began + elapsed + _LOOK_S)
                if watch is not None and elapsed - shown >= _LOOK_S:
                    watch(self._look(elapsed, seconds, told))
                    shown, told = elapsed, len(self.events)
        finally:
            lasted = time.monotonic() - began
            self._stop.set()
            self._drain(threads)
        if self.touching is not None:
            self.events += self.touching.finish()
        if watch is not None:
            watch(self._look(lasted, seconds, told))
        self._nothing_at_all(lasted)
        return lasted

    def _one(self, source: Source) -> None:
        try:
            source.run(self._deliver, self._stop)
        except OvenwrightError as trouble:
            self._failed[source.name] = trouble
        except Exception as trouble:  # noqa: BLE001 - one broken link must not end the others
            self._failed[source.name] = InstrumentTrouble(
                f"the link broke down: {type(trouble).__name__}: {trouble}", where=source.name
            )

    def _deliver(self, batch: Batch) -> None:
        while not self._stop.is_set():
            try:
                self._queue.put(batch, timeout=0.2)
            except queue.Full:
                continue
            return

    def _take(self, *, until: float) -> None:
        while True:
            left = until - time.monotonic()
            if left <= 0:
                return
            try:
                batch = self._queue.get(timeout=left)
            except queue.Empty:
                return
            self._one_batch(batch)

    def _drain(self, threads: Sequence[threading.Thread]) -> None:
        end = time.monotonic() + 5.0
        while any(t.is_alive() for t in threads) and time.monotonic() < end:
            self._take(until=time.monotonic() + 0.05)
        for thread in threads:
            thread.join(0.1)
        while True:
            try:
                self._one_batch(self._queue.get_nowait())
            except queue.Empty:
                return

    def _one_batch(self, batch: Batch) -> None:
        self.gathering.note(batch.notices)
        self._notices = [*self._notices, *batch.notices][-20:]
        counted: list[Reading] = []
        for reading in batch.readings:
            channel = self._channels.get(reading.channel)
            if channel is None or not reading.known:
                self.gathering.take(reading, math.nan, reading.quality)
                continue
            value, quality = celsius_of(reading, channel)
            if self.gathering.take(reading, value, quality) is not None:
                counted.append(
                    Reading(
                        reading.channel,
                        reading.time_ns,
                        reading.received_ns,
                        value,
                        quality=quality,
                        module=reading.module,
                    )
                )
        if self.touching is not None and counted:
            events = self.touching.feed(counted)
            self.events += events
            if any(e.kind not in _NO_TOUCH for e in events):
                self._last_touch_s = time.monotonic()
        batch.acknowledge()

    def _complete(self, elapsed: float) -> bool:
        """Whether all were touched and have fallen back far enough to be timed."""
        if self.touching is None or self.wanted.seconds is not None or self.touching.missing:
            return False
        timed = set(self.touching.time_constants)
        waited = time.monotonic() - self._last_touch_s
        return elapsed > 0 and (timed >= set(self._channels) or waited > AFTER_LAST_TOUCH_S)

    def _look(self, elapsed: float, seconds: float, told: int) -> Look:
        if self.touching is not None:
            moving, learnt = self.touching.moving(), self.touching.learnt
        else:
            learnt = True
            moving = tuple(
                Moving(name, self.gathering.latest_c(name), 0.0, False, False, True)
                for name in self._channels
            )
        return Look(
            elapsed_s=elapsed,
            of_s=seconds,
            readings=self.gathering.readings,
            moving=moving,
            events=tuple(self.events[told:]),
            learnt=learnt,
            touch=self.touching is not None,
            notices=tuple(self._notices[-3:]),
            restless=self.touching.restless if self.touching is not None else (),
        )

    def troubles(self) -> list[Remark]:
        """Return remarks on instruments that could not be read at all."""
        return [
            Remark(Grade.FAULT, "link", f"{name}: {trouble.what}", trouble.remedy)
            for name, trouble in self._failed.items()
        ]

    def _nothing_at_all(self, lasted: float) -> None:
        if self.gathering.readings or self.gathering.strangers:
            return
        for trouble in self._failed.values():
            raise trouble
        words = [
            n.text
            for n in self._notices
            if n.kind in {NoticeKind.WAITING, NoticeKind.LOST, NoticeKind.REFUSED} and n.text
        ]
        raise InstrumentTrouble(
            f"nothing came in {lasted:.0f} s" + (f": {words[-1]}" if words else ""),
            where=", ".join(s.name for s in self.sources),
            remedy="check power, cable and address; ovenwright find shows what can be heard",
        )
