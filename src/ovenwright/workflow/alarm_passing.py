"""Pass alarms on to a program or an MQTT topic, without ever holding up the recorder."""

from __future__ import annotations

import json
import os
import queue
import subprocess
import threading
from collections.abc import Callable
from typing import Self

from ovenwright.errors import OvenwrightError
from ovenwright.recording.alarms import AlarmNews
from ovenwright.storage.run_facts import iso_from_ns

Publish = Callable[[str, str], None]
"""Publishes a text on a topic; may block, may raise an error of ours."""

_MOST_WAITING = 1000
_COMMAND_S = 30.0


def alarm_facts(news: AlarmNews, run_id: str) -> dict[str, object]:
    """Return an alarm as plain data, as a topic is told it."""
    return {
        "run": run_id,
        "alarm": news.alarm.name,
        "channel": news.channel,
        "raised": news.raised,
        "value": news.value if news.value == news.value else None,  # NaN
        "text": news.words,
        "time": iso_from_ns(news.at_ns),
    }


class AlarmPassing:
    """One thread that passes alarms on, in the order they came.

    Parameters
    ----------
    run_id : gives the id of the run when asked
    publish : takes a topic and a text, None where the plan has no broker
    trouble : is told in words when an alarm could not be passed on
    """

    def __init__(
        self, run_id: Callable[[], str], publish: Publish | None, trouble: Callable[[str], None]
    ) -> None:
        self._run_id = run_id
        self._publish = publish
        self._trouble = trouble
        self._waiting: queue.Queue[AlarmNews | None] = queue.Queue(_MOST_WAITING)
        self._thread = threading.Thread(target=self._work, name="alarms", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._waiting.put(None)
        self._thread.join(_COMMAND_S + 10.0)

    def __call__(self, news: AlarmNews) -> None:
        """Take an alarm to be passed on."""
        if not news.alarm.command and not news.alarm.topic:
            return
        try:
            self._waiting.put_nowait(news)
        except queue.Full:
            self._trouble(f"{news.alarm.name}: too many alarms are waiting to be passed on")

    def _work(self) -> None:
        while (news := self._waiting.get()) is not None:
            facts = alarm_facts(news, self._run_id())
            if news.alarm.command:
                self._run(news, facts)
            if news.alarm.topic:
                self._tell_topic(news, facts)

    def _run(self, news: AlarmNews, facts: dict[str, object]) -> None:
        told = {
            f"OVENWRIGHT_ALARM_{key.upper()}": "" if value is None else str(value)
            for key, value in facts.items()
        }
        try:
            done = subprocess.run(  # noqa: S603  # the plan's author names it; no shell takes part
                news.alarm.command,
                env=os.environ | told,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                timeout=_COMMAND_S,
                check=False,
            )
        except (OSError, subprocess.SubprocessError) as cause:
            self._trouble(f"{news.alarm.name}: the command can't be run ({cause})")
            return
        if done.returncode:
            said = done.stderr.decode(errors="replace").strip()[-200:]
            self._trouble(f"{news.alarm.name}: the command ended with {done.returncode} {said}")

    def _tell_topic(self, news: AlarmNews, facts: dict[str, object]) -> None:
        if self._publish is None:
            self._trouble(f"{news.alarm.name}: the plan has no MQTT instrument to tell topics by")
            return
        try:
            self._publish(news.alarm.topic, json.dumps(facts))
        except OvenwrightError as trouble:
            self._trouble(f"{news.alarm.name}: {trouble}")
