"""Which readings a journal holds already, in little memory however long the recording lasts."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from ovenwright.domain.live import Reading
from ovenwright.domain.run import Quality

_RECENT = 128  # times remembered one by one for each channel
_SEQUENCES = 32
_APART_NS = 1_000
_NEAR_NS = 100_000_000
_NEVER = -(1 << 63)

Held = Callable[[int, int], Iterable[tuple[str, int, float]]]
"""Gives every (channel, time, value) the journal holds between two times."""


@dataclass(slots=True)
class _Channel:
    newest_ns: int = _NEVER
    floor_ns: int = _NEVER  # times up to here may be in the journal without being remembered
    recent: dict[int, float] = field(default_factory=dict)
    sequences: dict[int, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Sifted:
    """What of a delivery is to be kept: ``new`` counts those that no kept reading stands for yet."""

    keep: tuple[Reading, ...]
    new: int
    repeated: int


class Seen:
    """Tells a reading that came before from a new one.

    A reading is the same as another when channel and instrument's time agree; where the time is
    only that of receipt, when the instrument's own count and the number agree with one of the last
    few. Several that were received together without a time of their own are set a microsecond apart,
    so that none is lost. Of readings newer than all before, nothing need be looked up.
    """

    def __init__(self) -> None:
        self._channels: dict[str, _Channel] = {}

    def continue_from(self, newest: dict[str, int]) -> None:
        """Begin with a journal whose channels end at these times."""
        for name, time_ns in newest.items():
            self._channels[name] = _Channel(newest_ns=time_ns, floor_ns=time_ns)

    def forget_sequences(self, channels: Iterable[str]) -> None:
        """Take a count that begins anew for what it is: no repeats of the old one."""
        for name in channels:
            if name in self._channels:
                self._channels[name].sequences.clear()

    def sift(self, readings: Sequence[Reading], held: Held) -> Sifted:
        """Return what to keep of a delivery; nothing is remembered before :meth:`remember`."""
        group: dict[str, dict[int, float]] = {}
        old = self._older(readings, held)
        keep: list[Reading] = []
        new = 0
        for reading in readings:
            seen = self._channels.get(reading.channel)
            mine = group.setdefault(reading.channel, {})
            if reading.time_ns == reading.received_ns:
                if reading.sequence is not None and seen is not None:
                    before = seen.sequences.get(reading.sequence)
                    if before is not None and _same(before, reading.value):
                        continue
                reading = _apart(reading, mine, seen)  # noqa: PLW2901  # the same one, placed
            other = mine.get(reading.time_ns)
            if other is None and seen is not None and reading.time_ns <= seen.newest_ns:
                other = seen.recent.get(reading.time_ns)
                if other is None:
                    other = old.get((reading.channel, reading.time_ns))
            if other is None:
                mine[reading.time_ns] = reading.value
                keep.append(reading)
                new += 1
            elif not _same(other, reading.value):
                # kept beside the first, which stays the one that counts and is flagged at sealing
                keep.append(replace(reading, quality=reading.quality | Quality.REPEATED))
        return Sifted(tuple(keep), new, len(readings) - new)

    def _older(self, readings: Sequence[Reading], held: Held) -> dict[tuple[str, int], float]:
        doubtful = [
            r.time_ns
            for r in readings
            if (seen := self._channels.get(r.channel)) is not None
            and r.time_ns <= seen.floor_ns
            and r.time_ns not in seen.recent
        ]
        if not doubtful:
            return {}
        wanted = set(doubtful)
        found: dict[tuple[str, int], float] = {}
        for channel, time_ns, value in held(min(doubtful), max(doubtful)):
            if time_ns in wanted:
                found.setdefault((channel, time_ns), value)
        return found

    def remember(self, kept: Iterable[Reading]) -> None:
        """Take in what the journal holds now."""
        for reading in kept:
            if reading.quality & Quality.REPEATED:
                continue
            seen = self._channels.get(reading.channel)
            if seen is None:
                seen = self._channels[reading.channel] = _Channel()
            seen.newest_ns = max(seen.newest_ns, reading.time_ns)
            seen.recent[reading.time_ns] = reading.value
            if len(seen.recent) > _RECENT:
                gone = next(iter(seen.recent))
                del seen.recent[gone]
                seen.floor_ns = max(seen.floor_ns, gone)
            if reading.sequence is not None:
                seen.sequences.pop(reading.sequence, None)
                seen.sequences[reading.sequence] = reading.value
                if len(seen.sequences) > _SEQUENCES:
                    del seen.sequences[next(iter(seen.sequences))]


def _apart(reading: Reading, mine: dict[int, float], seen: _Channel | None) -> Reading:
    """Place a reading that has no time of its own after the one it was received together with."""
    time_ns = reading.time_ns
    newest = next(reversed(mine), _NEVER)
    if 0 <= newest - time_ns < len(mine) * _APART_NS:
        time_ns = newest  # where the last of them was set: no need to try every place before it
    if seen is not None and 0 <= seen.newest_ns - time_ns < _NEAR_NS:
        time_ns = seen.newest_ns + _APART_NS  # of a long delivery, some are remembered no more
    while time_ns in mine or (seen is not None and time_ns in seen.recent):
        time_ns += _APART_NS
    if time_ns == reading.time_ns:
        return reading
    return replace(reading, time_ns=time_ns, quality=reading.quality | Quality.RESTAMPED)


def _same(one: float, other: float) -> bool:
    return one == other or (math.isnan(one) and math.isnan(other))
