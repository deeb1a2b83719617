"""Gaps in what an OPC UA server sent, and how they are filled from what it remembers."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Protocol

from asyncua.common.node import Node

from ovenwright.domain.live import NoticeKind, Reading
from ovenwright.domain.run import Quality
from ovenwright.domain.sources.opcua import OpcUaNode
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.opcua_history import Past, keeps_history, read_past
from ovenwright.sources.opcua_link import LINK_TROUBLE
from ovenwright.wire.opcua_values import Arrived, number_of, quality_of

_CHUNK = 2_000  # past readings handed over at once
_NAMED = 6

Feed = tuple[OpcUaNode, str, str]
"""What a variable feeds: the plan's node, its unit, the key of its reference variable."""


@dataclass(slots=True)
class Watched:
    """One variable on this connection, with everything of the plan that it feeds."""

    node: Node
    text: str  # as the plan writes it
    feeds: list[Feed] = field(default_factory=list)
    handle: int | None = None
    refused: str = ""  # what was last said of it, so that it is said once
    latest: float = math.nan  # the last good number, for variables that are references


class Missing:
    """Up to when each variable's values came, and since when some are missing."""

    def __init__(self) -> None:
        self.gaps: dict[str, int] = {}
        self._newest: dict[str, int] = {}
        self._suspected: dict[str, int] = {}

    def has(self, text: str, time_ns: int) -> None:
        """Take note of a value that came."""
        self._newest[text] = max(time_ns, self._newest.get(text, 0))

    def miss(self, text: str = "") -> None:
        """Take note that values after the newest are missing: of one variable, or of all."""
        for one in (text,) if text else tuple(self._newest):
            if one in self._newest:
                self.gaps.setdefault(one, self._newest[one])

    def suspect(self) -> None:
        """Remember how it stands now: something may be missing from here on."""
        self._suspected = self._suspected or dict(self._newest)

    def confirm(self) -> None:
        """Take note that what was suspected is missing indeed."""
        for text, begin_ns in self._suspected.items():
            self.gaps.setdefault(text, begin_ns)
        self.dismiss()

    def dismiss(self) -> None:
        """Take note that what was suspected came after all."""
        self._suspected = {}

    def take(self) -> dict[str, int]:
        """Return since when each is missing, and hold it for dealt with."""
        taken, self.gaps = self.gaps, {}
        return taken

    def put_back(self, gaps: Mapping[str, int]) -> None:
        """Hold it for not dealt with after all."""
        for text, begin_ns in gaps.items():
            self.gaps[text] = min(begin_ns, self.gaps.get(text, begin_ns))


class Saying(Protocol):
    """Takes a notice."""

    def __call__(self, kind: NoticeKind, text: str, *, value: float = math.nan) -> None:
        """Take it."""
        ...


async def refill(
    missing: Missing,
    watched: Mapping[str, Watched],
    *,
    end_ns: int,
    received_ns: int,
    by_time: bool,
    decoded: Callable[[Feed, Arrived, float], Reading],
    hand_over: Callable[[Sequence[Reading]], Awaitable[None]],
    say: Saying,
) -> None:
    """Fetch what was measured while nothing came, where the server remembers it, and say what came of it.

    Readings are handed over as late ones. Those at the edges may have come before: whoever keeps them
    knows repeats by channel and time.

    Parameters
    ----------
    missing : what is missing; emptied, save where the link breaks again
    watched : the variables by their key on this connection
    end_ns : the server's time now, UTC
    received_ns : our own
    by_time : whether readings carry the server's times; where they don't, nothing can be put in place
    decoded : makes a reading of a value, given a reference temperature
    hand_over : takes readings
    say : takes notices
    """
    gaps = missing.take()
    earliest = min(gaps.values(), default=end_ns)
    span = f"from {_clock(earliest)} to {_clock(end_ns)} UTC"
    fetched = 0
    refused: dict[str, list[str]] = {}
    junctions: dict[str, _Line] = {}
    for key, one in sorted(watched.items(), key=lambda item: bool(item[1].feeds)):
        # references come first, and whatever needs them may have the longest gap
        begin_ns = gaps.get(one.text) if one.feeds else earliest
        if begin_ns is None:
            continue
        try:
            past = await _past_of(one.node, begin_ns, end_ns, received_ns, by_time)
        except LINK_TROUBLE:
            missing.put_back(gaps)
            break
        gaps.pop(one.text, None)
        if not one.feeds:
            junctions[key] = _Line(past, one.latest)
            continue
        if past.refused:
            refused.setdefault(past.refused, []).extend(node.channel for node, _, _ in one.feeds)
        readings = _readings(one.feeds, past, watched, junctions, decoded)
        for start in range(0, len(readings), _CHUNK):
            await hand_over(readings[start : start + _CHUNK])
        fetched += len(readings)
    if fetched:
        say(
            NoticeKind.REFILLED,
            f"{fetched} readings {span} fetched from what the server remembers",
            value=float(fetched),
        )
    for reason, channels in refused.items():
        more = f" and {len(channels) - _NAMED} more" if len(channels) > _NAMED else ""
        say(
            NoticeKind.LOSS,
            f"{', '.join(channels[:_NAMED])}{more}: what was measured {span} can't be fetched: {reason}",
        )


async def _past_of(node: Node, begin_ns: int, end_ns: int, received_ns: int, by_time: bool) -> Past:
    if not by_time:
        return Past(refused='readings carry the time of receipt here (time = "received")')
    if not await keeps_history(node):
        return Past(refused="the server keeps no history of it, or not for this user")
    return await read_past(node, begin_ns, end_ns, received_ns=received_ns)


def _readings(
    feeds: Sequence[Feed],
    past: Past,
    watched: Mapping[str, Watched],
    junctions: Mapping[str, _Line],
    decoded: Callable[[Feed, Arrived, float], Reading],
) -> list[Reading]:
    out: list[Reading] = []
    for feed in feeds:
        beside = watched.get(feed[2])
        line = junctions.get(feed[2]) or _Line(
            Past(), math.nan if beside is None else beside.latest
        )
        for value in past.values:
            try:
                reading = decoded(feed, value, line.at(value.source_time))
            except InstrumentTrouble:
                continue  # told when a value like it comes live
            out.append(replace(reading, late=True))
    return out


class _Line:
    """What a reference variable was at any time: its last good number, `otherwise` before the first."""

    def __init__(self, past: Past, otherwise: float) -> None:
        self._times: list[datetime] = []
        self._numbers: list[float] = []
        self._otherwise = otherwise
        for one in past.values:
            if one.source_time is not None and not quality_of(one.status) & Quality.MISSING:
                self._times.append(one.source_time)
                self._numbers.append(number_of(one.value))

    def at(self, moment: datetime | None) -> float:
        """Return it."""
        place = bisect_right(self._times, moment) if moment is not None else 0
        return self._numbers[place - 1] if place else self._otherwise


def _clock(time_ns: int) -> str:
    return datetime.fromtimestamp(time_ns / 1e9, UTC).strftime("%H:%M:%S")
