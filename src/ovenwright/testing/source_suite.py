"""What a test of a source needs: the source running in its thread, and all that it delivered."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import TracebackType

from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading, Source
from ovenwright.errors import OvenwrightError


class SystemClock:
    """The computer's own time of day and monotonic time."""

    def now_ns(self) -> int:
        """Return UTC nanoseconds."""
        return time.time_ns()

    def monotonic_ns(self) -> int:
        """Return nanoseconds that never step."""
        return time.monotonic_ns()


class Listening:
    """A source that runs in a thread while the context lasts, and what it delivered.

    Every batch is acknowledged, as a recorder does once it is durable. Trouble that the source raises
    is kept in ``trouble``. Leaving the context tells the source to stop and asserts that it does.

    Parameters
    ----------
    source : the source under test
    delay_s : how long each delivery takes, to act as a slow recorder
    """

    def __init__(self, source: Source, *, delay_s: float = 0.0) -> None:
        self.batches: list[Batch] = []
        self.trouble: BaseException | None = None
        self._delay_s = delay_s
        self._source = source
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=source.name)

    def _run(self) -> None:
        try:
            self._source.run(self._take, self._stopping)
        except OvenwrightError as cause:
            self.trouble = cause

    def _take(self, batch: Batch) -> None:
        if self._delay_s:
            time.sleep(self._delay_s)
        self.batches.append(batch)
        batch.acknowledge()

    def __enter__(self) -> Listening:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stopping.set()
        self._thread.join(10.0)
        if self._thread.is_alive():
            raise AssertionError(f"{self._source.name} does not stop")

    @property
    def readings(self) -> list[Reading]:
        """All readings so far, as they came."""
        return [r for b in list(self.batches) for r in b.readings]

    @property
    def notices(self) -> list[Notice]:
        """All notices so far, as they came."""
        return [n for b in list(self.batches) for n in b.notices]

    def kinds(self) -> list[NoticeKind]:
        """Return what the notices so far are about."""
        return [n.kind for n in self.notices]

    def until(self, happened: Callable[[], object], *, seconds: float = 8.0) -> None:
        """Wait until something holds.

        Raises
        ------
        AssertionError : if it does not within `seconds`; shows what came last
        """
        end = time.monotonic() + seconds
        while not happened():
            if time.monotonic() > end:
                raise AssertionError(
                    f"did not happen; last {self.readings[-3:]}, {self.notices[-5:]}, {self.trouble}"
                )
            time.sleep(0.01)
