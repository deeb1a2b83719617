"""News of a recording on standard output, from a thread of its own so that nothing waits for it."""

from __future__ import annotations

import json
import math
import queue
import threading
from collections.abc import Callable, Mapping
from typing import Any, Self, TextIO

_MOST_WAITING = 10_000
_MOST_FORESEEN = 4
_PASSING = frozenset({"durable", "notice", "forecast"})  # a later one says it better

Words = Callable[[str, Mapping[str, Any]], str]


class EventPrinter:
    """Prints events in the order they came; a reader that is slow or gone holds nothing up.

    Parameters
    ----------
    out : where lines go
    as_json : one JSON object a line
    words : makes a line for people, empty for events that need none
    show : takes the words instead of printing them
    """

    def __init__(
        self,
        out: TextIO,
        *,
        as_json: bool = False,
        words: Words | None = None,
        show: Callable[[str], None] | None = None,
    ) -> None:
        self._out = out
        self._as_json = as_json
        self._words = words or in_words
        self._show = show
        self._waiting: queue.Queue[tuple[str, Mapping[str, Any]] | None] = queue.Queue()
        self._thread = threading.Thread(target=self._work, name="news", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._waiting.put(None)
        self._thread.join(10.0)

    def tell(self, event: str, facts: Mapping[str, Any]) -> None:
        """Take an event to be printed."""
        full = self._waiting.qsize() >= _MOST_WAITING
        if full and (event in _PASSING or self._waiting.qsize() >= 2 * _MOST_WAITING):
            return
        self._waiting.put((event, facts))

    def _work(self) -> None:
        gone = False
        while (news := self._waiting.get()) is not None:
            if gone:
                continue
            try:
                self._print(*news)
            except (OSError, ValueError):  # nobody reads any more; the recording goes on
                gone = True

    def _print(self, event: str, facts: Mapping[str, Any]) -> None:
        if self._as_json:
            line = json.dumps({"event": event} | _for_json(facts), ensure_ascii=False)
        else:
            line = self._words(event, facts)
        if not line:
            return
        if self._show is not None:
            self._show(line)
        else:
            self._out.write(line + "\n")
            self._out.flush()


def _for_json(facts: Mapping[str, Any]) -> dict[str, Any]:
    from ovenwright.storage.run_facts import iso_from_ns

    found: dict[str, Any] = {}
    for key, value in facts.items():
        if key.endswith("_ns"):
            found[key.removesuffix("_ns")] = None if value is None else iso_from_ns(value)
        elif isinstance(value, float) and not math.isfinite(value):
            found[key] = None
        else:
            found[key] = value
    return found


def in_words(event: str, facts: Mapping[str, Any]) -> str:
    """Return an event as a line for people, empty where none is needed."""
    make = _WORDS.get(event)
    return make(facts) if make is not None else ""


def _mark(facts: Mapping[str, Any]) -> str:
    where = f" ({facts['channel']})" if facts.get("channel") else ""
    return f"mark: {facts['kind']} {facts['text']}{where}".rstrip()


def _notice(facts: Mapping[str, Any]) -> str:
    if facts["kind"] in {"battery", "signal"}:
        return ""
    who, text = facts["module"] or "instrument", facts["text"] or facts["kind"]
    return text if text.startswith(f"{who}: ") else f"{who}: {text}"


def _forecast(facts: Mapping[str, Any]) -> str:
    if not facts["found"]:
        return f"no forecast: {facts['refused']}" if facts["refused"] else ""
    said = [
        f"{f['channel']} {f['temp_c']:g} °C in {_clock(f['in_s'])} "
        f"({_clock(f['interval_90'][0])} to {'> ' if f['open_ended'] else ''}"
        f"{_clock(f['interval_90'][1])})"
        for f in facts["found"]
    ]
    more = f"; {len(said) - _MOST_FORESEEN} more" if len(said) > _MOST_FORESEEN else ""
    return f"forecast, proves nothing: {'; '.join(said[:_MOST_FORESEEN])}{more}"


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(max(seconds, 0.0)), 60)
    return f"{minutes}:{rest:02d}"


def _recovered(facts: Mapping[str, Any]) -> str:
    if facts.get("trouble"):
        return f"cut off earlier: {facts['run']}: {facts['trouble']}"
    return f"cut off earlier, sealed now: {facts['run']} with {facts['samples']:,} readings"


_WORDS: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "waiting": lambda f: f"waiting for {f['for']}",
    "recording": lambda f: f"recording {f['run']}: {f['reason']}",
    "resumed": lambda f: f"going on with {f['run']}, {f['count']:,} readings are there",
    "mark": _mark,
    "notice": _notice,
    "recovered": _recovered,
    "stranger": lambda f: f"{f['channel']} is not in the plan and is not recorded",
    "refused": lambda f: f"{f['channel']}: unit {f['unit']!r} can't be recorded",
    "source ended": lambda f: f"{f['source']} ended: {f['reason']}",
    "trouble": lambda f: str(f["text"]),
    "forecast": _forecast,
    "disk refuses": lambda f: (
        f"{f['error']}; {f['unflushed']:,} readings are held in memory, room for "
        f"{f['room_for']:,} more"
    ),
    "disk takes again": lambda f: f"the disk takes readings again, {f['count']:,} are durable",
    "stopping": lambda f: f"stopping: {f['reason']}",
    "called off": lambda f: f"called off: {f['reason']}",
}
