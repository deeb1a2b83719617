"""A forecast beside a recording, by a process of its own that reads the journal and nothing else.

Whoever records or shows a recording starts it and takes the lines it says; whatever becomes of it, no
reading is late for it. Run as a program it follows one recording until that ends or until nobody
holds its input.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

from ovenwright.domain.run import NS
from ovenwright.errors import OvenwrightError
from ovenwright.storage.journal import journal_files
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.aside import Aside
from ovenwright.workflow.following import Followed, Following
from ovenwright.workflow.forecasting import CAUTION
from ovenwright.workflow.foreseeing import (
    LEAST_S,
    Foreseeing,
    Foreseen,
    Foresight,
    can_foresee,
    numberless,
    refusal_of,
)
from ovenwright.workflow.overview import Overview

Tell = Callable[[str, Mapping[str, Any]], None]

_PROGRAM = "ovenwright.workflow.forecast_beside"
_SAID_EVERY_S = 5.0
_LOOK_S = 0.5
_SHARE = 4.0  # the pause is so many times what the last update took: a fifth of a core at most
_BINS = 2048  # so that readings of a second keep their second for half an hour
_NICE = 10
_NOTHING_TO_ASK = (
    "the plan gives no forecast anything to work on: it needs channels of role core, some of role air "
    "or wall, and a crossing or an end temperature asked of the cores"
)


class ForecastProcess:
    """The other process, from its start until it is ended or the recording has.

    Parameters
    ----------
    logbook : folder of the logbook
    run_id : of the recording
    kinetics : the person's own kinetics file, if there is one
    every_s : between what it says
    take : takes the facts it says, from a thread of its own
    """

    def __init__(
        self,
        logbook: Path,
        run_id: str,
        kinetics: Path | None,
        *,
        every_s: float,
        take: Callable[[Mapping[str, Any]], None],
    ) -> None:
        self._run_id, self._take = run_id, take
        self._words = [str(logbook.absolute()), run_id, str(kinetics or ""), str(every_s)]
        self._over = False
        self._child: subprocess.Popen[str] | None = None
        self._thread = threading.Thread(target=self._work, name="forecast", daemon=True)
        self._thread.start()

    @property
    def child(self) -> subprocess.Popen[str] | None:
        """The process itself, None before it runs."""
        return self._child

    @property
    def ended(self) -> bool:
        """Whether nothing more will be said."""
        return not self._thread.is_alive()

    def end(self) -> None:
        """End it and hear no more."""
        self._over = True
        child = self._child
        if child is not None:
            with suppress(OSError):
                child.kill()
        self._thread.join(5.0)

    def _work(self) -> None:
        try:
            child = self._child = subprocess.Popen(  # noqa: S603  # our own program
                [sys.executable, "-m", _PROGRAM, *self._words],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                start_new_session=True,  # Ctrl-C is for the recorder, which ends this one
                env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            )
        except OSError as cause:
            self._take(_none(self._run_id, f"it can't be started: {cause}"))
            return
        assert child.stdout is not None  # noqa: S101  # it was asked for
        assert child.stdin is not None  # noqa: S101
        with child, suppress(ValueError):
            if self._over:
                child.kill()
            for line in child.stdout:
                if not self._over:
                    self._take(json.loads(line))
        if child.returncode and not self._over:
            words = f"its process ended by itself ({child.returncode}); the recording goes on"
            self._take(_none(self._run_id, words))


class ForecastBeside:
    """Starts the other process once a recording runs, and tells what it says as ``forecast`` events.

    Parameters
    ----------
    logbook : folder of the logbook
    kinetics : the person's own kinetics file, if there is one
    tell : takes events; those of the recorder are passed on through `tell` of this object
    """

    def __init__(self, logbook: Path, kinetics: Path | None, tell: Tell) -> None:
        self._logbook = logbook
        self._kinetics = kinetics
        self._tell = tell
        self.process: ForecastProcess | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process is not None:
            self.process.end()

    def tell(self, event: str, facts: Mapping[str, Any]) -> None:
        """Pass an event of the recorder on, and begin when the recording does."""
        self._tell(event, facts)
        if event in {"recording", "resumed"} and self.process is None:
            self.process = ForecastProcess(
                self._logbook,
                str(facts["run"]),
                self._kinetics,
                every_s=_SAID_EVERY_S,
                take=lambda said: self._tell("forecast", said),
            )


def _none(run_id: str, why: str) -> dict[str, Any]:
    return {
        "run": run_id, "at_ns": None, "found": [], "requirements": [], "refused": why, "rests_on": [],
        "caution": CAUTION,
    }  # fmt: skip


def facts_of(run_id: str, found: Foresight) -> dict[str, Any]:
    """Return what is foreseen as plain data; times are seconds from the newest reading on.

    Returns
    -------
    run, at_ns (of the newest reading), refused, rests_on, caution; found: channel, temp_c, in_s,
    interval_50, interval_90, open_ended, the soonest first; requirements: the same with the name of a
    requirement in place of a temperature
    """

    def timed(one: Foreseen) -> dict[str, Any]:
        return {
            "in_s": _from_now(one.median_ns, found),
            "interval_50": [_from_now(t, found) for t in one.half_ns],
            "interval_90": [_from_now(t, found) for t in one.most_ns],
            "open_ended": one.open_ended,
        }

    passes = sorted(found.passes, key=lambda f: f.median_ns)
    meets = sorted(found.meets, key=lambda f: f.median_ns)
    return {
        "run": run_id,
        "at_ns": found.at_ns,
        "found": [{"channel": f.channel, "temp_c": f.level_c} | timed(f) for f in passes],
        "requirements": [
            {"channel": f.channel, "requirement": f.requirement} | timed(f) for f in meets
        ],
        "refused": found.refused,
        "rests_on": list(found.rests_on),
        "caution": found.caution,
    }


def _from_now(time_ns: int, found: Foresight) -> float:
    return round((time_ns - found.at_ns) / NS, 1)


def follow(
    logbook: Logbook,
    run_id: str,
    kinetics: Path | None,
    say: Callable[[str], None],
    *,
    every_s: float = _SAID_EVERY_S,
) -> None:
    """Keep a forecast up to date with every reading, and say it now and then, until the recording ends.

    Parameters
    ----------
    say : takes one JSON object as a line
    every_s : between what is said; a reason why there is none is said once
    """
    from ovenwright.storage.reference_data import read_reference_library

    files = next((f for f in journal_files(logbook.journals_dir) if f.id == run_id), None)
    if files is None:
        return
    following = Following(files)
    try:
        now = following.now
        if not can_foresee(now.plan):
            nothing = Foresight(now.newest_ns, (), (), _NOTHING_TO_ASK, ())
            say(json.dumps(facts_of(run_id, nothing)))
            return
        width_ns = max(1, round(now.head.interval_s * NS))
        following.overview = Overview(len(now.head.channels), width_ns=width_ns, most=_BINS)
        library = read_reference_library(kinetics)
        with Aside() as aside:
            foreseeing = Foreseeing(library, now.head, now.plan, aside)
            _keep_saying(following, foreseeing, say, every_s)
    finally:
        following.close()


def _keep_saying(
    following: Following, foreseeing: Foreseeing, say: Callable[[str], None], every_s: float
) -> None:
    now, asked_ns, refused, said_s = following.now, 0, "", -every_s
    while following.files.recording:
        while following.look().more:
            continue
        # while the first fit is awaited there is something new even without a reading
        if now.entry is None or not _ripe(now, -1 if foreseeing.waiting else asked_ns):
            time.sleep(_LOOK_S)
            continue
        asked_ns, began = now.newest_ns, time.monotonic()
        bins, entry_ns = following.overview.bins(), now.entry.time_ns
        try:
            found = foreseeing.see(bins, entry_ns=entry_ns, now_s=began)
        except OvenwrightError as trouble:
            found = refusal_of(trouble, asked_ns)
        due = bool(found.passes or found.meets) and began - said_s >= every_s
        new = numberless(found.refused) != refused and not found.passes and not foreseeing.waiting
        if due or (new and began - said_s >= every_s):
            say(json.dumps(facts_of(now.head.id, found)))
            refused, said_s = numberless(found.refused), began
        time.sleep(max(0.1, _SHARE * (time.monotonic() - began)))


def _ripe(now: Followed, asked_ns: int) -> bool:
    if now.entry is None or now.left_ns is not None or now.newest_ns <= asked_ns:
        return False
    return (now.newest_ns - now.entry.time_ns) / NS >= LEAST_S


def _end_with_parent() -> None:
    with suppress(OSError, ValueError):
        sys.stdin.read()  # ends when the other one does, however it does
    os._exit(0)


def main() -> None:
    """Follow the recording that the command line names: logbook, run, kinetics, seconds between."""
    folder, run_id, kinetics, every_s = sys.argv[1:5]
    if hasattr(os, "nice"):
        os.nice(_NICE)
    threading.Thread(target=_end_with_parent, daemon=True).start()

    def say(line: str) -> None:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()

    with suppress(BrokenPipeError):
        follow(
            Logbook(Path(folder)),
            run_id,
            Path(kinetics) if kinetics else None,
            say,
            every_s=float(every_s),
        )


if __name__ == "__main__":
    main()
