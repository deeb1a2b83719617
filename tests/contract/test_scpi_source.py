"""The SCPI source against a shell script behind socat, over TCP and over a pseudo-terminal."""

from __future__ import annotations

import contextlib
import math
import resource
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ovenwright.domain.live import NoticeKind
from ovenwright.domain.run import Quality
from ovenwright.domain.sources.scpi import ScpiSource
from ovenwright.sources.scpi import ScpiInstrument
from ovenwright.testing.source_suite import Listening, SystemClock

SCRIPT = Path(__file__).parent.parent / "peers" / "scpi_instrument.sh"
FIELDS = [{"channel": "core"}, {"channel": "air"}]


class Instrument:
    """The script, and the files that steer it."""

    def __init__(self, folder: Path, address: str) -> None:
        if shutil.which("socat") is None or shutil.which("bash") is None:
            pytest.skip("needs socat and bash")
        self.folder = folder
        self.address = address
        self.identity("Invented Works,TX-20,0042,1.7")
        self.scan("+2.150E+01,+1.805E+02")
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            ["socat", self.address, f"EXEC:bash {SCRIPT} {self.folder}"], stderr=subprocess.DEVNULL
        )

    def identity(self, text: str) -> None:
        (self.folder / "identity").write_text(text + "\n")

    def scan(self, text: str) -> None:
        new = self.folder / "scan.new"
        new.write_text(text + "\n")
        new.rename(self.folder / "scan")  # so that no half of it is ever read

    def sent(self) -> list[str]:
        return (self.folder / "sent").read_text().splitlines()

    def stop(self) -> None:
        self.process.kill()
        self.process.wait()


@pytest.fixture
def port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@pytest.fixture
def instrument(tmp_path: Path, port: int) -> Iterator[Instrument]:
    made = Instrument(tmp_path, f"TCP-LISTEN:{port},bind=127.0.0.1,reuseaddr,fork")
    yield made
    made.stop()


def plan(**keys: Any) -> ScpiSource:
    keys = {
        "kind": "scpi", "fields": FIELDS, "interval_s": 0.1, "timeout_s": 0.5, "errors": "SYST:ERR?",
        "setup": ["CONF:TEMP TC,T,(@101,102)", "ROUT:SCAN (@101,102)"],
    } | keys  # fmt: skip
    made = ScpiSource.model_validate(keys)
    assert made.places() == ()
    return made


def listen(made: ScpiSource) -> Listening:
    return Listening(ScpiInstrument(made, SystemClock()))


def test_it_is_identified_set_up_and_read(instrument: Instrument, port: int) -> None:
    with listen(plan(host="127.0.0.1", port=port, identity="tx-20")) as heard:
        heard.until(lambda: len(heard.readings) >= 6)
    assert [(r.channel, r.value, r.module) for r in heard.readings[:2]] == [
        ("core", 21.5, "TX-20, serial 0042"),
        ("air", 180.5, "TX-20, serial 0042"),
    ]
    connected = next(n for n in heard.notices if n.kind is NoticeKind.CONNECTED)
    assert "serial 0042" in connected.text
    who = next(n for n in heard.notices if n.kind is NoticeKind.IDENTITY)
    assert (who.serial, who.firmware) == ("0042", "1.7")
    assert instrument.sent()[:2] == ["*IDN?", "SYST:ERR?"]
    assert "CONF:TEMP TC,T,(@101,102)" in instrument.sent()


def test_overload_and_not_a_number_are_no_readings(instrument: Instrument, port: int) -> None:
    instrument.scan("+9.90000000E+37,+9.91E37")
    with listen(plan(host="127.0.0.1", port=port)) as heard:
        heard.until(lambda: len(heard.readings) >= 2)
    assert all(math.isnan(r.value) for r in heard.readings)
    assert [r.quality for r in heard.readings[:2]] == [Quality.OVERFLOW, Quality.MISSING]


def test_another_instrument_is_not_read_by_mistake(instrument: Instrument, port: int) -> None:
    instrument.identity("Invented Works,PSU-1,7,1.0")
    with listen(plan(host="127.0.0.1", port=port, identity="TX-20")) as heard:
        heard.until(lambda: heard.trouble is not None)
    assert "PSU-1" in str(heard.trouble)
    assert not heard.readings


def test_a_command_it_does_not_know_is_the_plans_fault(instrument: Instrument, port: int) -> None:
    with listen(plan(host="127.0.0.1", port=port, setup=["CONF:WARMTH 1"])) as heard:
        heard.until(lambda: heard.trouble is not None)
    assert "CONF:WARMTH 1" in str(heard.trouble)
    assert "-113" in str(heard.trouble)


def test_too_few_numbers_are_refused_and_the_next_scan_is_read(
    instrument: Instrument, port: int
) -> None:
    instrument.scan("+2.150E+01")
    with listen(plan(host="127.0.0.1", port=port)) as heard:
        heard.until(lambda: NoticeKind.REFUSED in heard.kinds())
        instrument.scan("+2.2E+01,+1.8E+02")
        heard.until(lambda: bool(heard.readings))
    assert heard.readings[0].value == 22.0


def test_a_mute_instrument_is_tried_again(instrument: Instrument, port: int) -> None:
    with listen(plan(host="127.0.0.1", port=port)) as heard:
        heard.until(lambda: len(heard.readings) >= 2)
        (instrument.folder / "mute").touch()
        heard.until(lambda: NoticeKind.LOST in heard.kinds())
        (instrument.folder / "mute").unlink()
        count = len(heard.readings)
        heard.until(lambda: len(heard.readings) > count)
    assert any("no answer within" in n.text for n in heard.notices)
    assert heard.kinds().count(NoticeKind.CONNECTED) == 2


def test_over_a_serial_line_that_is_unplugged(tmp_path: Path) -> None:
    device = tmp_path / "port"
    instrument = Instrument(tmp_path, f"pty,raw,echo=0,link={device}")
    try:
        made = plan(serial={"device": str(device)})
        with listen(made) as heard:
            heard.until(lambda: len(heard.readings) >= 4)
            instrument.stop()
            heard.until(lambda: NoticeKind.LOST in heard.kinds())
            instrument.start()
            count = len(heard.readings)
            heard.until(lambda: len(heard.readings) > count)
    finally:
        instrument.stop()
    assert heard.readings[0].value == 21.5


def test_scans_that_could_not_be_made_are_counted(instrument: Instrument, port: int) -> None:
    # the recorder takes 0.35 s for each batch, the plan wants a scan each 0.1 s
    source = ScpiInstrument(plan(host="127.0.0.1", port=port), SystemClock())
    with Listening(source, delay_s=0.35) as heard:
        heard.until(lambda: len(heard.readings) >= 6)
    lost = [n.value for n in heard.notices if n.kind is NoticeKind.LOSS]
    assert lost
    assert all(value >= 2 and value % 2 == 0 for value in lost)  # two readings a scan


def test_a_name_no_host_can_have_is_an_error() -> None:
    with listen(plan(host="a" * 70 + ".example")) as heard:
        heard.until(lambda: heard.trouble is not None)
    assert "no host can be called" in str(heard.trouble)


def test_steady_pace(instrument: Instrument, port: int) -> None:
    with listen(plan(host="127.0.0.1", port=port, interval_s=0.05)) as heard:
        heard.until(lambda: len(heard.readings) >= 2)
        time.sleep(1.5)
    stamps = [r.time_ns / 1e9 for r in heard.readings if r.channel == "core"]
    mean = (stamps[-1] - stamps[0]) / (len(stamps) - 1)
    assert mean == pytest.approx(0.05, rel=0.1)


@pytest.mark.parametrize("flood", [b"x" * 65_536, b"1,2\n" * 16_384, bytes(range(256)) * 256])
def test_a_flood_is_told_in_bounded_memory(port: int, flood: bytes) -> None:
    """A peer that never stops sending, with lines or without."""
    stop = threading.Event()

    def talk() -> None:
        with socket.create_server(("127.0.0.1", port)) as server:
            server.settimeout(0.1)
            while not stop.is_set():
                with contextlib.suppress(OSError):
                    them, _ = server.accept()
                    with them:
                        them.settimeout(0.1)
                        while not stop.is_set():
                            them.sendall(flood)

    thread = threading.Thread(target=talk)
    thread.start()
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    try:
        with listen(plan(host="127.0.0.1", port=port, timeout_s=0.3)) as heard:
            heard.until(lambda: NoticeKind.WAITING in heard.kinds())
            time.sleep(0.5)
    finally:
        stop.set()
        thread.join()
    assert heard.trouble is None
    assert not heard.readings
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 40_000
