"""A forecast beside a recording, by a process of its own that reads the journal and nothing else.

The recorder hands it a run and passes on the lines it says; whatever becomes of it, no reading is late
for it. Run as a program it follows one recording until that ends or until nobody holds its input.
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
from ovenwright.workflow.following import Followed, Following
from ovenwright.workflow.foreseeing import LEAST_S, Foresight, can_foresee, foresee, refusal

Tell = Callable[[str, Mapping[str, Any]], None]

_PROGRAM = "ovenwright.workflow.forecast_beside"
_LEAST_PAUSE_S = 5.0
_SHARE = 4.0  # the pause is so many times what the last one took: a fifth of a core at most
_LOOK_S = 0.5
_NICE = 10
_NOTHING_TO_ASK = (
    "the plan gives no forecast anything to work on: it needs channels of role core, some of role air "
    "or wall, and a crossing or an end temperature asked of the cores"
)


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
        self._child: subprocess.Popen[str] | None = None
        self._thread: threading.Thread | None = None
        self._over = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._over = True
        child, thread = self._child, self._thread
        if child is not None:
            with suppress(OSError):
                child.kill()
        if thread is not None:
            thread.join(5.0)

    def tell(self, event: str, facts: Mapping[str, Any]) -> None:
        """Pass an event of the recorder on, and begin when the recording does."""
        self._tell(event, facts)
        if event in {"recording", "resumed"} and self._thread is None:
            words = (str(facts["run"]),)
            self._thread = threading.Thread(
                target=self._work, args=words, name="forecast", daemon=True
            )
            self._thread.start()

    def _work(self, run_id: str) -> None:
        try:
            child = self._child = subprocess.Popen(  # noqa: S603  # our own program
                [
                    sys.executable,
                    "-m",
                    _PROGRAM,
                    str(self._logbook.absolute()),
                    run_id,
                    str(self._kinetics or ""),
                ],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                start_new_session=True,  # Ctrl-C is for the recorder, which ends this one
                env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            )
        except OSError as cause:
            self._tell("forecast", _none(run_id, f"it can't be started: {cause}"))
            return
        assert child.stdout is not None  # noqa: S101  # it was asked for
        assert child.stdin is not None  # noqa: S101
        with child, suppress(ValueError):
            for line in child.stdout:
                if not self._over:
                    self._tell("forecast", json.loads(line))
        if child.returncode and not self._over:
            words = f"its process ended by itself ({child.returncode}); the recording goes on"
            self._tell("forecast", _none(run_id, words))


def _none(run_id: str, why: str) -> dict[str, Any]:
    return {"run": run_id, "found": [], "refused": why}


def facts_of(run_id: str, found: Foresight) -> dict[str, Any]:
    """Return what is foreseen as plain data; times are seconds from the newest reading on.

    Returns
    -------
    run, at_ns (of the newest reading), refused, rests_on, caution, and found: channel, temp_c, in_s,
    interval_90, open_ended, the soonest first
    """
    ahead = sorted(found.found, key=lambda f: f.median_ns)
    return {
        "run": run_id,
        "at_ns": found.at_ns,
        "found": [
            {
                "channel": f.channel,
                "temp_c": f.level_c,
                "in_s": round((f.median_ns - found.at_ns) / NS, 1),
                "interval_90": [
                    round((f.low_ns - found.at_ns) / NS, 1),
                    round((f.high_ns - found.at_ns) / NS, 1),
                ],
                "open_ended": f.open_ended,
            }
            for f in ahead
        ],
        "refused": found.refused,
        "rests_on": list(found.rests_on),
        "caution": found.caution,
    }


def follow(
    logbook: Logbook, run_id: str, kinetics: Path | None, say: Callable[[str], None]
) -> None:
    """Say a forecast now and then until the recording has ended.

    Parameters
    ----------
    say : takes one JSON object as a line
    """
    from ovenwright.storage.reference_data import read_reference_library

    files = next((f for f in journal_files(logbook.journals_dir) if f.id == run_id), None)
    if files is None:
        return
    following = Following(files)
    try:
        now = following.now
        if not can_foresee(now.plan):
            say(json.dumps(facts_of(run_id, Foresight(now.newest_ns, (), _NOTHING_TO_ASK, ()))))
            return
        library = read_reference_library(kinetics)
        asked_ns, refused = 0, ""
        while files.recording:
            while following.look().more:
                continue
            if not _ripe(now, asked_ns):
                time.sleep(_LOOK_S)
                continue
            asked_ns = now.newest_ns
            began = time.monotonic()
            assert now.entry is not None  # noqa: S101  # it is ripe
            try:
                found = foresee(
                    logbook,
                    library,
                    now.head,
                    now.plan,
                    following.overview.bins(),
                    entry_ns=now.entry.time_ns,
                )
            except OvenwrightError as trouble:
                found = refusal(trouble, asked_ns)
            if found.found or found.refused != refused:  # a reason is said once
                say(json.dumps(facts_of(run_id, found)))
            refused = found.refused
            time.sleep(max(_LEAST_PAUSE_S, _SHARE * (time.monotonic() - began)))
    finally:
        following.close()


def _ripe(now: Followed, asked_ns: int) -> bool:
    if now.entry is None or now.left_ns is not None or now.newest_ns <= asked_ns:
        return False
    return (now.newest_ns - now.entry.time_ns) / NS >= LEAST_S


def _end_with_parent() -> None:
    with suppress(OSError, ValueError):
        sys.stdin.read()  # ends when the recorder does, however it does
    os._exit(0)


def main() -> None:
    """Follow the recording named by the words of the command line: logbook, run, kinetics."""
    folder, run_id, kinetics = sys.argv[1:4]
    if hasattr(os, "nice"):
        os.nice(_NICE)
    threading.Thread(target=_end_with_parent, daemon=True).start()

    def say(line: str) -> None:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()

    with suppress(BrokenPipeError):
        follow(Logbook(Path(folder)), run_id, Path(kinetics) if kinetics else None, say)


if __name__ == "__main__":
    main()
