"""What of all that comes is recorded, and what is worth telling."""

from __future__ import annotations

import math

from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading
from ovenwright.domain.run import NS
from ovenwright.recording.pace import Telling
from ovenwright.storage.journal_frames import known_unit

_FARTHEST_NS = 1 << 62
_MOST_STRANGERS = 1000
_MOST_KINDS = 5000
_QUIET_S = 10.0
_QUIET_KINDS = frozenset({NoticeKind.BATTERY, NoticeKind.SIGNAL, NoticeKind.CLOCK})


class RecentWords:
    """The last few things worth a line."""

    def __init__(self) -> None:
        self.lines: tuple[str, ...] = ()

    def add(self, line: str) -> None:
        """Take a line; one that was just said is not said again, but for when it tries anew."""
        if self.lines and _matter(self.lines[-1]) == _matter(line):
            self.lines = (*self.lines[:-1], line)
        else:
            self.lines = (*self.lines[-7:], line)


def _matter(line: str) -> str:
    return line.split("; trying again", maxsplit=1)[0]


class Gate:
    """Lets through what belongs to the plan, and tells once of each thing that does not.

    Parameters
    ----------
    names : the plan's channels
    tell : takes news
    words : takes lines for whoever watches
    """

    def __init__(self, names: frozenset[str], tell: Telling, words: RecentWords) -> None:
        self._names = names
        self._tell = tell
        self._words = words
        self._strangers: set[str] = set()
        self._refused: set[str] = set()
        self._told: dict[tuple[str, NoticeKind], tuple[str, float, int]] = {}

    def look(self, batch: Batch) -> None:
        """Tell of readings that the plan does not know, and show what instruments say."""
        for notice in batch.notices:
            if notice.text and notice.kind not in _QUIET_KINDS:
                self._words.add(f"{notice.module}: {notice.said}" if notice.module else notice.said)
        for reading in batch.readings:
            if reading.known and reading.channel in self._names:
                continue
            if reading.channel not in self._strangers and len(self._strangers) < _MOST_STRANGERS:
                self._strangers.add(reading.channel)
                self._words.add(f"{reading.channel} is not in the plan and is not recorded")
                self._tell("stranger", {"channel": reading.channel, "module": reading.module})

    def wants(self, reading: Reading) -> bool:
        """Whether a reading is to be recorded."""
        if not reading.known or reading.channel not in self._names:
            return False
        if known_unit(reading.unit) and abs(reading.time_ns) <= _FARTHEST_NS:
            return True
        if reading.channel not in self._refused:
            self._refused.add(reading.channel)
            self._words.add(f"{reading.channel}: unit {reading.unit!r} can't be recorded")
            self._tell("refused", {"channel": reading.channel, "unit": reading.unit})
        return False

    def is_news(self, notice: Notice) -> bool:
        """Whether a notice says something new; losses always do, a flood of one kind does not."""
        key = (notice.module, notice.kind)
        if key not in self._told and len(self._told) > _MOST_KINDS:
            return False
        text, value, at_ns = self._told.get(key, ("", math.nan, -_FARTHEST_NS))
        waited_ns = notice.received_ns - at_ns
        changed = math.isnan(value) or abs(notice.value - value) > 0.02 * max(abs(value), 0.5)
        if notice.kind in {NoticeKind.LOSS, NoticeKind.IDENTITY}:
            fresh = True
        elif notice.kind in _QUIET_KINDS:
            fresh = changed and waited_ns > _QUIET_S * NS
        else:  # a flood of the same words is written once a second
            fresh = notice.text != text or waited_ns > NS
        if fresh:
            self._told[key] = (notice.text, notice.value, notice.received_ns)
        return fresh
