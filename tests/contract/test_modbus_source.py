"""The Modbus source against a server built on libmodbus, a package that shares no code with our client."""

from __future__ import annotations

import contextlib
import json
import math
import random
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ovenwright.cli.main import main
from ovenwright.domain.live import NoticeKind
from ovenwright.domain.run import Quality
from ovenwright.domain.sources.lines import SerialPort
from ovenwright.domain.sources.modbus import ModbusSource
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.finding_modbus import find_units
from ovenwright.sources.modbus import ModbusInstrument
from ovenwright.sources.modbus_link import ModbusLink, UnitSilent
from ovenwright.storage.plan_file import read_plan
from ovenwright.testing.source_suite import Listening, SystemClock

SERVER = Path(__file__).parent.parent / "peers" / "modbus_server.c"


class Peer:
    """The server, driven by lines on its standard input."""

    def __init__(self, program: Path, *how: str) -> None:
        self.process = subprocess.Popen(
            [str(program), *how], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "ready\n"

    def tell(self, *lines: str) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        for line in lines:
            self.process.stdin.write(line + "\n")
            self.process.stdin.flush()
            assert self.process.stdout.readline() == "done\n"

    def stop(self) -> None:
        self.process.kill()
        self.process.communicate()


@pytest.fixture(scope="session")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("gcc") is None or not Path("/usr/include/modbus/modbus.h").exists():
        pytest.skip("needs gcc and libmodbus-dev")
    built = tmp_path_factory.mktemp("peer") / "modbus_server"
    subprocess.run(
        ["gcc", "-O1", "-I/usr/include/modbus", "-o", str(built), str(SERVER), "-lmodbus"],
        check=True,
    )
    return built


@pytest.fixture
def port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@pytest.fixture
def peer(program: Path, port: int) -> Iterator[Peer]:
    peer = Peer(program, "tcp", str(port))
    yield peer
    peer.stop()


@pytest.fixture
def line(tmp_path: Path) -> Iterator[tuple[Path, Path, subprocess.Popen[bytes]]]:
    """Two ends of a serial line, and the program that joins them."""
    if shutil.which("socat") is None:
        pytest.skip("needs socat")
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    process = subprocess.Popen(
        ["socat", f"pty,raw,echo=0,link={ours}", f"pty,raw,echo=0,link={theirs}"]
    )
    end = time.monotonic() + 5
    while not (ours.exists() and theirs.exists()):
        assert time.monotonic() < end
        time.sleep(0.01)
    yield ours, theirs, process
    process.kill()
    process.wait()


def plan(**keys: Any) -> ModbusSource:
    keys = {"interval_s": 0.05, "timeout_s": 0.3} | keys
    made = ModbusSource.model_validate({"kind": "modbus"} | keys)
    assert made.places() == ()
    return made


def listen(made: ModbusSource) -> Listening:
    return Listening(ModbusInstrument(made, SystemClock()))


TWO = [
    {"channel": "core", "address": 0, "type": "float32"},
    {"channel": "air", "address": 10, "function": "input", "type": "int16", "scale": 0.1,
     "faults": [{"code": 32767, "means": "open"}]},
]  # fmt: skip


def test_floats_and_tenths_come_as_the_server_holds_them(peer: Peer, port: int) -> None:
    peer.tell("float 0 100.0", "input 10 2353")
    before = time.time_ns()
    with listen(plan(host="127.0.0.1", port=port, registers=TWO)) as heard:
        heard.until(lambda: len(heard.readings) >= 6)
    first = {r.channel: r for r in heard.readings[:2]}
    assert first["core"].value == 100.0
    assert first["air"].value == 235.3
    assert all(before <= r.time_ns <= time.time_ns() for r in heard.readings)
    assert all(r.module.endswith("unit 1") and r.known for r in heard.readings)
    assert heard.kinds()[0] is NoticeKind.CONNECTED


def test_negative_and_faulty_numbers(peer: Peer, port: int) -> None:
    peer.tell("float 0 -18.5", f"input 10 {(-125) & 0xFFFF}")
    with listen(plan(host="127.0.0.1", port=port, registers=TWO)) as heard:
        heard.until(lambda: len(heard.readings) >= 2)
        assert [r.value for r in heard.readings[:2]] == [-18.5, -12.5]
        peer.tell("input 10 32767", "hold 0 32704", "hold 1 0")  # 0x7FC00000 is a quiet NaN
        heard.until(lambda: heard.readings[-1].quality is not Quality.GOOD and heard.readings[-2].quality is not Quality.GOOD)  # fmt: skip
    last = {r.channel: r for r in heard.readings[-2:]}
    assert math.isnan(last["air"].value)
    assert last["air"].quality == Quality.OVERFLOW
    assert math.isnan(last["core"].value)
    assert last["core"].quality == Quality.MISSING


def test_swapped_registers_read_right_with_the_order_in_the_plan(peer: Peer, port: int) -> None:
    peer.tell("hold 4 0", f"hold 5 {0x42C8}")
    registers = [{"channel": "core", "address": 4, "type": "float32", "word_order": "little"}]
    with listen(plan(host="127.0.0.1", port=port, registers=registers)) as heard:
        heard.until(lambda: bool(heard.readings))
    assert heard.readings[0].value == 100.0


def test_millivolts_take_their_reference_along(peer: Peer, port: int) -> None:
    peer.tell("float 0 3.285", "hold 2 251", "hold 3 87")
    registers = [
        {"channel": "core", "address": 0, "type": "float32", "unit": "mV"},
        {"tells": "reference", "address": 2, "scale": 0.1},
        {"tells": "battery", "address": 3},
    ]
    with listen(plan(host="127.0.0.1", port=port, registers=registers)) as heard:
        heard.until(lambda: bool(heard.readings))
    reading = heard.readings[0]
    assert (reading.unit, reading.reference_c) == ("mV", 25.1)
    assert reading.value == pytest.approx(3.285)
    battery = [n for n in heard.notices if n.kind is NoticeKind.BATTERY]
    assert [b.value for b in battery] == [0.87]  # told once, not with each scan


def test_a_server_that_goes_and_comes_back(program: Path, port: int) -> None:
    first = Peer(program, "tcp", str(port))
    with listen(plan(host="127.0.0.1", port=port, registers=TWO)) as heard:
        heard.until(lambda: len(heard.readings) >= 4)
        first.stop()
        heard.until(lambda: NoticeKind.LOST in heard.kinds())
        count = len(heard.readings)
        second = Peer(program, "tcp", str(port))
        try:
            heard.until(lambda: len(heard.readings) > count)
        finally:
            second.stop()
    assert heard.kinds().count(NoticeKind.CONNECTED) == 2


def test_a_server_that_is_not_there_is_waited_for(port: int) -> None:
    with listen(plan(host="127.0.0.1", port=port, registers=TWO)) as heard:
        heard.until(lambda: heard.kinds().count(NoticeKind.WAITING) >= 2)
    assert NoticeKind.CONNECTED not in heard.kinds()
    assert f"127.0.0.1:{port}" in heard.notices[0].text


def test_a_mute_unit_is_told_and_heard_again(peer: Peer, port: int) -> None:
    with listen(plan(host="127.0.0.1", port=port, registers=TWO)) as heard:
        heard.until(lambda: len(heard.readings) >= 2)
        peer.tell("mute 1")
        heard.until(lambda: NoticeKind.LOST in heard.kinds())
        peer.tell("mute 0")
        count = len(heard.readings)
        heard.until(lambda: len(heard.readings) > count)
    assert any("answers again" in n.text for n in heard.notices)


def test_a_busy_unit_is_waited_for(peer: Peer, port: int) -> None:
    peer.tell("refuse 6")
    with listen(plan(host="127.0.0.1", port=port, registers=TWO)) as heard:
        heard.until(lambda: any("busy" in n.text for n in heard.notices))
        assert not heard.readings
        peer.tell("refuse 0")
        heard.until(lambda: bool(heard.readings))
    assert heard.trouble is None


def test_one_refused_register_does_not_take_its_neighbours_along(peer: Peer, port: int) -> None:
    # the server holds 400 registers: the second number reaches beyond them
    registers = [
        {"channel": "core", "address": 396, "type": "float32"},
        {"channel": "air", "address": 399, "type": "float32"},
    ]
    peer.tell("float 396 99.5")
    with listen(plan(host="127.0.0.1", port=port, registers=registers)) as heard:
        heard.until(lambda: len(heard.readings) >= 3)
    assert {r.channel for r in heard.readings} == {"core"}
    refused = [n for n in heard.notices if n.kind is NoticeKind.REFUSED]
    assert len(refused) == 1
    assert "399" in refused[0].text


def test_a_plan_that_can_not_fit_is_an_error(peer: Peer, port: int) -> None:
    registers = [{"channel": "core", "address": 40_001, "type": "float32"}]
    with listen(plan(host="127.0.0.1", port=port, registers=registers)) as heard:
        heard.until(lambda: heard.trouble is not None)
    assert "addresses count from 0" in str(heard.trouble)


def test_a_name_no_host_can_have_is_an_error() -> None:
    with listen(plan(host="a" * 70 + ".example", registers=TWO)) as heard:
        heard.until(lambda: heard.trouble is not None)
    assert "no host can be called" in str(heard.trouble)


def test_real_speed_over_many_channels(peer: Peer, port: int) -> None:
    """128 floats ten times a second: more than 16 modules of 8 channels at 4 Hz deliver."""
    registers = [{"channel": f"c{i}", "address": 2 * i, "type": "float32"} for i in range(128)]
    peer.tell(*(f"float {2 * i} {20 + i}" for i in range(128)))
    with listen(plan(host="127.0.0.1", port=port, registers=registers, interval_s=0.1)) as heard:
        heard.until(lambda: bool(heard.readings))
        time.sleep(2.0)
    assert [r.value for r in heard.readings[:128]] == [20.0 + i for i in range(128)]
    # on a busy machine a scan may be left out, which is then told
    left_out = sum(n.value for n in heard.notices if n.kind is NoticeKind.LOSS)
    assert left_out <= 4 * 128
    assert 19 * 128 <= len(heard.readings) + left_out <= 24 * 128


def test_rtu_over_a_serial_line(
    program: Path, line: tuple[Path, Path, subprocess.Popen[bytes]]
) -> None:
    ours, theirs, joined = line
    peer = Peer(program, "rtu", str(theirs), "7")
    try:
        peer.tell("float 0 180.25", "input 10 999")
        made = plan(serial={"device": str(ours), "baud": 115200}, unit_id=7, registers=TWO)
        with listen(made) as heard:
            heard.until(lambda: len(heard.readings) >= 10)
            assert [r.value for r in heard.readings[:2]] == [180.25, 99.9]
            joined.kill()  # as when the plug is pulled
            joined.wait()
            heard.until(lambda: NoticeKind.LOST in heard.kinds())
            heard.until(lambda: any("plugged in" in n.text for n in heard.notices))
    finally:
        peer.stop()


def test_finding_names_the_unit_and_guesses_its_numbers(peer: Peer, port: int) -> None:
    peer.tell("float 20 21.5", "float 22 22.25", "float 24 180.0")
    found = find_units(host="127.0.0.1", port=port, units=range(1, 3), timeout_s=0.3)
    assert [u.unit_id for u in found] == [1, 2]  # this server answers to any unit
    guesses = [g for g in found[0].guesses if g.function == "holding"]
    assert [(g.address, g.type.value, g.value) for g in guesses] == [
        (20, "float32", 21.5),
        (22, "float32", 22.25),
        (24, "float32", 180.0),
    ]
    assert all(g.word_order.value == "big" for g in guesses)


def test_find_over_a_line_is_set_as_asked_and_completes_the_plan(
    program: Path,
    line: tuple[Path, Path, subprocess.Popen[bytes]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    ours, theirs, _ = line
    file = tmp_path / "plan.toml"
    peer = Peer(program, "rtu", str(theirs), "7")
    words = ["find", f"modbus-rtu:{ours}", "--units", "7", "--write", str(file), "--json"]
    try:
        peer.tell("float 20 21.5", "float 22 22.25")
        assert main([*words, "--baud", "115200", "--stop-bits", "2"]) == 0
        first = json.loads(capsys.readouterr().out)
        before = file.read_text()
        peer.tell("float 24 180.0")
        assert main(words) == 0  # the plan knows how the line is set
        second = json.loads(capsys.readouterr().out)
        assert main(words) == 0
        third = json.loads(capsys.readouterr().out)
        # a pseudo-terminal knows no parity: that it refuses shows that it was asked
        assert main([*words[:2], "--parity", "even"]) == 4
        assert "parity" in capsys.readouterr().err
    finally:
        peer.stop()
    assert first["joined"] == [
        {"key": "7/holding 20", "channel": "unit 7 at 20"},
        {"key": "7/holding 22", "channel": "unit 7 at 22"},
    ]
    assert second["joined"] == [{"key": "7/holding 24", "channel": "unit 7 at 24"}]
    assert (third["joined"], third["wrote"]) == ([], "")
    (table,) = read_plan(file).instruments
    assert isinstance(table, ModbusSource)
    assert table.serial == SerialPort(device=str(ours), baud=115200, stop_bits=2)
    assert [r.address for r in table.registers] == [20, 22, 24]
    left = iter(file.read_text())
    assert all(letter in left for letter in before)


def test_finding_gives_up_politely_where_nothing_answers(port: int) -> None:
    with pytest.raises(InstrumentTrouble, match="no connection"):
        find_units(host="127.0.0.1", port=port, units=range(1, 3), timeout_s=0.2)


def test_a_clock_set_back_does_not_hold_up_a_silent_line(
    line: tuple[Path, Path, subprocess.Popen[bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    link = ModbusLink(serial=SerialPort(device=str(line[0]), baud=115200), timeout_s=0.3)
    link.open()
    begin = time.monotonic()
    monkeypatch.setattr(
        time,
        "time",
        lambda: time.time_ns() / 1e9 - (3600.0 if time.monotonic() - begin > 0.1 else 0.0),
    )
    with contextlib.closing(link), pytest.raises(UnitSilent):
        link.read(1, "holding", 0, 1)
    assert time.monotonic() - begin < 2.0


def test_swapped_registers_are_guessed_as_such(peer: Peer, port: int) -> None:
    peer.tell("hold 30 0", f"hold 31 {0x42C8}", "hold 32 0", f"hold 33 {0x41AC}")
    found = find_units(host="127.0.0.1", port=port, units=(1,), timeout_s=0.3)
    guesses = [g for g in found[0].guesses if g.function == "holding"]
    assert [(g.address, g.value, g.word_order.value) for g in guesses] == [
        (30, 100.0, "little"),
        (32, 21.5, "little"),
    ]


@pytest.mark.parametrize("seed", range(6))
def test_nonsense_from_the_network_is_told_and_never_a_reading(port: int, seed: int) -> None:
    """A peer that answers with noise, with headers that promise too much, or without end."""
    rng = random.Random(seed)
    stop = threading.Event()

    def talk() -> None:
        with socket.create_server(("127.0.0.1", port)) as server:
            server.settimeout(0.1)
            while not stop.is_set():
                try:
                    them, _ = server.accept()
                except TimeoutError:
                    continue
                them.settimeout(0.1)
                with them, contextlib.suppress(OSError):
                    while not stop.is_set():
                        asked = them.recv(300)
                        if not asked:
                            break
                        answer = rng.randbytes(rng.choice((1, 9, 300, 100_000)))
                        them.sendall(asked[: rng.choice((0, 2, 7, 8))] + answer)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        made = plan(host="127.0.0.1", port=port, registers=TWO, timeout_s=0.1)
        with listen(made) as heard:
            heard.until(lambda: NoticeKind.LOST in heard.kinds())
            time.sleep(0.5)
    finally:
        stop.set()
        thread.join()
    assert heard.trouble is None
    assert all(r.channel in ("core", "air") for r in heard.readings)
