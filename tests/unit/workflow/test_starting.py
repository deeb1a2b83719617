"""Recorders started as processes of their own, and how they stand as told by their files."""

import json
import os
import signal
import sys
import time
from dataclasses import asdict
from pathlib import Path

import pytest

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.errors import PlanFaults, UnknownName, UsageError
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.workflow.starting import (
    StartFacts,
    call_off,
    is_alive,
    process_began,
    recorders_dir,
    start_recording,
    start_state,
    starts,
    wait_for_start,
)
from ovenwright.workflow.waiting_now import read_waiting

PLAN = """
title = "Started"
[oven]
kind = "chamber"
name = "oven"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "loaf"
[recording]
interval_s = 1.0
[[channels]]
name = "core"
sensor = "T"
role = "core"
"""
SERIAL = """
[[instruments]]
kind = "serial-text"
serial = { device = "/dev/nothing-here" }
channels = { a = "core" }
text = { item = "{channel}={value}" }
"""
PIPED = """
[[instruments]]
kind = "standard-input"
channels = { a = "core" }
text = { item = "{channel}={value}" }
"""


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path / "book")


@pytest.fixture(scope="module")
def library() -> ReferenceLibrary:
    return read_reference_library(None)


@pytest.mark.parametrize(
    ("text", "start", "for_s", "trouble"),
    [
        (PLAN, "now", None, UsageError),  # no instrument
        (PLAN + PIPED, "now", None, UsageError),
        (PLAN + SERIAL, "whenever", None, UsageError),
        (PLAN + SERIAL, "above=nobody:60", None, UnknownName),
        (PLAN + SERIAL, "now", -1.0, UsageError),
        (PLAN.replace('"T"', '"Q"') + SERIAL, "now", None, PlanFaults),
    ],
)
def test_what_can_t_be_recorded_is_refused_before_anything_starts(  # noqa: PLR0917
    book: Logbook,
    library: ReferenceLibrary,
    text: str,
    start: str,
    for_s: float | None,
    trouble: type[Exception],
) -> None:
    with pytest.raises(trouble):
        start_recording(book, library, text, plan_name="p", start=start, for_s=for_s)
    assert not recorders_dir(book).exists()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_one_that_waits_is_called_off(book: Logbook, library: ReferenceLibrary) -> None:
    facts = start_recording(book, library, PLAN + SERIAL, plan_name="p", start="load-in", who="Ada")
    now = wait_for_start(book, facts.id, for_s=40)
    assert (now.state, now.waiting_for) == ("waiting", "the product to enter")
    assert [s.facts.who for s in starts(book)] == ["Ada"]
    assert os.getsid(facts.process) == facts.process  # it belongs to no terminal and no server
    assert call_off(book, facts.id).state == "called off"
    until = time.monotonic() + 10
    while is_alive(facts.process, facts.process_began):
        assert time.monotonic() < until
        time.sleep(0.05)
    with pytest.raises(UsageError):
        call_off(book, facts.id)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_what_is_heard_while_it_waits_can_be_seen(book: Logbook, library: ReferenceLibrary) -> None:
    near, far = os.openpty()
    text = (PLAN + SERIAL).replace("/dev/nothing-here", os.ttyname(far))
    facts = start_recording(book, library, text, plan_name="p", start="above=core:60")
    try:
        until = time.monotonic() + 60
        while (now := start_state(book, facts.id).now) is None or now.silent:
            assert time.monotonic() < until
            os.write(near, b"a=21.5\n")
            time.sleep(0.2)
        (core,) = now.channels
        assert (core.name, core.value_c, core.health) == ("core", 21.5, "ok")
        while (state := start_state(book, facts.id)).state == "waiting":
            assert time.monotonic() < until
            os.write(near, b"a=70.5\n")
            time.sleep(0.2)
        assert state.state == "recording"
        assert state.now is None
        while (recorders_dir(book) / f"{facts.id}.now").exists():
            assert time.monotonic() < until
            time.sleep(0.1)
    finally:
        os.kill(facts.process, signal.SIGKILL)
        os.close(near)
        os.close(far)


def test_an_old_or_broken_file_of_what_is_heard_tells_nothing(tmp_path: Path) -> None:
    path = tmp_path / "start.now"
    assert read_waiting(path) is None
    path.write_text('{"channels": [{"name": "core"')
    assert read_waiting(path) is None
    core = {"name": "core", "value_c": None, "rate_k_min": None, "health": "waiting", "age_s": None}
    path.write_text(json.dumps({"channels": [core], "remarks": ["no answer"]}))
    found = read_waiting(path)
    assert found is not None
    assert found.silent
    assert found.remarks == ("no answer",)
    then = path.stat().st_mtime - 60
    os.utime(path, (then, then))
    assert read_waiting(path) is None


def test_what_a_recorder_said_tells_how_it_stands(book: Logbook) -> None:
    place = recorders_dir(book)
    place.mkdir(parents=True)
    ident = "start-20260303T044200-abcdef"
    facts = StartFacts(
        ident, "Started", "p", "now", None, "", 0, os.getpid(), process_began(os.getpid())
    )
    (place / f"{ident}.json").write_text(json.dumps(asdict(facts)))
    log = place / f"{ident}.log"
    assert start_state(book, ident).state == "starting"
    said = [
        {"event": "waiting", "for": "core to be above 60 °C"},
        {"event": "recording", "run": "run-1"},
        {"event": "disk refuses", "error": "the disk is full"},
        {"event": "disk takes again"},
        {"event": "sealed", "run": "run-1"},
    ]
    states = []
    for n in range(1, len(said) + 1):
        log.write_text("a warning that is no JSON\n" + "\n".join(json.dumps(s) for s in said[:n]))
        now = start_state(book, ident)
        states.append((now.state, now.run, now.words))
    assert states == [
        ("waiting", "", ""),
        ("recording", "run-1", ""),
        ("recording", "run-1", "the disk is full"),
        ("recording", "run-1", ""),
        ("sealed", "run-1", ""),
    ]


def test_one_that_died_without_a_word_failed(book: Logbook) -> None:
    place = recorders_dir(book)
    place.mkdir(parents=True)
    ident = "start-20260303T044200-abcdef"
    facts = StartFacts(ident, "Started", "p", "now", None, "", 0, os.getpid(), "another process")
    (place / f"{ident}.json").write_text(json.dumps(asdict(facts)))
    now = start_state(book, ident)
    assert (now.state, now.words) == ("failed", "the recorder ended without a word")
    error = {"error": "InstrumentTrouble", "what": "no reading came", "remedy": "see the cable"}
    (place / f"{ident}.log").write_text(json.dumps(error))
    now = start_state(book, ident)
    assert (now.words, now.remedy) == ("no reading came", "see the cable")


@pytest.mark.parametrize("ident", ["", "start-x", "../start-20260303T044200-abcdef", "last"])
def test_only_ids_of_starts_are_looked_for(ident: str, book: Logbook) -> None:
    with pytest.raises(UnknownName):
        start_state(book, ident)
