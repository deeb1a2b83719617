"""Trying again until told to stop, and saying so; taking turns at a steady pace."""

from __future__ import annotations

from collections.abc import Callable

from ovenwright.domain.live import Batch, Clock, Notice, NoticeKind, Stopping
from ovenwright.sources.back_off import BackOff

_NS = 1_000_000_000


class LinkLife:
    """What one source says of its link, and how it tries again.

    Parameters
    ----------
    waits_for : what is waited for while there is no link, such as ``192.0.2.7:502``
    deliver, stopping, clock : as the source was given them
    back_off : how long to wait before the next try
    """

    def __init__(
        self,
        *,
        waits_for: str,
        deliver: Callable[[Batch], None],
        stopping: Stopping,
        clock: Clock,
        back_off: BackOff | None = None,
    ) -> None:
        self.waits_for = waits_for
        self.deliver = deliver
        self.stopping = stopping
        self.clock = clock
        self._back_off = back_off if back_off is not None else BackOff(first_s=0.3, most_s=20.0)
        self._connected = False

    def tell(
        self, kind: NoticeKind, text: str, *, module: str = "", value: float = float("nan")
    ) -> None:
        """Deliver one notice."""
        self.deliver(Batch(notices=(Notice(kind, self.clock.now_ns(), text, module, value),)))

    def connected(self, text: str = "") -> None:
        """Say that the link stands; called by a session once it knows."""
        if not self._connected:
            self._connected = True
            self.tell(NoticeKind.CONNECTED, text or self.waits_for)

    def worked(self) -> None:
        """Begin anew with short waits; called when something useful came."""
        self._back_off.worked()

    def keep(self, session: Callable[[], None]) -> None:
        """Run `session` again and again until told to stop.

        `session` returns when told to stop, or raises ``OSError`` when the link is gone or was never
        there; any other error is passed on.
        """
        while not self.stopping.is_set():
            self._connected = False
            try:
                session()
            except OSError as cause:
                if self.stopping.is_set():
                    return
                wait_s = self._back_off.next_s()
                why = _words(cause)
                if self._connected:
                    self.tell(NoticeKind.LOST, f"{self.waits_for}: {why}")
                self.tell(NoticeKind.WAITING, f"{self.waits_for}: {why}; trying again in {wait_s:.1f} s")  # fmt: skip
                self.stopping.wait(wait_s)


def _words(cause: OSError) -> str:
    if cause.strerror and cause.errno:
        return cause.strerror.lower()
    return str(cause) or type(cause).__name__


class Pace:
    """Turns on a steady grid of monotonic time; turns that could not be kept are counted.

    Parameters
    ----------
    interval_s : seconds from one turn to the next
    clock : its monotonic time is used, so steps of the time of day do no harm
    """

    def __init__(self, interval_s: float, clock: Clock) -> None:
        self._interval_ns = max(1, round(interval_s * _NS))
        self._clock = clock
        self._due_ns: int | None = None

    def due(self) -> bool:
        """Return whether a turn is due now, and count it as taken."""
        now_ns = self._clock.monotonic_ns()
        if self._due_ns is not None and now_ns < self._due_ns:
            return False
        start_ns = now_ns if self._due_ns is None else self._due_ns
        missed = (now_ns - start_ns) // self._interval_ns
        self._due_ns = start_ns + (missed + 1) * self._interval_ns
        return True

    def wait(self, stopping: Stopping) -> int:
        """Wait for the next turn, the first one at once.

        Returns
        -------
        turns left out because the last one took too long
        """
        now_ns = self._clock.monotonic_ns()
        if self._due_ns is None:
            self._due_ns = now_ns
        missed = max(0, (now_ns - self._due_ns) // self._interval_ns)
        self._due_ns += missed * self._interval_ns
        if self._due_ns > now_ns:
            stopping.wait((self._due_ns - now_ns) / _NS)
        self._due_ns += self._interval_ns
        return int(missed)
