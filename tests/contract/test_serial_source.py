"""The serial text source over a pair of pseudo-terminals that socat joins."""

from __future__ import annotations

import os
import select
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ovenwright.domain.live import NoticeKind
from ovenwright.domain.run import Quality
from ovenwright.domain.sources.serial_text import SerialTextSource
from ovenwright.sources.finding_serial import hear_port
from ovenwright.sources.serial_text import SerialTextInstrument
from ovenwright.testing.source_suite import Listening, SystemClock


class Line:
    """Two ends of a serial line; the far end is written to as the instrument would."""

    def __init__(self, folder: Path) -> None:
        if shutil.which("socat") is None:
            pytest.skip("needs socat")
        self.ours, self._theirs = folder / "ours", folder / "theirs"
        self.plug_in()

    def plug_in(self) -> None:
        self._socat = subprocess.Popen(
            ["socat", f"pty,raw,echo=0,link={self.ours}", f"pty,raw,echo=0,link={self._theirs}"]
        )
        end = time.monotonic() + 5
        while not (self.ours.exists() and self._theirs.exists()):
            assert time.monotonic() < end
            time.sleep(0.01)
        self._far = os.open(self._theirs, os.O_RDWR | os.O_NOCTTY)

    def say(self, text: str) -> None:
        os.write(self._far, text.encode())

    def hear(self) -> str:
        assert select.select([self._far], [], [], 5.0)[0], "nothing was sent"
        return os.read(self._far, 4096).decode()

    def unplug(self) -> None:
        self._socat.kill()
        self._socat.wait()
        os.close(self._far)


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    made = Line(tmp_path)
    yield made
    made.unplug()


def listen(line: Line, **keys: Any) -> Listening:
    made = SerialTextSource.model_validate(
        {
            "kind": "serial-text",
            "serial": {"device": str(line.ours), "baud": 115200},
            "text": {"item": "{channel}={value}{unit}"},
            "channels": {"T1": "core", "T2": "air"},
        }
        | keys
    )
    assert made.places() == ()
    return Listening(SerialTextInstrument(made, SystemClock()))


def until_open(heard: Listening) -> None:
    heard.until(lambda: NoticeKind.CONNECTED in heard.kinds())
    time.sleep(0.7)  # a silence, after which the next byte begins a line


def test_named_fields_of_a_line(line: Line) -> None:
    with listen(line) as heard:
        until_open(heard)
        line.say("T1=21.5C T2=356.0F T9=1.0C\r\n")
        heard.until(lambda: len(heard.readings) >= 3)
    assert [(r.channel, r.value, r.unit, r.known) for r in heard.readings] == [
        ("core", 21.5, "degC", True),
        ("air", 356.0, "degF", True),
        ("T9", 1.0, "degC", False),
    ]


def test_a_line_in_pieces_is_one_line(line: Line) -> None:
    with listen(line) as heard:
        until_open(heard)
        for piece in ("T1=2", "1.", "5", "C\r", "\nT2=OPEN\n"):
            line.say(piece)
            time.sleep(0.03)
        heard.until(lambda: len(heard.readings) >= 2)
    assert heard.readings[0].value == 21.5
    assert heard.readings[1].quality == Quality.OVERFLOW


def test_opened_in_the_middle_of_a_line(line: Line) -> None:
    with listen(line, text={"columns": ["T1", "T2"], "separator": ";"}) as heard:
        heard.until(lambda: NoticeKind.CONNECTED in heard.kinds())
        line.say("3.4;180.0\r\n123.4;180.0\r\n")  # the end of a 123.4 would pass for 3.4 °C
        heard.until(lambda: bool(heard.readings))
    assert [r.value for r in heard.readings] == [123.4, 180.0]


def test_unplugged_and_plugged_in_again(line: Line) -> None:
    with listen(line) as heard:
        until_open(heard)
        line.say("T1=20.0C\n")
        heard.until(lambda: bool(heard.readings))
        line.unplug()
        heard.until(lambda: NoticeKind.LOST in heard.kinds())
        heard.until(lambda: any("plugged in" in n.text for n in heard.notices))
        line.plug_in()
        heard.until(lambda: heard.kinds().count(NoticeKind.CONNECTED) == 2)
        time.sleep(0.7)
        line.say("T1=22.0C\n")
        heard.until(lambda: len(heard.readings) >= 2)
    assert [r.value for r in heard.readings] == [20.0, 22.0]


def test_an_instrument_that_speaks_only_when_asked(line: Line) -> None:
    with listen(line, begin=["START"], ask="R?", interval_s=0.1) as heard:
        assert line.hear().startswith("START\r\n")
        for i in range(5):
            if i:
                line.hear()
            line.say(f"T1={20 + i}.0C\n")
        heard.until(lambda: len(heard.readings) >= 5)
    assert [r.value for r in heard.readings[:5]] == [20.0, 21.0, 22.0, 23.0, 24.0]


def test_noise_is_refused_and_what_follows_is_read(line: Line) -> None:
    with listen(line) as heard:
        until_open(heard)
        os.write(line._far, bytes(range(128, 256)) + b"\nT1=20.0C\n")
        heard.until(lambda: bool(heard.readings))
    assert NoticeKind.REFUSED in heard.kinds()
    assert heard.readings[0].value == 20.0


def test_a_silence_is_told_once(line: Line) -> None:
    with listen(line, silent_after_s=0.3) as heard:
        heard.until(lambda: NoticeKind.WAITING in heard.kinds())
        time.sleep(0.5)
    assert heard.kinds().count(NoticeKind.WAITING) == 1


def test_counts_battery_and_loss(line: Line) -> None:
    text = {"line": "#{sequence} B{battery} ", "item": "{channel}={value}", "comment": ""}
    with listen(line, text=text) as heard:
        until_open(heard)
        line.say("#7 B81 T1=20.0\n#8 B81 T1=20.1\n#11 B80 T1=20.2\n#1 B80 T1=20.3\n")
        heard.until(lambda: len(heard.readings) >= 4)
    assert [r.sequence for r in heard.readings] == [7, 8, 11, 1]
    told = [(n.kind, n.value) for n in heard.notices]
    assert (NoticeKind.BATTERY, 0.81) in told
    assert (NoticeKind.LOSS, 2.0) in told
    assert NoticeKind.REBOOTED in heard.kinds()


def test_real_speed_with_nothing_lost(line: Line) -> None:
    """Eight channels at 100 lines a second, ten times what an oven needs."""
    names = {f"T{i}": f"c{i}" for i in range(1, 9)}
    with listen(line, channels=names) as heard:
        until_open(heard)
        for n in range(200):
            line.say(" ".join(f"T{i}={n}.{i}C" for i in range(1, 9)) + "\r\n")
            time.sleep(0.01)
        heard.until(lambda: len(heard.readings) >= 1600)
    assert [r.value for r in heard.readings if r.channel == "c3"] == [n + 0.3 for n in range(200)]


class Talker:
    """Says a line every 20 ms until left."""

    def __init__(self, line: Line, text: str) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk, args=(line, text + "\r\n"))

    def _talk(self, line: Line, text: str) -> None:
        while not self._stop.wait(0.02):
            line.say(text)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()


def test_hearing_what_a_port_says(line: Line) -> None:
    with listen(line):  # a port in use says so instead of being shared
        time.sleep(0.3)
        assert "another program" in hear_port(str(line.ours), seconds=0.2).trouble
    with Talker(line, "T1=21.5C T2=23.0C"):
        heard = hear_port(str(line.ours), seconds=0.5, bauds=(9600,))
    assert heard.trouble == ""
    assert heard.baud == 9600
    assert heard.keys == ("T1", "T2")
    assert heard.lines[-1] == "T1=21.5C T2=23.0C"
    assert heard.text == {"item": "{channel}={value}{unit}"}
    assert 20 < heard.per_s < 60


def test_columns_without_names_are_counted(line: Line) -> None:
    with Talker(line, "21.5;23.0"):
        heard = hear_port(str(line.ours), seconds=0.4, bauds=(9600,))
    assert heard.text == {"columns": ["column 1", "column 2"]}
    assert heard.values == (21.5, 23.0)


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    assert "plugged in" in hear_port(f"{tmp_path}/none", seconds=0.2).trouble
