"""A slice of a run for a picture: some channels, some seconds, few enough points."""

from __future__ import annotations

import contextlib
import math
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.run import NS
from ovenwright.errors import OutOfRange, OvenwrightError, UnknownName
from ovenwright.reporting.thinning import gap_of, thin_extremes
from ovenwright.storage.durable import trouble_from
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.run_facts import SealedFacts
from ovenwright.storage.sealed_parts import Readings, read_parts

POINTS = 1_500
MOST_POINTS = 200_000
KEPT_BYTES = 256 << 20
"""What opened runs may take of the memory: two runs of 8 h, 64 channels, 4 Hz."""


@dataclass(frozen=True, slots=True)
class ChannelSlice:
    """One channel in a slice.

    ``time_s`` (m,) seconds since the run's first reading, ``value_c`` (m,) °C with NaN where the
    line is broken. ``readings`` counts what the sealed run has in that stretch; where it is more
    than ``points`` asked for, ``thinned`` is True and the lowest and highest of each bucket stay.
    """

    name: str
    time_s: FloatArray
    value_c: FloatArray
    readings: int
    thinned: bool
    gap_s: float


@dataclass(frozen=True, slots=True)
class RunSlice:
    """Some channels of a run over some seconds."""

    facts: SealedFacts
    from_s: float
    to_s: float
    channels: tuple[ChannelSlice, ...]


_Key = tuple[str, int, int]


@dataclass(slots=True)
class _Opened:
    facts: SealedFacts
    parts: dict[str, Readings]
    gaps: dict[str, float]

    def size(self) -> int:
        axes = {id(p.time_ns): p.time_ns.nbytes for p in self.parts.values()}
        return sum(axes.values()) + sum(p.value_c.nbytes for p in self.parts.values())


def file_key(path: Path) -> _Key:
    """Return what tells a file from the one that takes its place.

    Raises
    ------
    StorageTrouble : if it is not there
    """
    try:
        about = path.stat()
    except OSError as cause:
        raise trouble_from(cause, path) from cause
    return str(path), about.st_mtime_ns, about.st_size


class OpenedRuns:
    """Channels of runs looked at lately, kept decoded; the oldest go first when memory is full.

    A file that was replaced is read anew. Safe to use from several threads.
    """

    def __init__(self, *, most_bytes: int = KEPT_BYTES) -> None:
        self._most = most_bytes
        self._runs: OrderedDict[_Key, _Opened] = OrderedDict()
        self._gates: dict[_Key, threading.Lock] = {}
        self._lock = threading.Lock()

    @property
    def held_bytes(self) -> int:
        """Memory that the kept channels take."""
        with self._lock:
            return sum(o.size() for o in self._runs.values())

    def parts(
        self, path: Path, names: Sequence[str] | None
    ) -> tuple[SealedFacts, dict[str, Readings], dict[str, float]]:
        """Return channels of a sealed run, and each one's longest step that is no hole.

        Raises
        ------
        UnknownName : if the run has no such channel
        StorageTrouble : if the file can't be read
        """
        key = file_key(path)
        held = self._held(key, names)
        if held is not None:
            return held
        with self._lock:
            gate = self._gates.setdefault(key, threading.Lock())
        with gate:  # whoever asks meanwhile waits for this reading instead of reading as well
            held = self._held(key, names)
            return self._read(path, key, names) if held is None else held

    def _held(
        self, key: _Key, names: Sequence[str] | None
    ) -> tuple[SealedFacts, dict[str, Readings], dict[str, float]] | None:
        with self._lock:
            held = self._runs.get(key)
            if held is None:
                return None
            self._runs.move_to_end(key)
            wanted = self._wanted(held.facts, names)
            if any(n not in held.parts for n in wanted):
                return None
            return held.facts, {n: held.parts[n] for n in wanted}, dict(held.gaps)

    def _read(
        self, path: Path, key: _Key, names: Sequence[str] | None
    ) -> tuple[SealedFacts, dict[str, Readings], dict[str, float]]:
        with self._lock:
            held = self._runs.get(key)
            known = set(held.parts) if held else set()
            missing = (
                [n for n in self._wanted(held.facts, names) if n not in known] if held else names
            )
        facts, new = read_parts(path, missing)
        axes = {id(p.time_ns): p.time_ns for p in new.values()}
        by_axis = {k: gap_of(axis / NS) for k, axis in axes.items()}
        with self._lock:
            held = self._runs.setdefault(key, _Opened(facts, {}, {}))
            held.parts.update(new)
            held.gaps.update({n: by_axis[id(p.time_ns)] for n, p in new.items()})
            self._runs.move_to_end(key)
            wanted = self._wanted(facts, names)
            answer = facts, {n: held.parts[n] for n in wanted}, dict(held.gaps)
            while len(self._runs) > 1 and sum(o.size() for o in self._runs.values()) > self._most:
                self._runs.popitem(last=False)
            if sum(o.size() for o in self._runs.values()) > self._most:
                self._runs.clear()
            self._gates.pop(key, None)
        return answer

    def foresee(self, path: Path) -> None:
        """Begin to read all channels of a run, for someone who will ask for them in a moment."""

        def read() -> None:
            with contextlib.suppress(OvenwrightError):  # told to whoever asks
                self.parts(path, None)

        threading.Thread(target=read, name="foreseeing", daemon=True).start()

    @staticmethod
    def _wanted(facts: SealedFacts, names: Sequence[str] | None) -> list[str]:
        known = [c.name for c in facts.channels]
        if names is None:
            return known
        for name in names:
            if name not in known:
                raise UnknownName("channel", name, known=known, where=facts.id)
        return list(dict.fromkeys(names))


def slice_run(
    logbook: Logbook,
    run_ref: str,
    opened: OpenedRuns,
    *,
    channels: Sequence[str] | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    points: int = POINTS,
    around: bool = False,
) -> RunSlice:
    """Return some channels of a run over some seconds, thinned for drawing.

    Parameters
    ----------
    channels : which, in that order; all when left out
    from_s, to_s : seconds since the run's first reading, both included; the whole run when left out
    points : how many points a channel may have; readings are given as they are while they fit
    around : also the reading before and the one after, so that a line runs to the picture's edge

    Raises
    ------
    UnknownName : if there is no such run or channel
    OutOfRange : if the stretch ends before it begins, or points are too few or too many
    StorageTrouble : if the file can't be read
    """
    if not 4 <= points <= MOST_POINTS:
        raise OutOfRange("points", got=points, expected=f"4 to {MOST_POINTS}")
    for name, value in (("from_s", from_s), ("to_s", to_s)):
        if value is not None and not math.isfinite(value):
            raise OutOfRange(name, got=value, expected="seconds since the first reading")
    facts, parts, gaps = opened.parts(logbook.path_of(run_ref), channels)
    low = 0.0 if from_s is None else from_s
    high = facts.duration_s if to_s is None else to_s
    if high < low:
        raise OutOfRange("to_s", got=high, expected=f"at least from_s, {low:g}")
    whole = from_s is None and to_s is None
    first = last = inside = 0  # rows cut out of an axis: asked once for all channels that share it
    axis: object = None
    elapsed = steps = np.empty(0)
    found = []
    for name, one in parts.items():
        if one.time_ns is not axis:
            axis = one.time_ns
            first, last = (0, one.time_ns.size) if whole else _rows(one, facts, (low, high))
            inside = last - first
            if around:
                first, last = max(first - 1, 0), min(last + 1, one.time_ns.size)
            elapsed = (one.time_ns[first:last] - facts.start_ns) / NS
            steps = np.diff(elapsed)
        thin = thin_extremes(elapsed, one.value_c[first:last], points, gap=gaps[name], steps=steps)
        found.append(ChannelSlice(name, thin.x, thin.y, inside, not thin.whole, thin.gap))
    return RunSlice(facts, low, high, tuple(found))


def _rows(one: Readings, facts: SealedFacts, stretch: tuple[float, float]) -> tuple[int, int]:
    # beyond what nanoseconds can count, the run's own ends do
    reach = facts.duration_s + 1.0
    low_ns, high_ns = (facts.start_ns + round(min(max(s, -1.0), reach) * NS) for s in stretch)
    first = int(np.searchsorted(one.time_ns, low_ns, side="left"))
    last = int(np.searchsorted(one.time_ns, high_ns, side="right"))
    return first, max(first, last)
