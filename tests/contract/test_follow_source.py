"""The file source against files that another process writes, and standard input over a real pipe."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ovenwright.domain.live import NoticeKind
from ovenwright.domain.run import NS
from ovenwright.domain.sources.follow_file import FollowFileSource, StandardInputSource
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.follow_file import FollowedFile, StandardInput
from ovenwright.testing.source_suite import Listening, SystemClock

HEAD = "time;T1;T2\n"
CHANNELS = {"T1": "core", "T2": "air"}
TEXT = {"header": True, "separator": ";", "time_zone": "UTC"}


def row(n: int, core: str = "20.5", air: str = "180.0") -> str:
    return f"2026-03-04 08:{n // 60:02d}:{n % 60:02d};{core};{air}\n"


def listen(path: Path, **keys: Any) -> Listening:
    made = FollowFileSource.model_validate(
        {"kind": "follow-file", "path": str(path), "text": TEXT, "channels": CHANNELS, "look_every_s": 0.02}
        | keys
    )  # fmt: skip
    assert made.places() == ()
    return Listening(FollowedFile(made, SystemClock()))


def add(path: Path, text: str) -> None:
    with path.open("a", encoding="utf-8") as f:
        f.write(text)


def core_of(heard: Listening) -> list[float]:
    return [r.value for r in heard.readings if r.channel == "core"]


def started(heard: Listening) -> None:
    heard.until(lambda: NoticeKind.CONNECTED in heard.kinds())
    time.sleep(0.1)


def test_only_new_lines_are_taken_and_headings_are_known(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEAD + row(0, "1.0") + row(1, "2.0"))
    with listen(path) as heard:
        started(heard)
        add(path, row(2, "21.5", "181.5"))
        heard.until(lambda: len(heard.readings) >= 2)
    assert [(r.channel, r.value) for r in heard.readings] == [("core", 21.5), ("air", 181.5)]
    assert heard.readings[0].time_ns == 1_772_611_202 * NS  # date -u -d '2026-03-04 08:00:02' +%s
    assert not heard.readings[0].late


def test_what_stood_there_can_be_read_as_late(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEAD + row(0, "1.0") + row(1, "2.0"))
    with listen(path, already_there="read") as heard:
        started(heard)
        add(path, row(2, "3.0"))
        heard.until(lambda: len(core_of(heard)) >= 3)
    assert [(r.value, r.late) for r in heard.readings if r.channel == "core"] == [
        (1.0, True),
        (2.0, True),
        (3.0, False),
    ]


def test_a_line_without_its_end_waits_for_it(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEAD + "2026-03-04 08:0")
    with listen(path) as heard:
        started(heard)
        add(path, "0:00;2")
        time.sleep(0.1)
        assert not heard.readings
        add(path, "1.5;180.0\n")
        heard.until(lambda: bool(heard.readings))
    assert core_of(heard) == [21.5]


def test_a_file_that_does_not_exist_yet(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    with listen(path) as heard:
        heard.until(lambda: NoticeKind.WAITING in heard.kinds())
        path.write_text(HEAD + row(0, "1.0"))
        started(heard)
        add(path, row(1, "2.0"))
        heard.until(lambda: 2.0 in core_of(heard))
    assert core_of(heard) == [1.0, 2.0]  # it was begun while we waited, so nothing is old


def test_renamed_away_and_begun_anew(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEAD)
    with listen(path) as heard:
        started(heard)
        add(path, row(0, "1.0"))
        heard.until(lambda: 1.0 in core_of(heard))
        path.rename(tmp_path / "log.1")
        add(tmp_path / "log.1", row(1, "2.0"))  # its last lines still come
        time.sleep(0.1)
        path.write_text("T2;time;T1\n" + "180.0;2026-03-04 08:00:05;3.0\n")  # other order
        heard.until(lambda: 3.0 in core_of(heard))
    assert core_of(heard) == [1.0, 2.0, 3.0]


def test_emptied_and_written_again(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEAD)
    with listen(path) as heard:
        started(heard)
        add(path, row(0, "1.0") + row(1, "2.0"))
        heard.until(lambda: 2.0 in core_of(heard))
        os.truncate(path, 0)
        add(path, HEAD + row(2, "3.0"))
        heard.until(lambda: 3.0 in core_of(heard))
    assert core_of(heard) == [1.0, 2.0, 3.0]
    assert any("cut short" in n.text for n in heard.notices)


def test_emptied_and_grown_beyond_the_old_place_between_two_looks(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("# first\n" + HEAD + row(0, "1.0"))
    with listen(path, look_every_s=0.3, already_there="read") as heard:
        heard.until(lambda: 1.0 in core_of(heard))
        with path.open("r+") as f:  # the same file, as copy-and-truncate leaves it
            f.truncate()
            f.write("# second\n" + HEAD + "".join(row(n, f"{n}.5") for n in range(10)))
        heard.until(lambda: 9.5 in core_of(heard))
    assert core_of(heard) == [1.0] + [n + 0.5 for n in range(10)]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes("time;T1 °C;Lüft\n".encode(encoding))
    text = TEXT | {"encoding": "latin-1" if encoding == "latin-1" else "utf-8"}
    with listen(path, text=text, channels={"T1 °C": "core", "Lüft": "air"}) as heard:
        started(heard)
        with path.open("ab") as f:
            plain = encoding.removesuffix("-sig") if encoding != "utf-16" else "utf-16-le"
            f.write("2026-03-04T08:00:00;20,5;180,0\n".replace(",", ".").encode(plain))
        heard.until(lambda: len(heard.readings) >= 2)
    assert [(r.channel, r.value) for r in heard.readings] == [("core", 20.5), ("air", 180.0)]


def test_a_long_file_is_not_read_from_its_beginning(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    with path.open("w") as f:
        f.write(HEAD)
        f.writelines(row(n % 3000) for n in range(400_000))
    before = time.monotonic()
    with listen(path) as heard:
        started(heard)
        add(path, row(0, "77.0"))
        heard.until(lambda: bool(heard.readings))
    assert time.monotonic() - before < 2.0
    assert core_of(heard) == [77.0]


def test_a_slow_recorder_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEAD)
    made = listen(path).__class__  # the same harness, with a slow hand
    plan = FollowFileSource.model_validate(
        {"kind": "follow-file", "path": str(path), "text": TEXT, "channels": CHANNELS, "look_every_s": 0.02}
    )  # fmt: skip
    with made(FollowedFile(plan, SystemClock()), delay_s=0.2) as heard:
        heard.until(lambda: NoticeKind.CONNECTED in heard.kinds())
        time.sleep(0.1)
        for n in range(200):
            add(path, row(n, f"{n}.0"))
            time.sleep(0.002)
        heard.until(lambda: len(heard.readings) >= 400)
    assert core_of(heard) == [float(n) for n in range(200)]


def test_a_writer_in_another_process_at_real_speed(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(HEAD)
    script = (
        "import sys, time\n"
        "f = open(sys.argv[1], 'a')\n"
        "for n in range(500):\n"
        "    f.write(f'2026-03-04 08:{n // 60:02d}:{n % 60:02d};{n}.0;180.0\\n'); f.flush()\n"
        "    time.sleep(0.002)\n"
    )
    with listen(path) as heard:
        started(heard)
        subprocess.run([sys.executable, "-c", script, str(path)], check=True)
        heard.until(lambda: len(heard.readings) >= 1000)
    assert core_of(heard) == [float(n) for n in range(500)]


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with listen(tmp_path) as heard:
        heard.until(lambda: heard.trouble is not None)
    assert isinstance(heard.trouble, InstrumentTrouble)


# standard input ---------------------------------------------------------------------------


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    reading, writing = os.pipe()
    yield reading, writing
    os.close(reading)


def stdin(descriptor: int) -> Listening:
    made = StandardInputSource.model_validate(
        {"kind": "standard-input", "text": {"item": "{channel}={value}"}, "channels": CHANNELS}
    )
    return Listening(StandardInput(made, SystemClock(), descriptor))


def test_lines_piped_in_until_the_end(pipe: tuple[int, int]) -> None:
    with stdin(pipe[0]) as heard:
        os.write(pipe[1], b"T1=20.5 T2=180\nT1=2")
        heard.until(lambda: len(heard.readings) >= 2)
        os.write(pipe[1], b"1.0\nT1=22.0")
        os.close(pipe[1])
        heard.until(lambda: NoticeKind.LOST in heard.kinds())
    assert core_of(heard) == [20.5, 21.0, 22.0]  # at the end a line needs no end of its own


def test_it_stops_while_nothing_comes(pipe: tuple[int, int]) -> None:
    with stdin(pipe[0]) as heard:
        heard.until(lambda: NoticeKind.CONNECTED in heard.kinds())
    os.close(pipe[1])


def test_a_flood_waits_at_the_door(pipe: tuple[int, int]) -> None:
    """A slow recorder holds the writer back: nothing is lost and memory stays bounded."""
    made = StandardInputSource.model_validate(
        {"kind": "standard-input", "text": {"item": "{channel}={value}"}, "channels": CHANNELS}
    )
    with Listening(StandardInput(made, SystemClock(), pipe[0]), delay_s=0.02) as heard:
        data = b"".join(b"T1=%d.0\n" % n for n in range(20_000))
        sent = 0
        while sent < len(data):
            sent += os.write(pipe[1], data[sent : sent + 65_536])
        os.close(pipe[1])
        heard.until(lambda: len(heard.readings) >= 20_000)
    assert core_of(heard) == [float(n) for n in range(20_000)]
