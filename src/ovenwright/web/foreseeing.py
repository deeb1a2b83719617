"""The forecast on a live page: kept up to date by a process beside, while somebody looks on."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

from ovenwright.config import Settings
from ovenwright.domain.run import NS
from ovenwright.workflow.following import Following
from ovenwright.workflow.forecast_beside import ForecastProcess
from ovenwright.workflow.foreseeing import can_foresee

_EVERY_S = 1.0
_LOOK_S = 1.0
_UNSEEN_S = 60.0  # without anybody looking on; a page that is opened again finds it there
_AGAIN_S = 60.0  # before another is started where one has ended


class Foreseer:
    """Keeps a forecast of a recording while somebody looks on.

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
        self._process: ForecastProcess | None = None
        self.found: dict[str, Any] | None = None
        self._thread = threading.Thread(target=self._work, name="foreseer", daemon=True)
        if can_foresee(following.now.plan):
            self._thread.start()

    def end(self) -> None:
        """Ask no more."""
        self._stop.set()
        process = self._process
        if process is not None:
            process.end()

    def _work(self) -> None:
        seen_s, begun_s = time.monotonic(), -_AGAIN_S
        while not self._stop.wait(_LOOK_S):
            now_s = time.monotonic()
            if self._wanted():
                seen_s = now_s
            process = self._process
            if process is not None:
                if process.ended:
                    self._process = None
                elif now_s - seen_s > _UNSEEN_S:
                    self._process = None
                    process.end()
            elif self._wanted() and now_s - begun_s >= _AGAIN_S and self._goes_on():
                begun_s = now_s
                self._process = ForecastProcess(
                    self._settings.logbook,
                    self._following.now.head.id,
                    self._settings.kinetics,
                    every_s=_EVERY_S,
                    take=self._take,
                )
        process = self._process
        if process is not None:
            process.end()

    def _goes_on(self) -> bool:
        with self._lock:
            now = self._following.now
            return now.entry is not None and now.left_ns is None

    def _take(self, told: Mapping[str, Any]) -> None:
        newest_ns = self._following.now.newest_ns
        self.found = as_shown(told, newest_ns if told["at_ns"] is None else told["at_ns"])


def as_shown(told: Mapping[str, Any], at_ns: int) -> dict[str, Any]:
    """Return what a forecast beside a recording says, with moments in place of times from now on."""
    at_s = at_ns / NS

    def moved(one: Mapping[str, Any]) -> dict[str, Any]:
        timed = {
            "median_s": at_s + one["in_s"],
            "low_s": at_s + one["interval_90"][0],
            "high_s": at_s + one["interval_90"][1],
            "half_s": [at_s + v for v in one["interval_50"]],
            "open_ended": one["open_ended"],
        }
        names = {k: one[k] for k in ("channel", "requirement") if k in one}
        return names | ({"level_c": one["temp_c"]} if "temp_c" in one else {}) | timed

    return {
        "at_s": at_s,
        "found": [moved(one) for one in told["found"]],
        "requirements": [moved(one) for one in told["requirements"]],
        "refused": told["refused"],
        "rests_on": list(told["rests_on"]),
        "caution": told["caution"],
    }
