"""How often the recorder does what, and whom it tells."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol


@dataclass(frozen=True, slots=True)
class Pace:
    """How often the recorder does what; all in seconds but the counts."""

    turn_s: float = 0.1  # from the arrival of a reading to its commit, at most
    told_s: float = 0.5  # between two reports of what is durable
    shown_s: float = 0.5
    lead_in_s: float = 30.0  # kept from before a start by temperature or load-in
    most_in_memory: int = 500_000  # readings held while the disk refuses
    most_a_commit: int = 5_000
    retry_s: float = 0.5
    disk_patience_s: float = 60.0  # for the disk to take the last readings, at the end
    goodbye_s: float = 5.0


class Telling(Protocol):
    """Takes news of the recording; must not block."""

    def __call__(self, event: str, facts: Mapping[str, Any]) -> None:
        """Take one event with its facts."""
        ...
