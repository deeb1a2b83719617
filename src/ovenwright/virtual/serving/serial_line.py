"""A serial port that the oven writes lines of text to.

One line for each module and scan: time, module, count, reference junction, battery, then every
input that has a channel::

    2026-03-03T04:42:02.000Z;gateway;2;25.30;95.9;1=29.1;2=29.0;3=---;4=OL

``---`` is no reading, ``OL`` an open sensor. Where the path names a port that is there, it is
opened; where there is nothing, a pseudo-terminal is made and the path leads to its other end.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from ovenwright.errors import InstrumentTrouble
from ovenwright.virtual.scenario import Scenario
from ovenwright.virtual.serving.address import Address
from ovenwright.virtual.serving.frames import Frame, Shown, level_name
from ovenwright.virtual.serving.outlet import Mischief
from ovenwright.virtual.serving.truth import stamp_text

BAUD = 115_200
_MARKS = {Shown.NOTHING: "---", Shown.OPEN: "OL"}


def line_of(frame: Frame) -> str:
    """Return a frame as a line, without its ending."""
    cells = [
        stamp_text(frame.stamp_ns),
        level_name(frame.module),
        str(frame.sequence),
        f"{frame.reference_c:.2f}",
        f"{frame.battery:.1f}",
        *(f"{n}={_cell(v)}" for n, v in frame.shown.items()),
    ]
    return ";".join(cells)


def _cell(value: float | Shown) -> str:
    return _MARKS[value] if isinstance(value, Shown) else repr(value)


class SerialLine:
    """An :class:`~ovenwright.virtual.serving.outlet.Outlet` that writes to a serial port."""

    def __init__(self, address: Address, scenario: Scenario, mischief: Mischief) -> None:
        del scenario, mischief
        self._path = Path(address.path)
        self._handle = -1
        self._other = -1
        self._made = False
        self._unsent = b""
        self._lost = 0

    @property
    def url(self) -> str:
        """Where the readings can be read."""
        return f"serial:{self._path}"

    def open(self) -> None:
        """Open the port, or make one.

        Raises
        ------
        InstrumentTrouble : if that can't be done
        """
        dangling = self._path.is_symlink() and not self._path.exists()
        if dangling:  # left behind by one that was killed
            self._path.unlink()
        try:
            if self._path.exists():
                self._handle = os.open(self._path, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
                _make_raw(self._handle)
            else:
                self._make()
        except OSError as cause:
            raise InstrumentTrouble(
                f"the port can't be opened: {cause.strerror or cause}",
                where=str(self._path),
                remedy="check the path and your rights to it",
            ) from cause

    def _make(self) -> None:
        openpty = getattr(os, "openpty", None)
        if openpty is None:
            raise InstrumentTrouble(
                "there is no such port, and none can be made here",
                where=str(self._path),
                remedy="name a port that is there, such as one of a linked pair",
            )
        self._handle, self._other = openpty()
        os.set_blocking(self._handle, False)
        _make_raw(self._other)
        self._path.symlink_to(os.ttyname(self._other))
        self._made = True

    def send(self, frames: tuple[Frame, ...]) -> None:
        """Write a scan; a reader that does not come loses the oldest lines, as on a wire."""
        for frame in frames:
            self._unsent += (line_of(frame) + "\r\n").encode("ascii", "replace")
        self.tick()
        while len(self._unsent) > 4096:
            _, _, self._unsent = self._unsent.partition(b"\n")
            self._lost += 1

    def tick(self) -> None:
        """Write what is still to be written."""
        if self._unsent and self._handle >= 0:
            with contextlib.suppress(BlockingIOError):
                self._unsent = self._unsent[os.write(self._handle, self._unsent) :]

    def close(self) -> None:
        """Close the port, and take away the one that was made."""
        with contextlib.suppress(OSError):
            self.tick()
        if self._made and self._path.is_symlink():
            self._path.unlink()
        for handle in (self._handle, self._other):
            if handle >= 0:
                os.close(handle)
        self._handle = self._other = -1

    def waits_for(self) -> str:
        """Nothing: whoever wants readings comes for them."""
        return ""

    def story(self) -> str:
        """Return how many lines nobody read in time."""
        return f"{self._lost} lines were read by nobody" if self._lost else ""


def _make_raw(handle: int) -> None:
    """Have bytes pass as they are, at our speed."""
    try:
        import termios  # noqa: PLC0415  not on every system
        import tty  # noqa: PLC0415
    except ImportError:
        return
    if not os.isatty(handle):
        return
    tty.setraw(handle)
    settings = termios.tcgetattr(handle)
    speed = getattr(termios, f"B{BAUD}")
    settings[4] = settings[5] = speed
    termios.tcsetattr(handle, termios.TCSANOW, settings)
