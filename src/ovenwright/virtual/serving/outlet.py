"""Where scans go: the port every protocol fits, and what an instrument may do wrong on the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from ovenwright.errors import OutOfRange
from ovenwright.virtual.serving.frames import Frame


class Outlet(Protocol):
    """A protocol that serves scans. Everything is called from one thread."""

    @property
    def url(self) -> str:
        """Where it is served, with the port that was really taken."""
        ...

    def open(self) -> None:
        """Begin to serve."""
        ...

    def send(self, frames: tuple[Frame, ...]) -> None:
        """Hand over one scan; never blocks for long."""
        ...

    def tick(self) -> None:
        """Do what is waiting to be done; called many times a second."""
        ...

    def close(self) -> None:
        """Deliver what can still be delivered and stop serving."""
        ...

    def waits_for(self) -> str:
        """Return in a few words what it is waiting for, "" where readings get through."""
        ...

    def story(self) -> str:
        """Return in a few words what became of the scans, "" where there is nothing to tell."""
        ...


@dataclass(frozen=True, slots=True)
class Mischief:
    """What a gateway does wrong on purpose, so that recorders can be tried.

    ``away`` are stretches (from, for) in seconds of the record without a link: readings are stored
    and sent late. ``repeat_share`` of the messages are sent twice. At ``reboot_at_s`` the gateway
    starts anew: its count begins at 1 and what it had stored is gone.
    """

    away: tuple[tuple[float, float], ...] = ()
    repeat_share: float = 0.0
    reboot_at_s: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 <= self.repeat_share <= 1.0:
            raise OutOfRange("repeat_share", got=self.repeat_share, expected="0 to 1")
        for start, length in self.away:
            if not (start >= 0.0 and length > 0.0):
                raise OutOfRange("away", got=(start, length), expected="from 0 s on, above 0 s")

    def is_away(self, elapsed_s: float) -> bool:
        """Whether the link is off at this moment of the record."""
        return any(start <= elapsed_s < start + length for start, length in self.away)
