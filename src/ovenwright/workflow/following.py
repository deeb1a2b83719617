"""Follow a recording that another process makes: what came, what each channel shows, what stands.

It reads the journal and nothing else, so it can begin at any moment and disturbs no recorder.
"""

from __future__ import annotations

import time
import zlib
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from ovenwright.domain.arrays import FloatArray, IntArray, QualityArray
from ovenwright.domain.live import Notice, NoticeKind, Reading
from ovenwright.domain.plan import Channel, Plan
from ovenwright.domain.run import NS, Mark, MarkKind, Quality
from ovenwright.errors import PlanFaults, StorageTrouble, UsageError
from ovenwright.physics.units import to_celsius
from ovenwright.recording.assembling import mark_from
from ovenwright.recording.latest import Coming, Latest, Shown
from ovenwright.recording.rules import Start, StartKind, StartRule, StopRule
from ovenwright.storage.journal import JournalFiles, JournalHead
from ovenwright.storage.journal_frames import NO_SEQUENCE, ROW, UNITS, FrameKind
from ovenwright.storage.journal_reading import Entry as JournalEntry
from ovenwright.storage.journal_reading import JournalReader
from ovenwright.storage.plan_file import parse_plan
from ovenwright.wire.celsius import BEYOND_C, COLDEST_C, celsius_of_all
from ovenwright.workflow.overview import Overview, Recent, not_far_ahead

_TEMPERATURES = ("degC", "degF", "K")
_LATEST_S = 60.0
_CATCH_UP_STEP_S = 1.0
_MOST_MARKS = 400


@dataclass(frozen=True, slots=True)
class News:
    """What came since the last look.

    ``channel``, ``time_ns``, ``value_c`` and ``quality`` are (n,) in the order of arrival; a channel
    is its place in the plan. ``seq`` is the journal's count up to which this goes, ``received_ns``
    when the newest of it was made durable.
    """

    seq: int
    channel: npt.NDArray[np.uint16]
    time_ns: IntArray
    value_c: FloatArray
    quality: QualityArray
    received_ns: int
    facts: int = 0
    more: bool = False

    @property
    def empty(self) -> bool:
        """Whether nothing came."""
        return not len(self.channel) and not self.facts


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that is raised now."""

    name: str
    channel: str
    text: str
    since_ns: int


@dataclass(frozen=True, slots=True)
class LoadIn:
    """When the product entered, how that is known, and the words for it."""

    time_ns: int
    marked: bool
    words: str


@dataclass
class Followed:
    """What is known of a recording by now."""

    head: JournalHead
    plan: Plan
    seq: int = 0
    readings: int = 0
    newest_ns: int = 0
    received_ns: int = 0
    marks: deque[Mark] = field(default_factory=lambda: deque(maxlen=_MOST_MARKS))
    standing: dict[tuple[str, str], Standing] = field(default_factory=dict)
    remarks: deque[str] = field(default_factory=lambda: deque(maxlen=12))
    entry: LoadIn | None = None
    left_ns: int | None = None
    stopped: str = ""


class Rows:
    """Turns a journal's rows into temperatures, through the plan's sensors."""

    def __init__(self, head: JournalHead, plan: Plan) -> None:
        self._names = head.channels
        self._channels: list[Channel | None] = [plan.channel(n) for n in head.channels]

    def reading(self, row: tuple[Any, ...]) -> Reading:
        """Return a row as the reading it was."""
        time_ns, received_ns, value, reference_c, sequence, channel, quality, unit, late = row
        return Reading(
            self._names[channel],
            time_ns,
            received_ns,
            value,
            UNITS[unit],
            Quality(quality),
            reference_c,
            sequence=None if sequence == NO_SEQUENCE else sequence,
            late=bool(late),
        )

    def celsius(self, rows: npt.NDArray[np.void]) -> tuple[FloatArray, QualityArray]:
        """Return temperatures, (n,) °C with NaN where there is none, and their bits."""
        value: FloatArray = rows["value"].astype(np.float64)
        quality: QualityArray = rows["quality"].copy()
        found = np.full(len(rows), np.nan)
        for number in np.unique(rows["unit"]):
            at = np.flatnonzero(rows["unit"] == number)
            unit = UNITS[int(number)]
            if unit in _TEMPERATURES:
                found[at] = to_celsius(value[at], unit)
                continue
            readings = [self.reading(r) for r in rows[at].tolist()]
            channels = [self._channels[int(n)] for n in rows["channel"][at]]
            sure = [i for i, c in enumerate(channels) if c is not None]
            turned, bits = celsius_of_all(
                [readings[i] for i in sure], [c for c in channels if c is not None]
            )
            found[at[sure]], quality[at[sure]] = turned, bits
        absent = (quality & np.uint8(Quality.MISSING | Quality.OVERFLOW)) != 0
        found[absent | ~((found >= COLDEST_C) & (found <= BEYOND_C))] = np.nan
        return found, quality


def head_of(files: JournalFiles) -> JournalHead | None:
    """Return the facts a journal begins with, None where they can't be read."""
    try:
        return JournalHead.read(files.head.read_text(encoding="ascii", errors="replace"))
    except OSError:
        return None


def plan_of(head: JournalHead) -> Plan:
    """Return the plan that a recording was begun with.

    Raises
    ------
    StorageTrouble : if it is of a form that is not known here
    """
    try:
        return parse_plan(head.plan_toml)
    except PlanFaults as cause:
        raise StorageTrouble(
            "the plan of this recording can't be read here",
            where=head.id,
            remedy="follow it with the version of the tool that records it",
        ) from cause


def readings_after(
    files: JournalFiles, seq: int, *, limit: int = 500
) -> tuple[News, tuple[str, ...]]:
    """Return what became durable after ``seq``, straight from the journal, and the channels' names.

    Raises
    ------
    StorageTrouble : if the journal can't be read
    """
    with JournalReader(files) as reader:
        rows = Rows(reader.head, plan_of(reader.head))
        news, _ = _news(reader.tail(seq, limit=limit), rows, seq, limit)
        return news, reader.head.channels


def _news(
    entries: Sequence[JournalEntry], turn: Rows, seq: int, limit: int
) -> tuple[News, npt.NDArray[np.void]]:
    bodies = [zlib.decompress(e.frame.body) for e in entries if e.frame.kind is FrameKind.READINGS]
    rows = np.frombuffer(b"".join(bodies), dtype=ROW)
    value_c, quality = turn.celsius(rows)
    news = News(
        entries[-1].seq if entries else seq,
        rows["channel"].astype(np.uint16),
        rows["time_ns"].astype(np.int64),
        value_c,
        quality,
        entries[-1].frame.received_ns if entries else 0,
        len(entries) - len(bodies),
        len(entries) == limit,
    )
    return news, rows


class Following:
    """Follows one recording.

    Raises
    ------
    StorageTrouble : if its journal can't be read, or its plan is of a form that is not known here
    """

    def __init__(self, files: JournalFiles) -> None:
        self._reader = JournalReader(files)
        head = self._reader.head
        try:
            plan = plan_of(head)
        except StorageTrouble:
            self._reader.close()
            raise
        self.files = files
        self.now = Followed(head, plan)
        self._rows = Rows(head, plan)
        width_ns = max(1, round(head.interval_s * NS))
        self.overview = Overview(len(head.channels), width_ns=width_ns)
        self.recent = Recent(len(head.channels), width_ns=width_ns)
        self._latest = Latest(plan)
        self._counts = np.zeros(len(head.channels), dtype=np.int64)
        self._last_taken_ns = np.zeros(len(head.channels), dtype=np.int64)
        self._entry_rule = self._rule(plan)
        self._planned_s = StopRule(plan).planned_s
        self._tokens: set[str] = set()
        self._waits: set[str] = set()  # remarks on why nothing comes

    @staticmethod
    def _rule(plan: Plan) -> StartRule | None:
        try:
            return StartRule(Start(StartKind.LOAD_IN), plan)
        except UsageError:
            return None

    def close(self) -> None:
        """Stop following."""
        self._reader.close()

    @property
    def planned_s(self) -> float | None:
        """How long the plan lets it last, where it says so."""
        return self._planned_s

    # taking in ----------------------------------------------------------------------------

    def look(self, *, limit: int = 2000) -> News:
        """Take in what has become durable since the last look.

        Raises
        ------
        StorageTrouble : if the journal can't be read
        """
        entries = self._reader.tail(self.now.seq, limit=limit)
        for entry in entries:
            if entry.frame.kind is not FrameKind.READINGS:
                self._take_fact(entry.frame.kind, entry.frame.facts, entry.frame.received_ns)
        news, rows = _news(entries, self._rows, self.now.seq, limit)
        if entries:
            self.now.seq, self.now.received_ns = news.seq, news.received_ns
        if len(rows):
            self._take_readings(rows, news)
        return news

    def _take_readings(self, rows: npt.NDArray[np.void], news: News) -> None:
        channel, time_ns, value_c = news.channel, news.time_ns, news.value_c
        now = self.now
        now.readings += len(rows)
        self._counts += np.bincount(channel, minlength=len(self._counts))[: len(self._counts)]
        newest = now.newest_ns or int(time_ns[0])
        near = not_far_ahead(time_ns, newest)
        if not near.all():
            channel, time_ns, value_c, rows = (
                channel[near],
                time_ns[near],
                value_c[near],
                rows[near],
            )
            if not len(rows):
                return
        if not now.newest_ns and self.now.plan.recording.load_in_s is not None:
            planned_ns = round(self.now.plan.recording.load_in_s * NS)
            now.entry = LoadIn(int(time_ns[0]) + planned_ns, True, "as the plan says")
        now.newest_ns = max(now.newest_ns, int(time_ns.max()))
        self.overview.take(channel, time_ns, value_c)
        self.recent.take(channel, time_ns, value_c)
        self._take_latest(rows, behind=news.more)

    def _take_latest(self, rows: npt.NDArray[np.void], *, behind: bool) -> None:
        """Hand on what the channels show; of a long past only a reading now and then."""
        if behind:
            if self._entry_rule is None or self.now.entry is not None:
                old = self.now.newest_ns - round(_LATEST_S * NS)
                rows = rows[rows["time_ns"] >= old]
            step = round(_CATCH_UP_STEP_S * NS)
            last = self._last_taken_ns[rows["channel"]]
            rows = rows[rows["time_ns"] - last >= step]
        if not len(rows):
            return
        self._last_taken_ns[rows["channel"]] = rows["time_ns"]
        readings = [self._rows.reading(r) for r in rows.tolist()]
        if self._entry_rule is not None and self.now.entry is None:
            self._take_watching_for_entry(readings)
        else:
            self._latest.take(readings)

    def _take_watching_for_entry(self, readings: Sequence[Reading]) -> None:
        """Take readings a second at a time, so that a rise is found where it was."""
        group: list[Reading] = []
        for reading in readings:
            if group and abs(reading.time_ns - group[0].time_ns) > NS:
                self._latest.take(group)
                self._look_for_entry()
                group = []
            group.append(reading)
        self._latest.take(group)
        self._look_for_entry()

    def _look_for_entry(self) -> None:
        if self._entry_rule is None or self.now.entry is not None:
            return
        why = self._entry_rule.met(self._latest, 0)
        if why:
            times = [self._latest.time_ns(c.name) for c in self.now.plan.channels]
            self.now.entry = LoadIn(max(times), False, why)

    # facts --------------------------------------------------------------------------------

    def _take_fact(self, kind: FrameKind, facts: dict[str, Any], at_ns: int) -> None:
        if kind is FrameKind.MARK:
            self._take_mark(facts)
        elif kind is FrameKind.NOTICE:
            self._take_notice(facts, at_ns)
        elif facts.get("event") == "stopped":
            self.now.stopped = str(facts.get("reason") or "stopped")
        elif facts.get("event") == "resumed":
            self.now.stopped = ""
            self.now.standing.clear()
            self.now.remarks.append("a recorder went on after a break")

    def _take_mark(self, facts: dict[str, Any]) -> None:
        mark = mark_from(facts)
        if mark is None:
            return
        token = facts.get("token")
        if token is not None and str(token) not in self._tokens:
            self._tokens.add(str(token))  # as it was asked for; the recorder places it next
            return
        now = self.now
        now.marks.append(mark)
        if mark.kind is MarkKind.LOAD_IN:
            now.entry = LoadIn(mark.time_ns, True, "marked")
            now.left_ns = None
        elif mark.kind is MarkKind.LOAD_OUT:
            now.left_ns = mark.time_ns
        if mark.by == "tool":
            self._take_alarm(mark)

    def _take_alarm(self, mark: Mark) -> None:
        for alarm in self.now.plan.alarms:
            head = f"{alarm.name}: "
            if mark.channel is None or not mark.text.startswith(head):
                continue
            key = (alarm.name, mark.channel)
            if mark.kind is MarkKind.FAULT:
                text = mark.text.removeprefix(head)
                self.now.standing[key] = Standing(alarm.name, mark.channel, text, mark.time_ns)
            else:
                self.now.standing.pop(key, None)
            return

    def _take_notice(self, facts: dict[str, Any], at_ns: int) -> None:
        try:
            kind = NoticeKind(str(facts.get("kind")))
        except ValueError:
            return
        value = facts.get("value")
        notice = Notice(
            kind,
            at_ns,
            str(facts.get("text") or ""),
            str(facts.get("module") or ""),
            float(value) if isinstance(value, (int, float)) else float("nan"),
        )
        self._latest.take((), (notice,))
        wanted = {NoticeKind.LOST, NoticeKind.CONNECTED, NoticeKind.REFUSED}
        if not self.now.readings:  # then why nothing comes is what matters
            wanted.add(NoticeKind.WAITING)
        if kind in wanted:
            who = notice.module or "instrument"
            words = notice.said.split("; trying again")[0]
            words = words if words.startswith(who) else f"{who}: {words}"
            if kind is NoticeKind.CONNECTED:  # why nothing came matters no more
                kept = [r for r in self.now.remarks if r not in self._waits]
                self.now.remarks.clear()
                self.now.remarks.extend(kept)
                self._waits.clear()
            elif kind is NoticeKind.WAITING:
                self._waits.add(words)
            if not self.now.remarks or self.now.remarks[-1] != words:
                self.now.remarks.append(words)

    # what is shown ------------------------------------------------------------------------

    def shown(self, now_ns: int | None = None) -> tuple[Shown, ...]:
        """Return every channel as it is at this moment, in plan order."""
        return self._latest.shown(time.time_ns() if now_ns is None else now_ns)

    def counts(self) -> tuple[int, ...]:
        """Return how many readings of each channel have come."""
        return tuple(int(n) for n in self._counts)

    def coming(self) -> tuple[Coming, ...]:
        """Return the crossings ahead at the present rates, the nearest first."""
        return self._latest.coming()

    def links(self) -> tuple[str, ...]:
        """Return what each module last said of its battery and signal."""
        return self._latest.links()
