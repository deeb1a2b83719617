"""A raw TCP connection or a serial port as a link that carries lines."""

from __future__ import annotations

import contextlib
import errno
import socket
import time
from collections import deque
from typing import Protocol

import serial

from ovenwright.domain.live import Clock, Stopping
from ovenwright.domain.sources.lines import SerialPort
from ovenwright.errors import InstrumentTrouble
from ovenwright.wire.line_cutting import LineCutter

TERMINAL_TROUBLE: type[Exception] = serial.SerialException
"""What setting a port may raise where the library lets it through."""
with contextlib.suppress(ImportError):  # there is none on Windows
    import termios

    TERMINAL_TROUBLE = termios.error

CHUNK = 65_536
ENDINGS = {"lf": "\n", "cr": "\r", "crlf": "\r\n"}
PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
_NS = 1_000_000_000
_TICK_S = 0.05
_MOST_AT_HAND = 1_000_000


class ByteLink(Protocol):
    """Bytes out and in. Trouble is an ``OSError``."""

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        ...

    def read(self, wait_s: float) -> bytes:
        """Return what is there, after `wait_s` at most; b"" for nothing."""
        ...

    def close(self) -> None:
        """Let go of the link."""
        ...


class TcpLink:
    """A raw TCP connection.

    Raises
    ------
    OSError : if it can't be made
    InstrumentTrouble : if no host can be called so
    """

    def __init__(self, host: str, port: int, *, timeout_s: float) -> None:
        try:
            self._socket = socket.create_connection((host, port), timeout=timeout_s)
        except UnicodeError as cause:
            raise no_host(host) from cause
        self._timeout_s = timeout_s
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        self._socket.settimeout(self._timeout_s)
        self._socket.sendall(data)

    def read(self, wait_s: float) -> bytes:
        """Return what is there, after `wait_s` at most; b"" for nothing."""
        self._socket.settimeout(max(wait_s, 1e-4))
        try:
            data = self._socket.recv(CHUNK)
        except TimeoutError:
            return b""
        if not data:
            raise ConnectionResetError("it closed the connection")
        return data

    def close(self) -> None:
        """Let go of the connection."""
        self._socket.close()


class SerialLink:
    """A serial port.

    Raises
    ------
    OSError : if the port is not there, is in use or has gone
    InstrumentTrouble : if this user may not open it, or it can't be set so
    """

    def __init__(self, port: SerialPort, *, timeout_s: float) -> None:
        try:
            self._port = serial.Serial(
                port=port.device,
                baudrate=port.baud,
                bytesize=port.data_bits,
                parity=PARITIES[port.parity],
                stopbits=port.stop_bits,
                timeout=_TICK_S,
                write_timeout=timeout_s,
                exclusive=True,
            )
        except serial.SerialException as cause:
            raise serial_trouble(cause, port) from cause
        except (ValueError, TERMINAL_TROUBLE) as cause:
            raise not_set_so(port) from cause

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        self._port.write(data)

    def read(self, wait_s: float) -> bytes:
        """Return what is there, after `wait_s` at most; b"" for nothing."""
        end_s = time.monotonic() + wait_s
        try:
            # changing the port's own timeout would set the whole port anew
            while True:
                there = self._port.in_waiting
                if not there and time.monotonic() >= end_s:
                    return b""
                if data := self._port.read(max(1, min(CHUNK, there))):
                    return bytes(data)
        except TypeError as cause:  # what the library gives when the port was closed beneath it
            raise OSError(errno.EIO, "the port has gone") from cause

    def close(self) -> None:
        """Let go of the port."""
        with contextlib.suppress(OSError):
            self._port.close()


def not_set_so(port: SerialPort) -> InstrumentTrouble:
    """Return what to raise for a port that refuses how it is to be set."""
    return InstrumentTrouble(
        "the port can't be set so", where=port.device,
        remedy="check baud, data_bits, parity and stop_bits",
    )  # fmt: skip


def no_host(host: str) -> InstrumentTrouble:
    """Return what to raise for a name that no host can have."""
    return InstrumentTrouble(
        f"no host can be called {host[:80]!r}", remedy="give a name or an address such as 192.0.2.7"
    )


def serial_trouble(cause: OSError, port: SerialPort) -> OSError | InstrumentTrouble:
    """Return what to raise when a port can't be opened: what no waiting can mend is told apart."""
    text = str(cause)
    if cause.errno == errno.EACCES or "Permission denied" in text:
        return InstrumentTrouble(
            "this user may not open the port", where=port.device,
            remedy="join the group that owns it, usually: sudo usermod -aG dialout $USER, then log in again",
        )  # fmt: skip
    if cause.errno == errno.EINVAL or "Invalid argument" in text:
        return not_set_so(port)
    if "exclusively lock" in text:
        return OSError("another program has the port open")
    if cause.errno == errno.ENOENT or "No such file" in text:
        return OSError("the port is not there; is it plugged in?")
    return OSError(text)


class LineLink:
    """Lines over a byte link, with bounded memory.

    Parameters
    ----------
    link : where the bytes go
    clock : its monotonic time sets deadlines
    encoding, longest : of the lines that come
    ending : what ends a line we send
    """

    def __init__(
        self,
        link: ByteLink,
        *,
        clock: Clock,
        encoding: str = "utf-8",
        longest: int = 65_536,
        ending: str = "\n",
    ) -> None:
        self.link = link
        self._clock = clock
        self._cutter = LineCutter(encoding=encoding, longest=longest)
        self._ending = ending
        self._encoding = encoding
        self._lines: deque[str] = deque()

    @property
    def dropped(self) -> int:
        """Lines thrown away because they were too long."""
        return self._cutter.dropped

    @property
    def unfinished(self) -> bool:
        """Whether the beginning of a line waits for its end."""
        return self._cutter.unfinished

    def send(self, line: str) -> None:
        """Send one line."""
        self.link.write((line + self._ending).encode(self._encoding, errors="replace"))

    def lines(self, wait_s: float) -> list[str]:
        """Return the whole lines that came, after `wait_s` at most."""
        self._lines.extend(self._cutter.feed(self.link.read(wait_s)))
        found = list(self._lines)
        self._lines.clear()
        return found

    def forget(self) -> None:
        """Throw away what came already, whole or broken: no answer to what is asked next.

        Raises
        ------
        OSError : if it does not stop sending
        """
        self._lines.clear()
        size = 0
        while more := self.link.read(0.0):
            self._cutter.feed(more)
            size += len(more)
            if size > _MOST_AT_HAND:
                raise OSError("it does not stop sending")
        self._cutter.finish()

    def answer(self, wait_s: float, stopping: Stopping) -> str:
        """Return the next line.

        Raises
        ------
        TimeoutError : if none came within `wait_s`, or it is told to stop
        """
        end_ns = self._clock.monotonic_ns() + round(wait_s * _NS)
        while not self._lines:
            left_s = (end_ns - self._clock.monotonic_ns()) / _NS
            if left_s <= 0 or stopping.is_set():
                raise TimeoutError(f"no answer within {wait_s:g} s")
            self._lines.extend(self._cutter.feed(self.link.read(min(left_s, 0.25))))
        return self._lines.popleft()

    def close(self) -> None:
        """Let go of the link."""
        self.link.close()
