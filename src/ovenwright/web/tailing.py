"""Journals tailed for viewers: one thread a recording, however many look on.

A message to a viewer is either text (JSON, ``is`` says what) or binary, all of it little-endian::

    0   uint8    kind: 1 readings, 2 the whole, 3 lately
    1   uint8    form of the message, 1
    2   uint16   channels of the recording
    4   uint32   n
    8   float64  seq: the journal's count up to which this goes
    16  float64  a
    24  float64  b

    readings   a: when the newest was made durable (seconds since 1970); then float64 time[n],
               float32 value[n], uint16 channel[n], uint8 quality[n]
    the whole  n bins from a, each b seconds wide; then, channel after channel, float32 low[n],
               float32 high[n], uint8 low_first[n]
    lately     n bins from a, each b seconds wide; then, channel after channel, float32 value[n]

Times are seconds since 1970 by the instruments' own clocks, values °C, NaN where there is none.
"""

from __future__ import annotations

import json
import math
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np

from ovenwright.compose import Tools
from ovenwright.domain.run import NS
from ovenwright.errors import OvenwrightError, StorageTrouble, UnknownName, UsageError
from ovenwright.recording.latest import Shown
from ovenwright.storage.journal import JournalFiles, journal_files
from ovenwright.storage.run_facts import iso_from_ns
from ovenwright.web.foreseeing import Foreseer
from ovenwright.web.site import Site
from ovenwright.workflow.following import Following, News

READINGS, WHOLE, LATELY = 1, 2, 3
_HEAD = struct.Struct("<BBHIddd")
_POLL_S = 0.08
_STATE_S = 0.5
_KEPT_PARCELS = 600
_KEPT_BYTES = 4_000_000
_IDLE_S = 60.0
_MOST_VIEWERS = 64
_READY_S = 30.0

Message = bytes | str


@dataclass(frozen=True, slots=True)
class Parcel:
    """Readings made durable up to ``seq``, as every viewer gets them."""

    seq: int
    data: bytes


def encode_readings(news: News, channels: int) -> bytes:
    """Return readings as a binary message."""
    n = len(news.channel)
    return b"".join(
        [
            _HEAD.pack(READINGS, 1, channels, n, float(news.seq), news.received_ns / NS, 0.0),
            (news.time_ns / NS).astype("<f8").tobytes(),
            news.value_c.astype("<f4").tobytes(),
            news.channel.astype("<u2").tobytes(),
            news.quality.astype("u1").tobytes(),
        ]
    )


def encode_overview(following: Following) -> tuple[bytes, bytes]:
    """Return the whole and the last stretch of a recording as binary messages."""
    seq, channels = float(following.now.seq), len(following.now.head.channels)
    bins, late = following.overview.bins(), following.recent.lately()
    whole = [
        _HEAD.pack(WHOLE, 1, channels, len(bins.low), seq, bins.start_ns / NS, bins.width_ns / NS),
        np.ascontiguousarray(bins.low.T, dtype="<f4").tobytes(),
        np.ascontiguousarray(bins.high.T, dtype="<f4").tobytes(),
        np.ascontiguousarray(bins.low_first.T, dtype="u1").tobytes(),
    ]
    lately = [
        _HEAD.pack(
            LATELY, 1, channels, len(late.value_c), seq, late.start_ns / NS, late.width_ns / NS
        ),
        np.ascontiguousarray(late.value_c.T, dtype="<f4").tobytes(),
    ]
    return b"".join(whole), b"".join(lately)


def number(value: float, digits: int = 4) -> float | None:
    """Return a number as JSON takes it."""
    return round(value, digits) if math.isfinite(value) else None


class Tailer:
    """Tails one recording in a thread of its own and keeps what new viewers need."""

    def __init__(self, tools: Tools, files: JournalFiles) -> None:
        self.id = files.id
        self._logbook = tools.logbook
        self._files = files
        self.following = Following(files)
        self._lock = threading.RLock()
        self._parcels: deque[Parcel] = deque()
        self._bytes = 0
        self._kept_from = 0
        self._wake: set[Callable[[], None]] = set()
        self._ready = threading.Event()
        self._stop = threading.Event()
        self._used = time.monotonic()
        self._overview: tuple[int, tuple[bytes, bytes]] | None = None
        self._gone_looks = 0
        self.state = "recording" if files.recording else "cut off"
        self.state_text = ""
        self.state_number = 0
        self.marks_text = ""
        self.marks_number = 0
        self._marks_seen = -1
        self.trouble = ""
        self._foreseer = Foreseer(
            tools.settings, self.following, self._lock, lambda: bool(self._wake)
        )
        self._thread = threading.Thread(target=self._work, name=f"tail {self.id}", daemon=True)
        self._thread.start()

    # the thread ---------------------------------------------------------------------------

    def _work(self) -> None:
        told = 0.0
        try:
            while not self._stop.is_set():
                more, news = self._look()
                now = time.monotonic()
                if not more and (now - told >= _STATE_S or not self._ready.is_set()):
                    told = now
                    self._look_at_recorder()
                    self._tell()
                    if not self._ready.is_set():
                        self._kept_from = self.following.now.seq
                        self._ready.set()
                    news = True
                if news:
                    self._wake_all()
                if self.over or (not self._wake and now - self._used > _IDLE_S):
                    break
                if not more:
                    self._stop.wait(_POLL_S)
        except OvenwrightError as trouble:
            self.state, self.trouble = "unreadable", str(trouble)
            self._tell()
        finally:
            self._ready.set()
            self._stop.set()
            self._foreseer.end()
            self._wake_all()
            self.following.close()

    def _look(self) -> tuple[bool, bool]:
        try:
            with self._lock:
                news = self.following.look()
                if self._ready.is_set() and len(news.channel):
                    channels = len(self.following.now.head.channels)
                    self._keep(Parcel(news.seq, encode_readings(news, channels)))
        except StorageTrouble:
            if self._files.database.exists() and self._files.recording:
                raise
            return False, False  # it is being sealed under our eyes; the next look tells
        return news.more, not news.empty

    def _keep(self, parcel: Parcel) -> None:
        self._parcels.append(parcel)
        self._bytes += len(parcel.data)
        while self._bytes > _KEPT_BYTES or len(self._parcels) > _KEPT_PARCELS:
            gone = self._parcels.popleft()
            self._bytes -= len(gone.data)
            self._kept_from = gone.seq

    def _look_at_recorder(self) -> None:
        if self._files.recording:
            self._gone_looks = 0
            self.state = "sealing" if self.following.now.stopped else "recording"
            return
        self._gone_looks += 1
        if not self._files.database.exists():
            sealed = self.id in self._logbook.run_ids()
            self.state = "sealed" if sealed else "called off"
        elif self._gone_looks > 1:
            self.state = "cut off"

    def _tell(self) -> None:
        with self._lock:
            facts = self.facts()
            self.state_text = json.dumps({"is": "state"} | facts, separators=(",", ":"))
            self.state_number += 1
            marks = self.following.now.marks
            seen = marks[-1].time_ns if marks else 0
            if len(marks) + seen != self._marks_seen:
                self._marks_seen = len(marks) + seen
                self.marks_text = json.dumps({"is": "marks", "marks": self.marks()})
                self.marks_number += 1

    def _wake_all(self) -> None:
        with self._lock:
            wake = tuple(self._wake)
        for call in wake:
            call()

    # what others ask ----------------------------------------------------------------------

    @property
    def over(self) -> bool:
        """Whether nothing more will come."""
        return self.state in {"sealed", "called off", "unreadable"}

    @property
    def ended(self) -> bool:
        """Whether its thread has ended."""
        return self._stop.is_set()

    def wait_ready(self, for_s: float = _READY_S) -> bool:
        """Wait until all that was there has been read; return whether it has."""
        self._used = time.monotonic()
        return self._ready.wait(for_s)

    @contextmanager
    def watched(self, wake: Callable[[], None]) -> Iterator[None]:
        """Have ``wake`` called, from the tailing thread, whenever there is something new.

        Raises
        ------
        UsageError : if too many look on already
        """
        with self._lock:
            if len(self._wake) >= _MOST_VIEWERS:
                raise UsageError(
                    f"{len(self._wake)} pages look on already", remedy="close one of them"
                )
            self._wake.add(wake)
        try:
            yield
        finally:
            with self._lock:
                self._wake.discard(wake)
                self._used = time.monotonic()

    def since(self, seq: int) -> tuple[list[Message], int]:
        """Return what a viewer that has come as far as ``seq`` lacks, and how far that goes.

        A viewer that is new, or so far behind that its hole is no longer kept, gets the overview.
        """
        with self._lock:
            here = self.following.now.seq
            if seq == here:
                return [], here
            if self._kept_from <= seq < here:
                return [p.data for p in self._parcels if p.seq > seq], here
            if self._overview is None or self._overview[0] != here:
                self._overview = (here, encode_overview(self.following))
            return list(self._overview[1]), here

    def facts(self) -> dict[str, Any]:
        """Return how the recording stands, as plain data."""
        with self._lock:
            following = self.following
            now, head = following.now, following.now.head
            shown, counts = following.shown(), following.counts()
            first = following.overview.start_ns
            return {
                "id": self.id,
                "title": head.title,
                "state": self.state,
                "words": self.trouble or now.stopped,
                "seq": now.seq,
                "started": iso_from_ns(head.started_ns),
                "from_s": first / NS,
                "newest_s": now.newest_ns / NS,
                "durable_s": now.received_ns / NS,
                "planned_s": following.planned_s,
                "readings": now.readings,
                "channels": [
                    _channel_facts(one, count) for one, count in zip(shown, counts, strict=True)
                ],
                "coming": [
                    {
                        "name": c.name,
                        "channel": c.channel,
                        "level_c": c.level_c,
                        "in_s": round(c.in_s, 1),
                    }
                    for c in following.coming()[:6]
                ],
                "alarms": [
                    {
                        "name": a.name,
                        "channel": a.channel,
                        "text": a.text,
                        "since_s": a.since_ns / NS,
                    }
                    for a in now.standing.values()
                ],
                "entry": None
                if now.entry is None
                else {
                    "time_s": now.entry.time_ns / NS,
                    "marked": now.entry.marked,
                    "words": now.entry.words,
                },
                "forecast": self._foreseer.found,
                "left_s": None if now.left_ns is None else now.left_ns / NS,
                "remarks": [self._without_folder(words) for words in now.remarks],
                "links": list(following.links()),
            }

    def _without_folder(self, words: str) -> str:
        """Say nothing of where on this machine the logbook lies."""
        return words.replace(str(self._logbook.folder.absolute()), "logbook")

    def marks(self) -> list[dict[str, Any]]:
        """Return the marks, the oldest first, as plain data."""
        with self._lock:
            return [
                {
                    "kind": m.kind.value,
                    "time_s": m.time_ns / NS,
                    "text": m.text,
                    "by": m.by,
                    "channel": m.channel,
                }
                for m in self.following.now.marks
            ]

    def end(self) -> None:
        """Stop tailing."""
        self._stop.set()
        self._thread.join(5.0)


def _channel_facts(shown: Shown, count: int) -> dict[str, Any]:
    return {
        "name": shown.channel,
        "value_c": number(shown.value_c),
        "rate_k_min": number(shown.rate_k_min, 3),
        "health": shown.health.value,
        "age_s": number(shown.age_s, 1),
        "count": count,
    }


class Tailers:
    """The recordings a server tails; begun when somebody looks, ended when nobody does."""

    def __init__(self, tools: Tools) -> None:
        self._tools = tools
        self._lock = threading.Lock()
        self._found: dict[str, Tailer] = {}

    def get(self, run_id: str) -> Tailer:
        """Return the tailer of a recording.

        Raises
        ------
        UnknownName : if there is no journal of that id
        StorageTrouble : if it can't be read
        """
        with self._lock:
            tailer = self._found.get(run_id)
            if tailer is not None and not tailer.ended:
                return tailer
            files = next(
                (f for f in journal_files(self._tools.logbook.journals_dir) if f.id == run_id), None
            )
            if files is None or not files.database.exists():
                if tailer is not None and tailer.over:
                    return tailer  # so that its last viewers are told how it ended
                raise UnknownName("recording", run_id)
            tailer = self._found[run_id] = Tailer(self._tools, files)
            for gone in [i for i, t in self._found.items() if t.ended][:-8]:
                del self._found[gone]
            return tailer

    def close(self) -> None:
        """End them all."""
        with self._lock:
            found = tuple(self._found.values())
        for tailer in found:
            tailer.end()


_lock = threading.Lock()


def tailers_of(site: Site) -> Tailers:
    """Return the tailers of a server."""
    with _lock:
        for end in site.at_end:
            owner = getattr(end, "__self__", None)
            if isinstance(owner, Tailers):
                return owner
        made = Tailers(site.tools)
        site.at_end.append(made.close)
        return made
