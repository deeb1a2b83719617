"""Start recordings as processes of their own, and know what has become of them.

A recorder that was started here outlives whoever started it: the facts of the start and all the
recorder says stand in files of the logbook, so that any later process can tell how it stands.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan
from ovenwright.errors import StorageTrouble, UnknownName, UsageError
from ovenwright.recording.rules import StartRule, StopRule
from ovenwright.storage.durable import make_folder, trouble_from, whole_file
from ovenwright.storage.journal import JournalHead, journal_files
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.planning import checked_text
from ovenwright.workflow.start_words import read_start
from ovenwright.workflow.waiting_now import WaitingNow, read_waiting

_ID = re.compile(r"start-\d{8}T\d{6}-[0-9a-f]{6}")
_HEAD_BYTES, _TAIL_BYTES = 262_144, 65_536
_LOOK_S = 0.05
_KEPT = 200
_children: set[subprocess.Popen[bytes]] = set()


@dataclass(frozen=True, slots=True)
class StartFacts:
    """What a recorder was started with."""

    id: str
    title: str
    plan: str
    start: str
    for_s: float | None
    who: str
    at_ns: int
    process: int
    process_began: str
    practice: int = 0
    practice_began: str = ""


@dataclass(frozen=True, slots=True)
class StartState:
    """How a start stands: ``state`` is starting, waiting, recording, sealed, called off or failed.

    ``run`` is the id of its recording once there is one, ``words`` say more; ``now`` is what each
    channel shows while it waits.
    """

    facts: StartFacts
    state: str
    run: str = ""
    words: str = ""
    remedy: str = ""
    waiting_for: str = ""
    now: WaitingNow | None = None


def recorders_dir(logbook: Logbook) -> Path:
    """Where the facts and the words of started recorders are kept."""
    return logbook.folder / "recorders"


def start_recording(
    logbook: Logbook,
    library: ReferenceLibrary,
    plan_text: str,
    *,
    plan_name: str,
    start: str = "now",
    for_s: float | None = None,
    zone: str = "",
    kinetics: Path | None = None,
    who: str = "",
) -> StartFacts:
    """Start a recorder as a process of its own and return at once.

    Parameters
    ----------
    plan_text : the plan that is recorded, checked here first
    plan_name : what the plan is called by
    start, for_s : what is waited for, and how long it lasts, beside the plan's own rules
    zone : time zone of a time of day without one
    kinetics : a file of kinetics of one's own, handed on
    who : who started it

    Raises
    ------
    PlanFaults, UsageError, UnknownName : if the plan can't be recorded so
    StorageTrouble : if the disk refuses
    """
    plan = checked_text(plan_text, library, file=plan_name)
    _check(plan, start, for_s, zone)
    _check_not_recorded(logbook, plan_text)
    ident = f"start-{time.strftime('%Y%m%dT%H%M%S', time.gmtime())}-{secrets.token_hex(3)}"
    place = recorders_dir(logbook)
    make_folder(place)
    _sweep(place)
    plan_file = place / f"{ident}.toml"
    with whole_file(plan_file) as temp:
        temp.write_text(plan_text, encoding="utf-8", newline="\n")
    words = [sys.executable, "-m", "ovenwright.cli.main", "record", str(plan_file.absolute())]
    words += ["--logbook", str(logbook.folder.absolute()), "--json", "--judge"]
    words += ["--start", start, "--now-file", str((place / f"{ident}.now").absolute())]
    if for_s is not None:
        words += ["--for", repr(float(for_s))]
    env = dict(os.environ)
    if zone:
        env["OVENWRIGHT_ZONE"] = zone
    if kinetics is not None:
        env["OVENWRIGHT_KINETICS"] = str(kinetics.absolute())
    process = spawn(words, place / f"{ident}.log", env=env)
    facts = StartFacts(
        id=ident,
        title=plan.title,
        plan=plan_name,
        start=start,
        for_s=for_s,
        who=who,
        at_ns=time.time_ns(),
        process=process.pid,
        process_began=process_began(process.pid),
    )
    _write(place, facts)
    return facts


def _write(place: Path, facts: StartFacts) -> None:
    with whole_file(place / f"{facts.id}.json", overwrite=True) as temp:
        temp.write_text(json.dumps(asdict(facts)), encoding="utf-8")


def with_practice(logbook: Logbook, facts: StartFacts, oven: subprocess.Popen[bytes]) -> StartFacts:
    """Note that a virtual oven was started for a recording, to be ended together with it."""
    more = replace(facts, practice=oven.pid, practice_began=process_began(oven.pid))
    _write(recorders_dir(logbook), more)
    return more


def _check(plan: Plan, start: str, for_s: float | None, zone: str) -> None:
    if not plan.instruments:
        raise UsageError(
            "the plan names no instrument to record from",
            where=plan.title,
            remedy="look for one among the sensors and write it into the plan",
        )
    if any(s.kind == "standard-input" for s in plan.instruments):
        raise UsageError(
            "this plan reads from standard input, which only a terminal has",
            where=plan.title,
            remedy="record it with: ovenwright record PLAN",
        )
    zone = zone or plan.site.time_zone
    StartRule(read_start(start, zone=zone, now_ns=time.time_ns()), plan)
    StopRule(plan, for_s=for_s)


def _check_not_recorded(logbook: Logbook, text: str) -> None:
    for files in journal_files(logbook.journals_dir):
        if not files.recording:
            continue
        with suppress(OSError):
            head = JournalHead.read(files.head.read_text(encoding="ascii", errors="replace"))
            if head is not None and head.plan_toml == text:
                raise UsageError(
                    "this plan is being recorded already",
                    where=files.id,
                    remedy="stop that recording first, or record another plan",
                )


def spawn(words: list[str], log: Path, *, env: dict[str, str]) -> subprocess.Popen[bytes]:
    """Start a process that outlives this one; what it says goes into ``log``.

    Raises
    ------
    StorageTrouble : if the log can't be written or the process can't be started
    """
    try:
        with log.open("xb") as out:
            process = subprocess.Popen(  # noqa: S603  # our own program, no shell takes part
                words,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                env=env,
            )
    except OSError as cause:
        raise trouble_from(cause, log) from cause
    _children.add(process)
    threading.Thread(target=_reap, args=(process,), name="recorder's end", daemon=True).start()
    return process


def _reap(process: subprocess.Popen[bytes]) -> None:
    process.wait()
    _children.discard(process)


def process_began(pid: int) -> str:
    """Return what tells this process from a later one of the same number; "" where nothing does."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return ""
    return stat.rsplit(")", 1)[-1].split()[19]


def is_alive(pid: int, began: str) -> bool:
    """Whether that process still lives."""
    if pid <= 0:
        return False
    if began:
        if process_began(pid) != began:
            return False
        stat = Path(f"/proc/{pid}/stat")
        try:
            return stat.read_text(encoding="ascii", errors="replace").rsplit(")", 1)[-1].split()[
                0
            ] not in {"Z", "X"}
        except OSError:
            return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def starts(logbook: Logbook) -> tuple[StartState, ...]:
    """Return the starts of this logbook, the newest first."""
    try:
        names = sorted((p.stem for p in recorders_dir(logbook).glob("start-*.json")), reverse=True)
    except OSError:
        return ()
    found = []
    for name in names[:_KEPT]:
        with suppress(UnknownName, StorageTrouble):
            found.append(start_state(logbook, name))
    return tuple(found)


def start_state(logbook: Logbook, ident: str) -> StartState:
    """Return how a start stands.

    Raises
    ------
    UnknownName : if there is none of that id
    """
    if not _ID.fullmatch(ident):
        raise UnknownName("start", ident[:40])
    place = recorders_dir(logbook)
    try:
        facts = StartFacts(**json.loads((place / f"{ident}.json").read_text(encoding="utf-8")))
    except FileNotFoundError as cause:
        raise UnknownName("start", ident) from cause
    except (OSError, ValueError, TypeError) as cause:
        raise StorageTrouble("the facts of this start can't be read", where=ident) from cause
    state = _state(facts, _said(place / f"{ident}.log"))
    if state.state != "waiting":
        return state
    return replace(state, now=read_waiting(place / f"{ident}.now"))


def _state(facts: StartFacts, said: list[dict[str, Any]]) -> StartState:
    run, waiting, state, words, remedy = "", "", "starting", "", ""
    for news in said:
        event = news.get("event")
        if event == "waiting":
            state, waiting = "waiting", str(news.get("for", ""))
        elif event in {"recording", "resumed"}:
            state, run = "recording", str(news.get("run", ""))
        elif event == "sealed":
            state, run = "sealed", str(news.get("run", run))
        elif event == "called off":
            state, words = "called off", str(news.get("reason", ""))
        elif event in {"trouble", "disk refuses", "source ended"}:
            words = str(news.get("text") or news.get("error") or news.get("reason") or "")
        elif event == "disk takes again":
            words = ""
        elif event is None and "error" in news:
            state, words = "failed", str(news.get("what", ""))
            remedy = str(news.get("remedy", ""))
    if state in {"starting", "waiting", "recording"} and not is_alive(
        facts.process, facts.process_began
    ):
        state = "failed"
        words = words or "the recorder ended without a word"
    return StartState(facts, state, run, words, remedy, waiting if state == "waiting" else "")


def _said(log: Path) -> list[dict[str, Any]]:
    """Return what a recorder said: the beginning and the end of it where it is long."""
    try:
        with log.open("rb") as file:
            head = file.read(_HEAD_BYTES)
            size = file.seek(0, 2)
            tail = b""
            if size > _HEAD_BYTES:
                file.seek(max(_HEAD_BYTES, size - _TAIL_BYTES))
                tail = b"\n" + file.read()
    except OSError:
        return []
    found = []
    for line in (head + tail).splitlines():
        with suppress(ValueError):
            news = json.loads(line)
            if isinstance(news, dict):
                found.append(news)
    return found


def wait_for_start(logbook: Logbook, ident: str, *, for_s: float = 6.0) -> StartState:
    """Return how a start stands once it records, waits or failed, or after a while."""
    until = time.monotonic() + for_s
    while True:
        state = start_state(logbook, ident)
        if state.state != "starting" or time.monotonic() > until:
            return state
        time.sleep(_LOOK_S)


def call_off(logbook: Logbook, ident: str) -> StartState:
    """End a recorder that still waits for its start; nothing is kept, as nothing was recorded.

    Raises
    ------
    UnknownName : if there is none of that id
    UsageError : if it waits no more
    """
    now = start_state(logbook, ident)
    if now.state not in {"starting", "waiting"}:
        raise UsageError(f"this recording is {now.state}: there is nothing to call off")
    with suppress(OSError):
        os.kill(now.facts.process, signal.SIGTERM)
    end_practice(now.facts)
    until = time.monotonic() + 8.0
    while now.state in {"starting", "waiting"} and time.monotonic() < until:
        time.sleep(_LOOK_S)
        now = start_state(logbook, ident)
    return now


def end_practice(facts: StartFacts) -> None:
    """End the virtual oven that was started for a practice."""
    if facts.practice and is_alive(facts.practice, facts.practice_began):
        with suppress(OSError):
            os.kill(facts.practice, signal.SIGTERM)


def start_of_run(logbook: Logbook, run_id: str) -> StartState | None:
    """Return the start that a recording came from, None where it was started elsewhere."""
    return next((s for s in starts(logbook)[:40] if s.run == run_id), None)


def _sweep(place: Path) -> None:
    old = sorted(place.glob("start-*.json"))[:-_KEPT]
    for path in old:
        for end in (".json", ".log", ".toml", ".now"):
            with suppress(OSError):
                path.with_suffix(end).unlink(missing_ok=True)
