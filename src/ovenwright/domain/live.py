"""What flows while a test is recorded: readings, notices, batches, and the port they come through."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

from ovenwright.domain.run import Quality


@dataclass(frozen=True, slots=True)
class Reading:
    """One number from one channel, as the instrument gave it.

    ``channel`` is the plan's channel name where the source's mapping knows it, else the
    instrument's own key, such as ``gw1/3``. ``time_ns`` is the instrument's own time where it gives
    one, else the time of receipt; ``received_ns`` is always ours. ``unit`` is ``degC``, ``degF``,
    ``K``, ``mV`` (then ``reference_c`` is the reference-junction temperature, NaN if unknown),
    ``ohm`` or ``signal``. ``value`` is NaN when the instrument delivered no number and ``quality``
    then says why. ``sequence`` is the instrument's own count, for telling repeats and losses.
    """

    channel: str
    time_ns: int
    received_ns: int
    value: float
    unit: str = "degC"
    quality: Quality = Quality.GOOD
    reference_c: float = float("nan")
    module: str = ""
    sequence: int | None = None
    late: bool = False  # delivered from the instrument's own store after a break
    known: bool = True  # False where the plan's mapping does not know it: shown, never recorded


class NoticeKind(StrEnum):
    """What a notice is about."""

    WAITING = "waiting"  # says for what
    CONNECTED = "connected"
    LOST = "lost"  # the link went; it is being tried again
    BATTERY = "battery"  # value is a share, 0 to 1
    SIGNAL = "signal"  # value as the instrument gives it, dBm or a share
    LOSS = "loss"  # value counts readings the instrument says were lost
    REFILLED = (
        "refilled"  # value counts readings fetched from the instrument's own memory after a gap
    )
    REFUSED = "refused"  # something came that can't be decoded; says what
    CLOCK = "clock"  # value is the instrument's clock minus ours, seconds
    REBOOTED = "rebooted"  # the instrument's sequence began anew
    IDENTITY = "identity"  # who it is: text in words, serial and firmware as it tells them


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the instrument or the link says beside its readings."""

    kind: NoticeKind
    received_ns: int
    text: str = ""
    module: str = ""
    value: float = float("nan")
    serial: str = ""
    firmware: str = ""

    @property
    def said(self) -> str:
        """What it says, without its module: a bare address becomes a sentence."""
        if self.kind is not NoticeKind.CONNECTED or not self.text:
            return self.text or self.kind.value
        if " " not in self.text:
            return f"connected to {self.text}"
        return f"connected {self.text}" if self.text.startswith("to ") else self.text


def _nothing() -> None:
    return None


@dataclass(frozen=True, slots=True)
class Batch:
    """What came at once. ``acknowledge`` is called after it is durable, never before."""

    readings: tuple[Reading, ...] = ()
    notices: tuple[Notice, ...] = ()
    acknowledge: Callable[[], None] = field(default=_nothing, compare=False)


class Stopping(Protocol):
    """What tells a source to stop: an event of the threading library does."""

    def is_set(self) -> bool:
        """Whether to stop now."""
        ...

    def wait(self, timeout: float) -> bool:
        """Wait so many seconds at most; return whether to stop now."""
        ...


class Source(Protocol):
    """Where readings come from. Runs in a thread of its own.

    ``run`` returns only when told to stop. It delivers batches as they come, reconnects by itself
    with back-off and says so by notices; trouble of the instrument or the link is a notice, trouble
    that no waiting can mend (a wrong password, a plan that can't fit) is an
    :class:`~ovenwright.errors.OvenwrightError`. ``deliver`` may block for a moment: a source keeps
    what it can, and what it must drop it counts in a LOSS notice.
    """

    @property
    def name(self) -> str:
        """What people call it, such as ``mqtt 127.0.0.1:1883``."""
        ...

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver batches until told to stop."""
        ...


class Clock(Protocol):
    """The time of day, so that tests can step it."""

    def now_ns(self) -> int:
        """Return UTC nanoseconds."""
        ...

    def monotonic_ns(self) -> int:
        """Return nanoseconds that never step."""
        ...
