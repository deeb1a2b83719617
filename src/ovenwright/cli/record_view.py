"""The live view of a recording in a terminal, and its keys."""

from __future__ import annotations

import math
import sys
import threading
from collections import deque
from typing import TYPE_CHECKING, Self

from rich import box
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from ovenwright.domain.run import MarkKind
from ovenwright.recording.latest import Health
from ovenwright.recording.life import State

if TYPE_CHECKING:
    from ovenwright.recording.latest import Shown
    from ovenwright.recording.recorder import Recorder, Snapshot

_REFRESH_S = 0.5
_KEYS: dict[str, tuple[MarkKind, str]] = {
    "d": (MarkKind.DOOR, "door"),
    "i": (MarkKind.LOAD_IN, "load-in"),
    "o": (MarkKind.LOAD_OUT, "load-out"),
    "m": (MarkKind.NOTE, "noted by key"),
}
_KEY_LINE = "d door  i load-in  o load-out  m note  q stop and seal"
_STYLES = {Health.OK: "green", Health.WAITING: "dim"}


class LiveView:
    """Draws the last snapshot twice a second, in a thread of its own."""

    def __init__(self, unit: str) -> None:
        self._unit = unit
        self._snapshot: Snapshot | None = None
        self._notes: deque[str] = deque(maxlen=6)
        self._over = threading.Event()
        self._live = Live(console=Console(), auto_refresh=False, transient=False)
        self._threads = [threading.Thread(target=self._draw, name="view", daemon=True)]

    def __enter__(self) -> Self:
        self._live.start()
        self._threads[0].start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join(2.0)
        self._live.stop()

    def watch(self, snapshot: Snapshot) -> None:
        """Take the newest snapshot."""
        self._snapshot = snapshot

    def note(self, line: str) -> None:
        """Take a line of news."""
        self._notes.append(line)

    def serve_keys(self, recorder: Recorder) -> None:
        """Turn key presses into marks, where a keyboard is there."""
        if not sys.stdin.isatty() or sys.platform == "win32":
            return
        thread = threading.Thread(target=self._listen, args=(recorder,), name="keys", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _listen(self, recorder: Recorder) -> None:
        import select
        import termios
        import tty

        handle = sys.stdin.fileno()
        before = termios.tcgetattr(handle)
        try:
            tty.setcbreak(handle)
            while not self._over.is_set():
                if not select.select([handle], [], [], 0.2)[0]:
                    continue
                key = sys.stdin.read(1)
                if key == "q":
                    recorder.ask_to_stop()
                elif key in _KEYS:
                    recorder.ask_for_mark(*_KEYS[key])
        finally:
            termios.tcsetattr(handle, termios.TCSADRAIN, before)

    def _draw(self) -> None:
        while not self._over.wait(_REFRESH_S):
            if self._snapshot is not None:
                self._live.update(render(self._snapshot, tuple(self._notes), self._unit))
                self._live.refresh()


def render(snapshot: Snapshot, notes: tuple[str, ...], unit: str) -> RenderableType:
    """Return what the terminal shows of a snapshot."""
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1))
    for name in ("channel", f"°{unit}", f"°{unit}/min", "health", "readings"):
        right = name not in {"channel", "health"}
        table.add_column(name, justify="right" if right else "left", no_wrap=True)
    for row in snapshot.channels:
        table.add_row(
            Text(row.channel),
            _number(_shown(row.value_c, unit), 1),
            _number(row.rate_k_min * (1.8 if unit == "F" else 1.0), 1, sign=True),
            Text(_health(row), style=_STYLES.get(row.health, "bold red")),
            f"{row.count:,}",
        )
    parts: list[RenderableType] = [Text(_headline(snapshot), style="bold"), table]
    if snapshot.coming:
        ahead = ", ".join(f"{c.name} in {_clock(c.in_s)}" for c in snapshot.coming)
        parts.append(Text(f"next crossings at this rate: {ahead}"))
    if snapshot.links:
        more = f"; {len(snapshot.links) - 4} more" if len(snapshot.links) > 4 else ""
        parts.append(Text("; ".join(snapshot.links[:4]) + more))
    for name, channel in snapshot.alarms:
        parts.append(Text(f"ALARM {name}: {channel}", style="bold red"))
    if snapshot.unflushed > 1000:
        parts.append(Text(f"{snapshot.unflushed:,} readings wait for the disk", style="bold red"))
    parts += [Text(line, style="dim") for line in notes]
    parts.append(Text(_KEY_LINE if snapshot.state is State.RECORDING else "q call off"))
    return Group(*parts)


def _headline(snapshot: Snapshot) -> str:
    if snapshot.waiting_for:
        return f"waiting for {snapshot.waiting_for}"
    planned = f" of {_clock(snapshot.planned_s)}" if snapshot.planned_s else ""
    return (
        f"{snapshot.state} {snapshot.run_id}  {_clock(snapshot.elapsed_s)}{planned}  "
        f"{snapshot.durable:,} readings durable"
    )


def _health(row: Shown) -> str:
    if row.health is Health.SILENT:
        return f"silent {row.age_s:.0f} s"
    return row.health.value


def _shown(value_c: float, unit: str) -> float:
    return value_c * 1.8 + 32.0 if unit == "F" else value_c


def _number(value: float, digits: int, *, sign: bool = False) -> str:
    if math.isnan(value):
        return "–"
    return f"{value:+.{digits}f}" if sign else f"{value:.{digits}f}"


def _clock(seconds: float) -> str:
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"
