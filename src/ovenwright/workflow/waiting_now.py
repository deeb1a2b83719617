"""What each channel shows while a recording waits for its start, for whoever looks from outside.

Nothing is recorded yet, so there is no journal to read: the recorder keeps one small file that is
replaced about once a second and removed once the recording begins.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ovenwright.recording.life import State
from ovenwright.recording.recorder import Snapshot

_EVERY_S = 1.0
_STALE_S = 15.0
_MOST_BYTES = 4_000_000


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """What one channel shows: °C and K/min, None where there is none; ``age_s`` since last heard."""

    name: str
    value_c: float | None
    rate_k_min: float | None
    health: str
    age_s: float | None


@dataclass(frozen=True, slots=True)
class WaitingNow:
    """What a waiting recorder hears; ``remarks`` are its instruments' latest words."""

    channels: tuple[ChannelNow, ...]
    remarks: tuple[str, ...] = ()

    @property
    def silent(self) -> bool:
        """Whether no channel has been heard at all."""
        return all(c.age_s is None for c in self.channels)


class WaitingFile:
    """Keeps the file of a recorder that waits.

    Parameters
    ----------
    path : the file; a disk that refuses it holds nothing up
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._part = path.with_name(f".{path.name}.part")
        self._told = -math.inf
        self._over = False

    def watch(self, snapshot: Snapshot) -> None:
        """Take the newest snapshot; only one that waits is told, the first that does not ends it."""
        if self._over:
            return
        if snapshot.state is not State.WAITING:
            self.end()
            return
        now = time.monotonic()
        if now - self._told < _EVERY_S:
            return
        self._told = now
        facts = {
            "channels": [
                {
                    "name": c.channel,
                    "value_c": _number(c.value_c),
                    "rate_k_min": _number(c.rate_k_min),
                    "health": c.health.value,
                    "age_s": _number(c.age_s),
                }
                for c in snapshot.channels
            ],
            "remarks": [*snapshot.links, *snapshot.remarks],
        }
        with suppress(OSError):  # a reader sees the old one or the new one, never a half
            self._part.write_text(json.dumps(facts), encoding="utf-8")
            self._part.replace(self._path)

    def end(self) -> None:
        """Remove the file: it waits no more."""
        self._over = True
        for path in (self._part, self._path):
            with suppress(OSError):
                path.unlink(missing_ok=True)


def read_waiting(path: Path) -> WaitingNow | None:
    """Return what a waiting recorder hears, None where there is no such file or it is an old one."""
    try:
        found = path.stat()
        if time.time() - found.st_mtime > _STALE_S or found.st_size > _MOST_BYTES:
            return None
        facts: Mapping[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return WaitingNow(
            tuple(ChannelNow(**c) for c in facts["channels"]), tuple(facts["remarks"])
        )
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _number(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None
