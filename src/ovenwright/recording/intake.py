"""Batches from the threads of the sources to the one thread of the recorder."""

from __future__ import annotations

import queue
import threading
from collections.abc import Sequence

from ovenwright.domain.live import Batch, Source
from ovenwright.errors import InstrumentTrouble, OvenwrightError

_TURN_S = 0.2


class Intake:
    """Runs every source in a thread of its own and holds what they deliver, within bounds.

    When it is full, sources wait: a broker then keeps what it was not told is safe.

    Parameters
    ----------
    sources : where readings come from
    most : how many batches are held at once
    """

    def __init__(self, sources: Sequence[Source], *, most: int = 2000) -> None:
        self._sources = sources
        self._queue: queue.Queue[Batch] = queue.Queue(maxsize=most)
        self._halt = threading.Event()
        self._never = threading.Event()
        self._threads: list[threading.Thread] = []
        self._troubles: queue.Queue[tuple[str, OvenwrightError]] = queue.Queue()

    def start(self) -> None:
        """Begin to listen."""
        for source in self._sources:
            thread = threading.Thread(
                target=self._feed, args=(source,), name=f"source {source.name}", daemon=True
            )
            self._threads.append(thread)
            thread.start()

    def _feed(self, source: Source) -> None:
        try:
            source.run(self._deliver, self._halt)
        except OvenwrightError as trouble:
            self._troubles.put((source.name, trouble))
        except Exception as cause:  # noqa: BLE001  # a fault of one source must not end the others
            unforeseen = InstrumentTrouble(
                f"the link failed in a way nobody foresaw: {type(cause).__name__}: {cause}",
                where=source.name,
                remedy="start again; if it comes back, report it",
            )
            unforeseen.__cause__ = cause
            self._troubles.put((source.name, unforeseen))

    def _deliver(self, batch: Batch) -> None:
        while True:
            try:
                self._queue.put(batch, timeout=_TURN_S)
            except queue.Full:
                if self._halt.is_set():
                    return  # never acknowledged, so whoever can will send it again
            else:
                return

    def take(self, *, most_readings: int) -> list[Batch]:
        """Return what has come, in order, without waiting."""
        found: list[Batch] = []
        count = 0
        while count < most_readings:
            try:
                batch = self._queue.get_nowait()
            except queue.Empty:
                break
            found.append(batch)
            count += len(batch.readings) or 1
        return found

    def troubles(self) -> list[tuple[str, OvenwrightError]]:
        """Return which sources ended since the last call, and why."""
        found = []
        while not self._troubles.empty():
            found.append(self._troubles.get_nowait())
        return found

    @property
    def alive(self) -> int:
        """How many sources are at work."""
        return sum(t.is_alive() for t in self._threads)

    def idle(self, seconds: float) -> None:
        """Wait, when the sources have ended and only the disk is waited for."""
        self._never.wait(seconds)

    def halt(self) -> None:
        """Tell the sources to stop."""
        self._halt.set()

    def join(self, timeout_s: float) -> bool:
        """Wait for the sources to end; return whether they have."""
        share = timeout_s / max(1, len(self._threads))
        for thread in self._threads:
            thread.join(share)
        return self.alive == 0
