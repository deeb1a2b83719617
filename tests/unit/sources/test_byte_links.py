"""What trouble with a port means: wait, or tell the person."""

import errno

import pytest
import serial

from ovenwright.domain.sources.lines import SerialPort
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.byte_links import SerialLink, TcpLink, serial_trouble

PORT = SerialPort(device="/dev/ttyUSB0")


@pytest.mark.parametrize(
    ("number", "text", "waits", "word"),
    [
        (errno.EACCES, "[Errno 13] could not open port: Permission denied", False, "dialout"),
        (errno.ENOENT, "[Errno 2] could not open port: No such file or directory", True, "plugged in"),
        (None, "Could not exclusively lock port /dev/ttyUSB0", True, "another program"),
        (errno.EINVAL, "Invalid argument", False, "parity"),
        (errno.EIO, "Input/output error", True, "Input/output error"),
    ],
)  # fmt: skip
def test_trouble_at_opening(number: int | None, text: str, waits: bool, word: str) -> None:
    cause = serial.SerialException(text) if number is None else serial.SerialException(number, text)
    found = serial_trouble(cause, PORT)
    assert isinstance(found, OSError) is waits
    assert isinstance(found, InstrumentTrouble) is not waits
    assert word in str(found)


def test_settings_no_port_has() -> None:
    with pytest.raises(OSError, match="plugged in"):
        SerialLink(SerialPort(device="/dev/there-is-none"), timeout_s=0.1)


def test_names_no_host_has() -> None:
    with pytest.raises(InstrumentTrouble, match="no host can be called"):
        TcpLink("a" * 70 + ".example", 5025, timeout_s=0.1)
