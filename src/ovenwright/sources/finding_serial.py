"""Which serial ports there are, and what they say."""

from __future__ import annotations

import string
import time
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlsplit

from serial.tools import list_ports

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.live import Clock, Stopping
from ovenwright.domain.sources.lines import SerialPort, TextMapping
from ovenwright.errors import InstrumentTrouble, OvenwrightError, UsageError
from ovenwright.sources.byte_links import SerialLink
from ovenwright.wire.line_cutting import LineCutter
from ovenwright.wire.text_lines import TextReader

BAUDS = (9600, 115200, 19200, 38400, 57600, 4800)
"""Speeds to listen at, the usual ones first: common practice, no source."""
ITEMS = ("{channel}={value}{unit}", "{channel}:{value}{unit}", "{channel} {value}{unit}")
NOTHING = "nothing was heard"
_KEPT = 5


@dataclass(frozen=True, slots=True)
class HeardPort:
    """One serial port, and what it said while it was listened to.

    ``lines`` are the last ones that came, ``item`` a pattern that finds readings in them ("" where
    none does), ``columns`` how many numbers stand in a line where no pattern fits, ``keys`` the
    instrument's own names. ``trouble`` says why it could not be listened to.
    """

    device: str
    description: str = ""
    serial: str = ""
    baud: int = 0
    lines: tuple[str, ...] = ()
    item: str = ""
    columns: int = 0
    keys: tuple[str, ...] = ()
    values: tuple[float, ...] = ()
    per_s: float = 0.0
    trouble: str = ""


def listen_ports(
    url: str, *, seconds: float, clock: Clock, stopping: Stopping | None = None
) -> tuple[Heard, ...]:
    """Listen to a serial port, or to all there are; nothing is sent.

    Parameters
    ----------
    url : ``serial:/dev/ttyUSB0`` or ``serial:COM3``, with ``?baud=9600`` where the speed is known;
        ``serial:`` alone for every port
    seconds : how long to listen to each port
    clock : the time of day
    stopping : tells to stop early

    Returns
    -------
    one for each port; a port that says nothing or can't be opened carries that as a remark

    Raises
    ------
    UsageError : if the URL can't be read
    InstrumentTrouble : if the port that was named can't be opened
    """
    device, bauds = _asked(url)
    known = {p.device: p for p in list_serial_ports()}
    heard: list[Heard] = []
    for name in [device] if device else list(known):
        port = hear_port(name, seconds=seconds / len(bauds), bauds=bauds, stopping=stopping)
        if device and port.trouble and not port.baud and port.trouble != NOTHING:
            raise InstrumentTrouble(port.trouble, where=name)
        heard.append(_heard(port, known.get(name), clock.now_ns()))
    return tuple(heard)


def _asked(url: str) -> tuple[str, tuple[int, ...]]:
    wrong = ""
    parts = urlsplit(url)
    try:
        asked = parse_qs(parts.query, strict_parsing=True) if parts.query else {}
        bauds = tuple(int(b) for b in asked.pop("baud", [])) or BAUDS
    except ValueError as cause:
        wrong = str(cause)
    else:
        if parts.scheme != "serial" or asked or any(b < 50 for b in bauds):
            wrong = "only baud can be given"
    if wrong:
        raise UsageError(
            f"{url!r} can't be read: {wrong}", remedy="such as serial:/dev/ttyUSB0?baud=9600"
        )
    return parts.netloc + parts.path, bauds


def _heard(port: HeardPort, known: HeardPort | None, now_ns: int) -> Heard:
    keys = port.keys or tuple(f"column {i + 1}" for i in range(port.columns))
    text: dict[str, Any] = {"item": port.item} if port.item else {"columns": list(keys)}
    proposal: dict[str, Any] = {}
    if keys:
        proposal = {
            "kind": "serial-text", "serial": {"device": port.device, "baud": port.baud},
            "text": text, "channels": {key: key for key in keys},
        }  # fmt: skip
    remarks = [port.trouble] if port.trouble else []
    if port.columns:
        remarks.append('which column is what has to be told; "" leaves one out, "time" is a time')
    if port.baud and not port.trouble:
        remarks.append(f"at {port.baud} baud it says: {port.lines[-1][:80]}")
    return Heard(
        address=f"serial:{port.device}",
        module=known.description if known is not None else port.device,
        channels=tuple(
            HeardChannel(key=key, value=value, rate_hz=port.per_s, count=1, last_ns=now_ns)
            for key, value in zip(keys, port.values or (float("nan"),) * len(keys), strict=True)
        ),
        serial=known.serial if known is not None else "",
        detail=f"{port.baud} baud" if port.baud else "",
        proposal=proposal,
        remarks=tuple(remarks),
    )


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
    stopping: Stopping | None = None,
) -> HeardPort:
    """Return what a serial port says; nothing is sent.

    Parameters
    ----------
    device : the port, such as /dev/ttyUSB0
    seconds : how long to listen at each speed
    bauds : speeds to try until readable lines come
    stopping : tells to stop early
    """
    best = HeardPort(device, trouble=NOTHING)
    for baud in bauds:
        if stopping is not None and stopping.is_set():
            break
        try:
            lines = _listen(SerialPort(device=device, baud=baud), seconds, stopping)
        except (OSError, OvenwrightError) as cause:
            return HeardPort(device, trouble=str(cause))
        readable = [t for t in lines if _readable(t)]
        if readable and 2 * len(readable) > len(lines):
            return _understood(device, baud, readable, seconds)
        if lines:
            best = HeardPort(device, baud=baud, trouble="what it says can't be read at this speed")
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


def _understood(device: str, baud: int, lines: list[str], seconds: float) -> HeardPort:
    kept = tuple(lines[-_KEPT:])
    for item in ITEMS:
        reader = TextReader(TextMapping(item=item, comment=""), {})
        said = [reader.decode(line, received_ns=0).readings for line in kept[-3:]]
        last = said[-1]
        names = tuple(r.channel for r in last)
        if last and all(_is_name(n) for n in names) and all(len(s) == len(last) for s in said):
            return HeardPort(device, baud=baud, lines=kept, item=item, keys=names,
                             values=tuple(r.value for r in last), per_s=len(lines) / seconds)  # fmt: skip
    cells = TextReader(TextMapping(columns=("a",)), {}).cells(kept[-1])
    return HeardPort(device, baud=baud, lines=kept, columns=len(cells),
                     values=tuple(_number(c) for c in cells), per_s=len(lines) / seconds)  # fmt: skip


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return float("nan")


def _is_name(text: str) -> bool:
    return any(c.isalpha() for c in text)
