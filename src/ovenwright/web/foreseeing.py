"""Forecasts for a live recording, made by a process of their own so that no viewer waits for them.

Run as a program it reads one question from standard input and writes the answer to standard output.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from ovenwright.config import Settings
from ovenwright.domain.run import NS
from ovenwright.errors import OvenwrightError
from ovenwright.storage.journal import JournalHead
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.following import Following, plan_of
from ovenwright.workflow.foreseeing import LEAST_S, can_foresee, foresee, refusal
from ovenwright.workflow.overview import Bins

_EVERY_S = 20.0
_SOON_S = 5.0  # while there is none yet
_SHARE = 5.0  # the pause is so many times what the last one took: a fifth of a core at most
_LOOK_S = 1.0
_LONGEST_S = 180.0
_NICE = 10


class Foreseer:
    """Asks for a forecast now and then while somebody looks on.

    Parameters
    ----------
    following : the recording, read under ``lock``
    wanted : whether somebody looks on
    """

    def __init__(
        self,
        settings: Settings,
        following: Following,
        lock: threading.RLock,
        wanted: Callable[[], bool],
    ) -> None:
        self._settings = settings
        self._following = following
        self._lock = lock
        self._wanted = wanted
        self._stop = threading.Event()
        self._child: subprocess.Popen[bytes] | None = None
        self.found: dict[str, Any] | None = None
        self._thread = threading.Thread(target=self._work, name="forecast", daemon=True)
        if can_foresee(following.now.plan):
            self._thread.start()

    def end(self) -> None:
        """Ask no more."""
        self._stop.set()
        child = self._child
        if child is not None:
            with suppress(OSError):
                child.kill()

    def _work(self) -> None:
        pause_s, asked_ns = 0.0, 0
        while not self._stop.wait(max(_LOOK_S, pause_s)):
            pause_s = 0.0
            question = self._question(asked_ns) if self._wanted() else None
            if question is None:
                continue
            asked_ns = self._following.now.newest_ns
            began = time.monotonic()
            with suppress(OSError, subprocess.SubprocessError, ValueError):
                self.found = self._answer(question)
            took_s = time.monotonic() - began
            said = self.found is not None and bool(self.found["found"])
            pause_s = max(_EVERY_S, _SHARE * took_s) if said else max(_SOON_S, 2.0 * took_s)

    def _question(self, asked_ns: int) -> bytes | None:
        with self._lock:
            now = self._following.now
            if now.entry is None or now.left_ns is not None or now.newest_ns <= asked_ns:
                return None
            if (now.newest_ns - now.entry.time_ns) / NS < LEAST_S:
                return None
            head, entry_ns, bins = now.head, now.entry.time_ns, self._following.overview.bins()
        about = {
            "head": asdict(head),
            "entry_ns": entry_ns,
            "start_ns": bins.start_ns,
            "width_ns": bins.width_ns,
            "logbook": str(self._settings.logbook),
            "kinetics": str(self._settings.kinetics or ""),
        }
        into = io.BytesIO()
        text = np.frombuffer(json.dumps(about).encode(), dtype=np.uint8)
        np.savez(into, low=bins.low, high=bins.high, low_first=bins.low_first, about=text)
        return into.getvalue()

    def _answer(self, question: bytes) -> dict[str, Any]:
        child = self._child = subprocess.Popen(
            [sys.executable, "-m", "ovenwright.web.foreseeing"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )
        try:
            out, _ = child.communicate(question, timeout=_LONGEST_S)
        finally:
            if child.poll() is None:
                child.kill()
                child.communicate()
            self._child = None
        return dict(json.loads(out))


def answer(question: bytes) -> dict[str, Any]:
    """Return what is foreseen, as plain data, for one question."""
    from ovenwright.storage.reference_data import read_reference_library

    with np.load(io.BytesIO(question), allow_pickle=False) as held:
        about = json.loads(held["about"].tobytes())
        bins = Bins(
            about["start_ns"], about["width_ns"], held["low"], held["high"], held["low_first"]
        )
    head = JournalHead(**(about["head"] | {"channels": tuple(about["head"]["channels"])}))
    at_ns = bins.start_ns + len(bins.low) * bins.width_ns
    try:
        kinetics = Path(about["kinetics"]) if about["kinetics"] else None
        found = foresee(
            Logbook(Path(about["logbook"])),
            read_reference_library(kinetics),
            head,
            plan_of(head),
            bins,
            entry_ns=about["entry_ns"],
        )
    except OvenwrightError as trouble:
        found = refusal(trouble, at_ns)
    return {
        "at_s": found.at_ns / NS,
        "found": [
            {
                "channel": f.channel,
                "level_c": f.level_c,
                "median_s": f.median_ns / NS,
                "low_s": f.low_ns / NS,
                "high_s": f.high_ns / NS,
                "open_ended": f.open_ended,
            }
            for f in found.found
        ],
        "refused": found.refused,
        "rests_on": list(found.rests_on),
        "caution": found.caution,
    }


def main() -> None:
    """Answer one question."""
    if hasattr(os, "nice"):
        os.nice(_NICE)
    sys.stdout.write(json.dumps(answer(sys.stdin.buffer.read())))


if __name__ == "__main__":
    main()
