"""Looking for SCPI instruments: a shell script behind socat, over TCP and a pseudo-terminal."""

from __future__ import annotations

import json
import math
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ovenwright.cli.main import main
from ovenwright.domain.sources.lines import SerialPort
from ovenwright.domain.sources.scpi import ScpiSource
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.finding_scpi import identify
from ovenwright.sources.scpi import ScpiInstrument
from ovenwright.storage.plan_file import read_plan
from ovenwright.testing.source_suite import Listening, SystemClock

SCRIPT = Path(__file__).parent.parent / "peers" / "scpi_instrument.sh"
SCANNER = (
    "SYST:VERS?=1999.0\n"
    "ROUT:SCAN?=#214(@101,103:104)\n"
    'CONF?="TEMP TC,T,+1.0E+00","TEMP TC,T,+1.0E+00","VOLT:DC +1.0E-01,+1.0E-07"\n'
    "UNIT:TEMP?=C,F,C\n"
    "FETC?=+2.150E+01,+3.565E+02,+4.096E-03\n"
)


class Instrument:
    def __init__(self, folder: Path, address: str) -> None:
        if shutil.which("socat") is None or shutil.which("bash") is None:
            pytest.skip("needs socat and bash")
        self.folder = folder
        (folder / "identity").write_text("Invented Works,TX-20,0042,1.7\n")
        (folder / "scan").write_text("+2.150E+01,+3.565E+02,+4.096E-03\n")
        self.process = subprocess.Popen(
            ["socat", address, f"EXEC:bash {SCRIPT} {folder}"], stderr=subprocess.DEVNULL
        )

    def answers(self, text: str) -> None:
        (self.folder / "answers").write_text(text)

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
    until = time.monotonic() + 10
    while time.monotonic() < until:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=0.5).close()
            break
        except OSError:
            time.sleep(0.02)
    yield made
    made.stop()


def found(capsys: pytest.CaptureFixture[str], *words: str, expect: int = 0) -> dict[str, Any]:
    assert main(("find", *words, "--json")) == expect
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


def test_a_scanner_tells_who_it_is_and_what_it_measures(
    instrument: Instrument, port: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    instrument.answers(SCANNER)
    file = tmp_path / "plan.toml"
    told = found(capsys, f"scpi://127.0.0.1:{port}", "--seconds", "5", "--write", str(file))
    (module,) = told["modules"]
    assert (module["module"], module["serial"]) == ("TX-20", "0042")
    assert module["detail"] == "Invented Works firmware 1.7 SCPI 1999.0"
    seen = [(c["key"], c["detail"], c["value"], c["unit"]) for c in module["channels"]]
    assert seen == [
        ("field 1", "channel 101", 21.5, "degC"),
        ("field 2", "channel 103", 356.5, "degF"),
        ("field 3", "channel 104", pytest.approx(4.096), "mV"),
    ]
    assert any("tells = " in r for r in module["remarks"])
    assert all(line.endswith("?") for line in instrument.sent())  # nothing was set
    assert "READ?" not in instrument.sent()

    assert told["added"] == ["channel 101", "channel 103", "channel 104"]
    (table,) = read_plan(file).instruments
    assert isinstance(table, ScpiSource)
    assert (table.identity, table.errors) == ("TX-20", "SYST:ERR?")
    with Listening(ScpiInstrument(table, SystemClock())) as heard:  # it can be read as it stands
        heard.until(lambda: len(heard.readings) >= 3)
    assert [(r.channel, r.value, r.unit) for r in heard.readings[:3]] == [
        ("channel 101", 21.5, "degC"), ("channel 103", 356.5, "degF"), ("channel 104", 4.096, "mV"),
    ]  # fmt: skip

    again = found(capsys, f"scpi://127.0.0.1:{port}", "--seconds", "5", "--plan", str(file))
    assert again["against"]["known"] == ["field 1", "field 2", "field 3"]
    assert again["against"]["new"] == again["against"]["silent"] == []


def test_an_instrument_that_tells_no_more_than_its_name(
    instrument: Instrument, port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    told = found(capsys, f"scpi://127.0.0.1:{port}", "--seconds", "2")
    (module,) = told["modules"]
    assert (module["serial"], module["channels"], module["proposal"]) == ("0042", [], {})
    assert any("--measure" in r for r in module["remarks"])
    assert "READ?" not in instrument.sent()

    told = found(capsys, f"scpi://127.0.0.1:{port}", "--seconds", "2", "--measure")
    (module,) = told["modules"]
    assert [c["value"] for c in module["channels"]] == [21.5, 356.5, 0.004096]
    assert any("taken for temperatures" in r for r in module["remarks"])


def test_more_numbers_than_inputs(instrument: Instrument, port: int) -> None:
    instrument.answers("ROUT:SCAN?=(@1,2)\nCONF?=TEMP\nUNIT:TEMP?=C\nFETC?=21.5,0.0,180.25,0.1\n")
    (heard,) = identify("scpi:", host="127.0.0.1", port=port, clock=SystemClock(), seconds=3.0)
    assert [c.value for c in heard.channels] == [21.5, 180.25]
    assert heard.proposal["numbers_each"] == 2


def test_open_inputs_and_functions_that_are_no_temperature(
    instrument: Instrument, port: int
) -> None:
    instrument.answers('ROUT:SCAN?=(@1,2)\nCONF?="TEMP TC,K","FREQ 3"\nFETC?=+9.9E37,50.01\n')
    (heard,) = identify("scpi:", host="127.0.0.1", port=port, clock=SystemClock(), seconds=3.0)
    assert math.isnan(heard.channels[0].value)
    assert heard.proposal["fields"] == [{"channel": "channel 1"}, {}]
    assert any("passed over" in r for r in heard.remarks)


@pytest.mark.slow
def test_over_a_serial_line_whose_speed_is_not_known(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    device = tmp_path / "port"
    instrument = Instrument(tmp_path, f"pty,raw,echo=0,link={device}")
    instrument.answers("CONF?=TEMP TC,T\nUNIT:TEMP?=C\nFETC?=+2.150E+01\n")
    try:
        until = time.monotonic() + 10
        while not device.exists() and time.monotonic() < until:
            time.sleep(0.02)
        file = tmp_path / "plan.toml"
        told = found(capsys, f"scpi-serial:{device}", "--seconds", "8", "--write", str(file))
    finally:
        instrument.stop()
    (module,) = told["modules"]
    assert module["channels"][0]["value"] == 21.5
    (table,) = read_plan(file).instruments
    assert isinstance(table, ScpiSource)
    assert table.serial == SerialPort(device=str(device), baud=9600)


def test_who_does_not_speak_scpi_is_told_apart(
    instrument: Instrument, port: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (instrument.folder / "mute").touch()
    with pytest.raises(InstrumentTrouble, match="does not answer"):
        identify("scpi:", host="127.0.0.1", port=port, clock=SystemClock(), seconds=1.0)
    instrument.stop()
    assert main(("find", f"scpi://127.0.0.1:{port}", "--seconds", "1")) == 4
    assert main(("find", f"scpi-serial:{tmp_path / 'none'}", "--seconds", "1")) == 4
    assert main(("find", "scpi-serial:", "--seconds", "1")) == 2
    capsys.readouterr()
