"""The recorder: takes batches in, makes them durable, watches the rules, seals at the end."""

from __future__ import annotations

import math
import queue
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading, Source, Stopping
from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS, Mark, MarkKind
from ovenwright.errors import InstrumentTrouble, OvenwrightError, StorageTrouble, TooLittleData
from ovenwright.recording.alarms import AlarmNews, Alarms, PassOn
from ovenwright.recording.assembling import mark_facts, mark_from
from ovenwright.recording.gate import Gate, RecentWords
from ovenwright.recording.intake import Intake
from ovenwright.recording.latest import Coming, Latest, Shown
from ovenwright.recording.life import Event, Life, State
from ovenwright.recording.pace import Pace, Telling
from ovenwright.recording.rules import Start, StartKind, StartRule, StopRule
from ovenwright.recording.sealing import Sealed, seal_recovered
from ovenwright.recording.steady_clock import SteadyClock
from ovenwright.recording.store import Store
from ovenwright.storage.journal import Journal, remove_files
from ovenwright.storage.journal_frames import FrameKind
from ovenwright.storage.journal_reading import recover
from ovenwright.storage.logbook import Logbook

_AXIS_SLACK_NS = 5 * NS
_MOST_MODULES = 4_096


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A recording at one moment, for whoever watches."""

    state: State
    run_id: str
    elapsed_s: float
    planned_s: float | None
    waiting_for: str
    durable: int
    unflushed: int
    channels: tuple[Shown, ...]
    coming: tuple[Coming, ...]
    alarms: tuple[tuple[str, str], ...]
    marks: tuple[Mark, ...]
    remarks: tuple[str, ...]
    links: tuple[str, ...] = ()


class Recorder:
    """Takes one run from plan to sealed file.

    Parameters
    ----------
    plan : what is recorded
    sources : the instruments, each run in a thread of its own
    clock : the same steady clock that the sources take their receipt times from
    logbook : where the run is sealed
    begin : makes the journal, given the moment of the start
    start, stop : the rules
    tell : takes news; must not block
    pass_on : takes alarms elsewhere; must not block
    watch : takes a snapshot about twice a second; must not block
    pace : how often what is done
    """

    def __init__(
        self,
        plan: Plan,
        sources: Sequence[Source],
        *,
        clock: SteadyClock,
        logbook: Logbook,
        begin: Callable[[int], Journal],
        start: Start | None = None,
        for_s: float | None = None,
        tell: Telling,
        pass_on: PassOn | None = None,
        watch: Callable[[Snapshot], None] | None = None,
        pace: Pace | None = None,
    ) -> None:
        self._plan = plan
        self._clock = clock
        self._logbook = logbook
        self._begin = begin
        self._start_rule = StartRule(start or Start(), plan)
        self._stop_rule = StopRule(plan, for_s=for_s)
        self._tell = tell
        self._pass_on = pass_on
        self._watch = watch
        self._pace = pace or Pace()
        self._names = frozenset(c.name for c in plan.channels)
        self._intake = Intake(sources)
        self._latest = Latest(plan)
        self._store = Store(tell, self._pace)
        self._lead_in: list[Reading] = []
        self._identities: dict[str, Notice] = {}
        self._alarms: Alarms | None = None
        self._marks: list[Mark] = []
        self._words = RecentWords()
        self._gate = Gate(self._names, tell, self._words)
        self._aside = 0
        self._last_shown_ns = 0
        self._axis_offset_ns = 0
        self._asked_to_stop = ""
        self._wishes: queue.SimpleQueue[tuple[MarkKind, str] | None] = queue.SimpleQueue()
        self._source_trouble: OvenwrightError | None = None
        self._life = Life()

    @property
    def state(self) -> State:
        """Where the recording is in its life."""
        return self._life.state

    # what others may call, from any thread ------------------------------------------------

    def ask_for_mark(self, kind: MarkKind, text: str) -> None:
        """Set a mark at this moment; taken up at the next turn, dropped before the start."""
        self._wishes.put((kind, text))

    def ask_to_stop(self) -> None:
        """End the recording at the next turn."""
        self._wishes.put(None)

    # the whole life -----------------------------------------------------------------------

    def run(self, stopping: Stopping, *, resume: Journal | None = None) -> Sealed | None:
        """Record until a rule, ``stopping`` or a request ends it, and seal.

        Parameters
        ----------
        stopping : set when a person or the system says enough
        resume : the journal of a recorder that died, to go on with

        Returns
        -------
        the sealed run, None when it was called off before it began

        Raises
        ------
        InstrumentTrouble : if every source ended before a reading came
        StorageTrouble : if the disk refuses for good; what is in the journal stays there
        """
        try:
            return self._whole(stopping, resume)
        except OvenwrightError:
            if self.state is not State.CALLED_OFF:
                self._life.on(Event.FAIL)
            raise
        finally:
            self._intake.halt()
            self._intake.join(self._pace.goodbye_s)
            self._store.close()

    def _whole(self, stopping: Stopping, resume: Journal | None) -> Sealed | None:
        if resume is not None:
            self._life.on(Event.RESUME)
            self._take_up(resume)
        else:
            self._life.on(Event.ARM)
        self._intake.start()
        if resume is None and not self._wait(stopping):
            return None
        why = self._record(stopping)
        self._life.on(Event.STOP)
        self._tell("stopping", {"run": self._store.run_id, "reason": why})
        self._drain(stopping, why)
        return self._seal()

    # waiting ------------------------------------------------------------------------------

    def _wait(self, stopping: Stopping) -> bool:
        """Wait for the start; return whether it came."""
        words = self._start_rule.start.words()
        if self._start_rule.start.kind is not StartKind.NOW:
            self._tell("waiting", {"for": words})
        trouble: OvenwrightError | None = None
        timed = self._start_rule.start.kind in {StartKind.NOW, StartKind.AT}
        while True:
            while not self._wishes.empty():
                if self._wishes.get_nowait() is None:
                    self._asked_to_stop = "stopped by a person"
            if stopping.is_set() or self._asked_to_stop:
                self._life.on(Event.STOP)
                self._tell("called off", {"reason": "stopped before it began"})
                return False
            if timed and self._begins():
                return True  # before anything is taken in, so that the first reading is kept
            for batch in self._intake.take(most_readings=self._pace.most_in_memory):
                self._look_at(batch)
                self._keep_lead_in(batch.readings)
                self._keep_identities(batch.notices)
                batch.acknowledge()  # nothing of it is recorded, save perhaps the last few
            for name, trouble in self._intake.troubles():
                self._tell("source ended", {"source": name, "reason": str(trouble)})
            if trouble is not None and self._intake.alive == 0:
                raise trouble
            if not timed and self._begins():
                return True
            self._show(words)
            stopping.wait(self._pace.turn_s)

    def _keep_lead_in(self, readings: Sequence[Reading]) -> None:
        if self._start_rule.start.kind in {StartKind.NOW, StartKind.AT}:
            return
        self._lead_in += [r for r in readings if self._gate.wants(r)]
        oldest = self._clock.now_ns() - round(self._pace.lead_in_s * NS)
        if self._lead_in and self._lead_in[0].received_ns < oldest:
            self._lead_in = [r for r in self._lead_in if r.received_ns >= oldest]

    def _keep_identities(self, notices: Sequence[Notice]) -> None:
        """Keep for the journal what instruments say of themselves once, before it begins."""
        for notice in notices:
            known = notice.module in self._identities or len(self._identities) < _MOST_MODULES
            if notice.kind is NoticeKind.IDENTITY and known:
                self._identities[notice.module] = notice

    def _begins(self) -> bool:
        why = self._start_rule.met(self._latest, self._clock.wall_ns())
        if why:
            self._begin_recording(why)
        return bool(why)

    def _begin_recording(self, why: str) -> None:
        now = self._clock.now_ns()
        journal = self._begin(now)
        self._store.take_up(journal)
        self._alarms = Alarms(self._plan, now)
        self._life.on(Event.START)
        self._store.add_fact(FrameKind.EVENT, {"event": "began", "reason": why})
        self._tell("recording", self._facts() | {"reason": why})
        self._take(Batch(notices=tuple(self._identities.values())))
        self._store.add_readings(self._lead_in)
        self._lead_in = []

    def _take_up(self, journal: Journal) -> None:
        now = self._clock.now_ns()
        self._store.take_up(journal)
        journal.skip_guests()
        self._alarms = Alarms(self._plan, now)
        self._store.add_fact(FrameKind.EVENT, {"event": "resumed"})
        self._tell("resumed", self._facts() | {"count": journal.count})

    def _facts(self) -> dict[str, Any]:
        head = self._store.head
        return {
            "run": head.id,
            "title": head.title,
            "channels": list(head.channels),
            "planned_s": self._stop_rule.planned_s,
        }

    # recording ----------------------------------------------------------------------------

    def _record(self, stopping: Stopping) -> str:
        while True:
            began = self._clock.monotonic_ns()
            self._turn()
            if stopping.is_set():
                return "stopped by a signal"
            if self._asked_to_stop:
                return self._asked_to_stop
            why = self._stop_rule.met(self._latest, self._elapsed_s())
            if why:
                return why
            if self._intake.alive == 0:
                return "no instrument is left to listen to"
            spent_s = (self._clock.monotonic_ns() - began) / NS
            stopping.wait(max(0.0, self._pace.turn_s - spent_s))

    def _turn(self) -> None:
        now = self._clock.now_ns()
        self._notice_step(now)
        room = self._pace.most_in_memory - self._store.unflushed
        if room > 0:
            for batch in self._intake.take(most_readings=room):
                self._take(batch)
        for name, trouble in self._intake.troubles():
            self._source_trouble = trouble
            self._tell("source ended", {"source": name, "reason": str(trouble)})
            self._note_mark(Mark(MarkKind.FAULT, self._axis_ns(now), f"{name}: {trouble}"))
        self._take_guests(now)
        self._look_for_alarms(now)
        self._store.flush(now, self._clock.monotonic_ns())
        self._show("")

    def _elapsed_s(self) -> float:
        return (self._clock.now_ns() - self._store.head.started_ns) / NS

    def _axis_ns(self, now_ns: int) -> int:
        """Return a moment on the axis of the readings, for instruments whose clock is elsewhere."""
        return now_ns + self._axis_offset_ns

    def _notice_step(self, now: int) -> None:
        step_s = self._clock.stepped_s()
        if step_s:
            text = f"the computer's clock stepped by {step_s:+.1f} s; times here go on without it"
            self._words.add(text)
            self._note_mark(Mark(MarkKind.NOTE, self._axis_ns(now), text))

    def _take(self, batch: Batch) -> None:
        self._look_at(batch)
        kept = [r for r in batch.readings if self._gate.wants(r)]
        started = self._store.head.started_ns
        within = [r for r in kept if not (r.late and r.time_ns < started)]
        self._aside += len(kept) - len(within)
        for notice in batch.notices:
            if notice.kind is NoticeKind.REBOOTED:
                self._store.count_begins_anew(self._names)
            if self._gate.is_news(notice):
                value = None if math.isnan(notice.value) else notice.value
                facts: dict[str, Any] = {
                    "kind": notice.kind.value,
                    "text": notice.text,
                    "module": notice.module,
                    "value": value,
                }
                if notice.kind is NoticeKind.IDENTITY:
                    facts |= {"serial": notice.serial, "firmware": notice.firmware}
                self._store.add_fact(FrameKind.NOTICE, facts)
                self._tell("notice", facts)
        self._store.add_batch(replace(batch, readings=tuple(within)))

    def _look_at(self, batch: Batch) -> None:
        self._latest.take(batch.readings, batch.notices)
        self._gate.look(batch)
        for reading in batch.readings:
            if reading.channel in self._names and not reading.late:
                away = reading.time_ns - reading.received_ns
                self._axis_offset_ns = away if abs(away) > _AXIS_SLACK_NS else 0

    # marks, requests, alarms --------------------------------------------------------------

    def _note_mark(self, mark: Mark) -> None:
        self._store.add_fact(FrameKind.MARK, mark_facts(mark))
        self._hear_mark(mark)

    def _hear_mark(self, mark: Mark) -> None:
        self._marks = [*self._marks[-19:], mark]
        self._tell("mark", mark_facts(mark) | {"run": self._store.run_id})

    def _take_guests(self, now: int) -> None:
        for frame in self._store.guests():
            facts = frame.facts
            if frame.kind is FrameKind.MARK:
                mark = mark_from(facts)
                if mark is not None:
                    placed = replace(mark, time_ns=self._axis_ns(now))
                    self._store.add_fact(
                        FrameKind.MARK, mark_facts(placed) | {"token": facts.get("token")}
                    )
                    self._hear_mark(placed)
            elif facts.get("event") == "stop":
                self._asked_to_stop = f"stopped by {facts.get('by') or 'command'}"
        while not self._wishes.empty():
            wish = self._wishes.get_nowait()
            if wish is None:
                self._asked_to_stop = "stopped by a person"
            else:
                self._note_mark(Mark(wish[0], self._axis_ns(now), wish[1], by="person"))

    def _look_for_alarms(self, now: int) -> None:
        if self._alarms is None:
            return
        for news in self._alarms.look(self._latest, now):
            self._raise(news, now)

    def _raise(self, news: AlarmNews, now: int) -> None:
        text = f"{news.alarm.name}: {news.words}"
        self._words.add(text)
        kind = MarkKind.FAULT if news.raised else MarkKind.NOTE
        self._note_mark(Mark(kind, self._axis_ns(now), text, channel=news.channel))
        self._tell(
            "alarm",
            {
                "name": news.alarm.name,
                "channel": news.channel,
                "raised": news.raised,
                "value": news.value,
                "text": news.words,
                "time_ns": news.at_ns,
            },
        )
        if self._pass_on is not None:
            self._pass_on(news)

    # the end ------------------------------------------------------------------------------

    def _drain(self, stopping: Stopping, why: str) -> None:
        # first what has come, while its source can still be told that it is safe
        self._turn()
        self._intake.halt()
        self._intake.join(self._pace.goodbye_s)
        for batch in self._intake.take(most_readings=self._pace.most_in_memory):
            self._take(batch)
        if self._aside:
            text = f"{self._aside} late readings from before the start were left out"
            self._store.add_fact(FrameKind.EVENT, {"event": "aside", "text": text})
        self._store.add_fact(FrameKind.EVENT, {"event": "stopped", "reason": why})
        began = self._clock.monotonic_ns()
        while not self._store.flush(self._clock.now_ns(), self._clock.monotonic_ns(), final=True):
            if (self._clock.monotonic_ns() - began) / NS > self._pace.disk_patience_s:
                raise StorageTrouble(
                    f"{self._store.unflushed} readings could not be written",
                    where=str(self._store.path),
                    remedy="what was durable is in the journal: free some space, then run: "
                    "ovenwright record --recover",
                )
            self._show("")
            stopping.wait(0.0)
            self._pause(self._pace.retry_s)
        self._life.on(Event.DRAINED)

    def _pause(self, seconds: float) -> None:
        self._intake.idle(seconds)

    def _seal(self) -> Sealed | None:
        files = self._store.release()
        recovered = recover(files)
        try:
            sealed = seal_recovered(self._logbook, recovered, interrupted=False)
        except TooLittleData as cause:
            remove_files(files)
            self._life.on(Event.EMPTY)
            if self._source_trouble is not None:
                raise self._source_trouble from cause
            raise InstrumentTrouble(
                "not one reading came while recording",
                where=files.id,
                remedy="see what the instruments say: ovenwright check PLAN",
            ) from cause
        self._life.on(Event.KEPT)
        self._tell(
            "sealed",
            {
                "run": sealed.run.id,
                "samples": sealed.run.samples,
                "digest": sealed.run.digest,
                "damage": list(sealed.damage),
            },
        )
        return sealed

    # what is shown ------------------------------------------------------------------------

    def _show(self, waiting_for: str) -> None:
        if self._watch is None:
            return
        now = self._clock.now_ns()
        if (now - self._last_shown_ns) / NS < self._pace.shown_s:
            return
        self._last_shown_ns = now
        recording = not waiting_for
        self._watch(
            Snapshot(
                state=self.state,
                run_id=self._store.run_id,
                elapsed_s=self._elapsed_s() if recording else 0.0,
                planned_s=self._stop_rule.planned_s,
                waiting_for=waiting_for,
                durable=self._store.count,
                unflushed=self._store.unflushed,
                channels=self._latest.shown(now),
                coming=self._latest.coming()[:5],
                alarms=self._alarms.standing if self._alarms else (),
                marks=tuple(self._marks[-5:]),
                remarks=tuple(self._words.lines),
                links=self._latest.links(),
            )
        )
