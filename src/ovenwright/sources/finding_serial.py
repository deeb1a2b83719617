"""Which serial ports there are, and what they say."""

from __future__ import annotations

import string
import time
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field, replace
from typing import Any

from serial.tools import list_ports

from ovenwright.domain.live import Stopping
from ovenwright.domain.sources.lines import SerialPort
from ovenwright.errors import OvenwrightError
from ovenwright.sources.byte_links import SerialLink
from ovenwright.wire.guessing_lines import guess_lines
from ovenwright.wire.line_cutting import LineCutter

BAUDS = (9600, 115200, 19200, 38400, 57600, 4800)
"""Speeds to listen at, the usual ones first: common practice, no source."""
NOTHING = "nothing was heard"
_KEPT = 5


@dataclass(frozen=True, slots=True)
class HeardPort:
    """One serial port, and what it said while it was listened to.

    ``lines`` are the last ones that came, ``text`` a plan's ``text`` table as plain data that would
    read them (empty where none is found), ``keys`` the instrument's own names, ``values`` what the
    last line gave. ``trouble`` says why it could not be listened to.
    """

    device: str
    description: str = ""
    serial: str = ""
    baud: int = 0
    lines: tuple[str, ...] = ()
    text: Mapping[str, Any] = field(default_factory=dict)
    keys: tuple[str, ...] = ()
    values: tuple[float, ...] = ()
    per_s: float = 0.0
    trouble: str = ""


def list_serial_ports() -> tuple[HeardPort, ...]:
    """Return the serial ports of this computer, without listening to them."""
    return tuple(
        HeardPort(
            device=str(p.device), description=str(p.description), serial=str(p.serial_number or "")
        )
        for p in sorted(list_ports.comports())
    )


def hear_port(
    device: str,
    *,
    seconds: float = 3.0,
    bauds: Iterable[int] = BAUDS,
    framing: Mapping[str, Any] | None = None,
    stopping: Stopping | None = None,
) -> HeardPort:
    """Return what a serial port says; nothing is sent.

    Parameters
    ----------
    device : the port, such as /dev/ttyUSB0
    seconds : how long to listen at each speed
    bauds : speeds to try until readable lines come
    framing : data_bits, parity and stop_bits of the port where they are not the usual ones
    stopping : tells to stop early
    """
    known = next((p for p in list_serial_ports() if p.device == device), HeardPort(device))
    best = replace(known, trouble=NOTHING)
    for baud in bauds:
        if stopping is not None and stopping.is_set():
            break
        try:
            port = SerialPort.model_validate({**(framing or {}), "device": device, "baud": baud})
            lines = _listen(port, seconds, stopping)
        except (OSError, OvenwrightError) as cause:
            return replace(known, trouble=str(cause))
        readable = [t for t in lines if _readable(t)]
        if readable and 2 * len(readable) > len(lines):
            # the first line may be the end of one only
            guess = guess_lines(readable[1:] or readable)
            return replace(
                known,
                baud=baud,
                lines=tuple(readable[-_KEPT:]),
                text=guess.text,
                keys=guess.keys,
                values=guess.values,
                per_s=len(readable) / seconds,
            )
        if lines:
            best = replace(known, baud=baud, trouble="what it says can't be read at this speed")
    return best


def _listen(port: SerialPort, seconds: float, stopping: Stopping | None) -> list[str]:
    cutter = LineCutter(encoding="utf-8", longest=2_000)
    lines: list[str] = []
    end = time.monotonic() + seconds
    with closing(SerialLink(port, timeout_s=1.0)) as link:
        while time.monotonic() < end and not (stopping is not None and stopping.is_set()):
            lines = (lines + cutter.feed(link.read(0.1)))[-1_000:]
    return lines


def _readable(line: str) -> bool:
    allowed = set(string.printable) | set("°ΩµäöüÄÖÜé℃")
    return all(c in allowed for c in line) and any(c.isdigit() for c in line)
