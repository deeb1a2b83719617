"""Record a plan, set marks in a recording, find and seal what a dead recorder left behind."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from ovenwright import __version__
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.live import Clock, Source, Stopping
from ovenwright.domain.plan import Plan
from ovenwright.domain.run import Mark, MarkKind
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.errors import StorageTrouble, TooLittleData, UnknownName, UsageError
from ovenwright.recording.assembling import mark_facts
from ovenwright.recording.pace import Pace, Telling
from ovenwright.recording.recorder import Recorder, Snapshot
from ovenwright.recording.rules import Start
from ovenwright.recording.sealing import Sealed, seal_left_behind
from ovenwright.recording.steady_clock import SteadyClock, SystemClock
from ovenwright.storage.journal import (
    Journal,
    JournalFiles,
    JournalHead,
    journal_files,
    write_as_guest,
)
from ovenwright.storage.journal_frames import FrameKind
from ovenwright.storage.journal_reading import count_readings, newest_times, recover
from ovenwright.storage.journal_reading import resume as resume_journal
from ovenwright.storage.logbook import Logbook, slug
from ovenwright.workflow.alarm_passing import AlarmPassing, Publish
from ovenwright.workflow.planning import checked_text

OpenSources = Callable[[Plan, Clock, Path], Sequence[Source]]
"""Makes the sources of a plan, given the clock they take receipt times from and the plan's folder."""


@dataclass(frozen=True, slots=True)
class OpenRecording:
    """A journal in the logbook: ``recording`` where its recorder lives, else it was cut off."""

    id: str
    title: str
    recording: bool
    started_ns: int
    readings: int
    channels: tuple[str, ...]
    time_zone: str = "UTC"


@dataclass(frozen=True, slots=True)
class LeftBehind:
    """What became of a journal whose recorder died: a sealed run, or the reason why not."""

    id: str
    sealed: Sealed | None
    trouble: str = ""


def open_instruments(
    plan: Plan,
    clock: Clock,
    folder: Path,
    *,
    fresh: bool = False,
    since: Mapping[str, int] | None = None,
) -> tuple[Source, ...]:
    """Return the sources of a plan's instruments.

    ``fresh`` leaves out what a broker kept for an earlier recording: it belongs to another test.
    ``since`` says up to when each channel is recorded already, where a recording is gone on with.

    Raises
    ------
    UsageError : if the plan names none
    """
    from ovenwright.sources.opening import open_source

    if not plan.instruments:
        raise UsageError(
            "the plan names no instrument to record from",
            where=plan.title,
            remedy="look for one: ovenwright find mqtt://HOST --seconds 10 --write PLAN",
        )
    return tuple(
        open_source(one, clock, folder=folder, fresh=fresh, since=since) for one in plan.instruments
    )


def record_plan(
    logbook: Logbook,
    plan_file: Path,
    library: ReferenceLibrary,
    *,
    stopping: Stopping,
    tell: Telling,
    start: Start | None = None,
    for_s: float | None = None,
    resume: bool = False,
    watch: Callable[[Snapshot], None] | None = None,
    made: Callable[[Recorder], None] | None = None,
    open_sources: OpenSources | None = None,
    clock: Clock | None = None,
    pace: Pace | None = None,
) -> Sealed | None:
    """Record a plan until a rule, a person or a signal ends it, and seal the run.

    Recordings that were cut off are sealed first, or, with ``resume``, the last one of this plan is
    gone on with.

    Parameters
    ----------
    stopping : set when it is enough
    tell, watch : take news and snapshots; must not block
    start, for_s : what is waited for, and how long it lasts, beside the plan's own rules
    made : is given the recorder, to ask it for marks
    open_sources : makes the sources; those of the plan's instruments when left out
    clock : the computer's own when left out

    Returns
    -------
    the sealed run, None when it was called off before it began

    Raises
    ------
    PlanFaults, UsageError : if the plan can't be recorded
    InstrumentTrouble : if no instrument gave a reading
    StorageTrouble : if the disk refuses for good
    """
    text = _text(plan_file, library)
    plan = checked_text(text, library, file=str(plan_file))
    known = clock or SystemClock()
    journal: Journal | None = None
    steady = SteadyClock(known)
    since: Mapping[str, int] = {}
    left = [f for f in journal_files(logbook.journals_dir) if not f.recording]
    if resume:
        files = _to_resume(left, text, plan_file)
        left = [f for f in left if f != files]
        journal, steady, since = _resumed(files, known)
    try:
        for one in left:
            _tell_recovered(_seal_one(logbook, one), tell)
        make = open_sources or partial(open_instruments, fresh=not resume, since=since)
        sources = make(plan, steady, plan_file.parent)
    except BaseException:
        if journal is not None:
            journal.close()
        raise
    names = ", ".join(s.name for s in sources)

    def begin(started_ns: int) -> Journal:
        head = JournalHead(
            id=_new_id(logbook, plan.title, started_ns),
            title=plan.title,
            channels=tuple(c.name for c in plan.channels),
            plan_toml=text,
            started_ns=started_ns,
            time_zone=plan.site.time_zone,
            interval_s=plan.recording.interval_s,
            instrument=names,
            software=f"ovenwright {__version__}",
        )
        run_id.append(head.id)
        return Journal.create(logbook.journals_dir, head)

    run_id: list[str] = [journal.head.id] if journal is not None else []
    passing = AlarmPassing(
        lambda: run_id[-1] if run_id else "",
        _publisher(plan, plan_file.parent),
        lambda words: tell("trouble", {"text": words}),
    )
    with passing:
        recorder = Recorder(
            plan,
            sources,
            clock=steady,
            logbook=logbook,
            begin=begin,
            start=start,
            for_s=for_s,
            tell=tell,
            pass_on=passing,
            watch=watch,
            pace=pace,
        )
        if made is not None:
            made(recorder)
        return recorder.run(stopping, resume=journal)


def _text(plan_file: Path, library: ReferenceLibrary) -> str:
    from ovenwright.workflow.planning import checked_plan

    checked_plan(plan_file, library)  # says what is wrong with the file, whatever it is
    return plan_file.read_text(encoding="utf-8-sig")


def _new_id(logbook: Logbook, title: str, started_ns: int) -> str:
    day, clock = str(np.datetime64(started_ns, "ns").astype("datetime64[m]")).split("T")
    taken = {*logbook.run_ids(), *(f.id for f in journal_files(logbook.journals_dir))}
    while True:
        parts = (day, clock.replace(":", ""), slug(title), secrets.token_hex(2))
        name = "-".join(p for p in parts if p)
        if name not in taken:
            return name


def _publisher(plan: Plan, folder: Path) -> Publish | None:
    broker = next((s for s in plan.instruments if isinstance(s, MqttSource)), None)
    if broker is None:
        return None

    def publish(topic: str, text: str) -> None:
        from ovenwright.sources.mqtt_telling import publish_once

        publish_once(broker, topic, text, folder=folder)

    return publish


# what was left behind ---------------------------------------------------------------------


def _to_resume(left: Sequence[JournalFiles], text: str, plan_file: Path) -> JournalFiles:
    heads = {f: _head(f) for f in left}
    same = [f for f, h in heads.items() if h is not None and h.plan_toml == text]
    if same:
        return max(same, key=lambda f: _started(heads[f]))
    if left:
        raise UsageError(
            "no recording that was cut off has this plan",
            where=str(plan_file),
            remedy="record anew without --resume; what was cut off is then sealed: "
            + ", ".join(f.id for f in left[:5]),
        )
    raise UsageError(
        "no recording was cut off: there is nothing to resume",
        where=str(plan_file),
        remedy="leave --resume out",
    )


def _started(head: JournalHead | None) -> int:
    return head.started_ns if head else 0


def _head(files: JournalFiles) -> JournalHead | None:
    try:
        return JournalHead.read(files.head.read_text(encoding="ascii", errors="replace"))
    except OSError:
        return None


def _resumed(files: JournalFiles, clock: Clock) -> tuple[Journal, SteadyClock, Mapping[str, int]]:
    """Return the journal, a clock that goes on after it, and up to when each channel is in it."""
    held = recover(files)
    journal = resume_journal(held)
    # a channel that never came is missing since the start
    since = dict.fromkeys(held.head.channels, held.head.started_ns) | newest_times(held)
    return journal, SteadyClock(clock, not_before_ns=held.last_received_ns + 1), since


def recover_recordings(logbook: Logbook) -> tuple[LeftBehind, ...]:
    """Seal every recording that was cut off; those still going on are left alone."""
    left = [f for f in journal_files(logbook.journals_dir) if not f.recording]
    return tuple(_seal_one(logbook, files) for files in left)


def _seal_one(logbook: Logbook, files: JournalFiles) -> LeftBehind:
    try:
        return LeftBehind(files.id, seal_left_behind(logbook, files))
    except (TooLittleData, StorageTrouble) as trouble:
        return LeftBehind(files.id, None, str(trouble))


def rescue(logbook: Logbook, ref: str) -> bool:
    """Seal the one recording that was cut off and that ``ref`` names; return whether there is one.

    Raises
    ------
    UsageError : if that recording is still going on
    StorageTrouble, TooLittleData : if it can't be sealed
    """
    fits = [f for f in journal_files(logbook.journals_dir) if ref and f.id.startswith(ref)]
    exact = [f for f in fits if f.id == ref] or fits
    if len(exact) != 1:
        return False
    if exact[0].recording:
        raise UsageError(
            "this run is still being recorded",
            where=exact[0].id,
            remedy="wait until it is sealed, or end it: ovenwright record --stop",
        )
    seal_left_behind(logbook, exact[0])
    return True


def _tell_recovered(left: LeftBehind, tell: Telling) -> None:
    tell("recovered", left_facts(left))


def left_facts(left: LeftBehind) -> dict[str, Any]:
    """Return as plain data what became of a journal."""
    if left.sealed is None:
        return {"run": left.id, "samples": 0, "trouble": left.trouble}
    return {
        "run": left.sealed.run.id,
        "samples": left.sealed.run.samples,
        "unfinished": left.sealed.unfinished,
        "damage": list(left.sealed.damage),
    }


def open_recordings(logbook: Logbook) -> tuple[OpenRecording, ...]:
    """Return the recordings that are going on or were cut off, the newest first."""
    found = []
    for files in journal_files(logbook.journals_dir):
        head = _head(files) or JournalHead(files.id, "", (), "", 0)
        found.append(
            OpenRecording(
                files.id,
                head.title,
                files.recording,
                head.started_ns,
                count_readings(files),
                head.channels,
                head.time_zone,
            )
        )
    return tuple(sorted(found, key=lambda r: r.started_ns, reverse=True))


# marks and requests -----------------------------------------------------------------------


def mark_recording(
    logbook: Logbook,
    text: str,
    *,
    kind: MarkKind = MarkKind.NOTE,
    run_ref: str = "",
    channel: str | None = None,
    clock: Clock | None = None,
) -> tuple[str, Mark]:
    """Set a mark at this moment in a recording that is going on; return its id and the mark.

    Raises
    ------
    UsageError : if none is going on, or several are and none is named
    UnknownName : if the named one, or the channel, does not exist
    StorageTrouble : if the mark can't be written
    """
    files = _going_on(logbook, run_ref)
    head = _head(files)
    if channel is not None and head is not None and channel not in head.channels:
        raise UnknownName("channel", channel, known=head.channels)
    now_ns = (clock or SystemClock()).now_ns()
    mark = Mark(kind, now_ns, text, by="person", channel=channel)
    facts = mark_facts(mark) | {"token": secrets.token_hex(8)}
    write_as_guest(files, FrameKind.MARK, facts, now_ns=now_ns)
    return files.id, mark


def stop_recording(logbook: Logbook, run_ref: str = "", *, clock: Clock | None = None) -> str:
    """Ask a recorder to stop and seal; return the id of its run. Raises as `mark_recording`."""
    files = _going_on(logbook, run_ref)
    now_ns = (clock or SystemClock()).now_ns()
    write_as_guest(files, FrameKind.EVENT, {"event": "stop", "by": "command"}, now_ns=now_ns)
    return files.id


def _going_on(logbook: Logbook, run_ref: str) -> JournalFiles:
    living = [f for f in journal_files(logbook.journals_dir) if f.recording]
    if not living:
        raise UsageError(
            "no recording is going on",
            where=str(logbook.folder),
            remedy="start one with: ovenwright record PLAN, or name its logbook with --logbook",
        )
    fits = [f for f in living if f.id == run_ref] or [f for f in living if f.id.startswith(run_ref)]
    if not fits:
        raise UnknownName(
            "recording", run_ref, known=[f.id for f in living], where=str(logbook.folder)
        )
    if len(fits) > 1:
        raise UsageError(
            f"{len(fits)} recordings are going on",
            where=str(logbook.folder),
            remedy="name one with --run: " + ", ".join(f.id for f in fits[:6]),
        )
    return fits[0]
