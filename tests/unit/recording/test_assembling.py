"""From journal to run: gaps and their reasons, interrupted ends, readings of every unit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ovenwright.domain.live import Reading
from ovenwright.domain.run import NS, MarkKind, Quality
from ovenwright.errors import TooLittleData, UnknownName, UsageError
from ovenwright.recording.assembling import run_from
from ovenwright.recording.gaps import MOST_MARKS, gap_marks
from ovenwright.recording.rules import Start, StartKind
from ovenwright.recording.sealing import seal_left_behind
from ovenwright.storage.journal import Journal, JournalHead, journal_files
from ovenwright.storage.journal_frames import FrameKind
from ovenwright.storage.journal_reading import recover
from ovenwright.storage.logbook import Logbook
from ovenwright.testing.recording_bench import PLAN
from ovenwright.wire.celsius import celsius_of
from ovenwright.workflow.recording_verbs import (
    mark_recording,
    open_recordings,
    recover_recordings,
    rescue,
)
from ovenwright.workflow.start_words import read_start

T0 = 1_772_633_520 * NS  # 2026-03-04T14:12:00Z


def axis(*spans: tuple[float, float], step_s: float = 0.5) -> np.ndarray[Any, np.dtype[np.int64]]:
    parts = [np.arange(a, b, step_s) for a, b in spans]
    return (T0 + np.concatenate(parts) * NS).astype(np.int64)


def test_holes_that_channels_share_are_one_mark_with_its_reason() -> None:
    times = {
        "a": axis((0, 10), (20, 40)),
        "b": axis((0, 10), (20, 40)),
        "c": axis((0, 10), (20, 30), (33, 40)),
    }
    events = [{"event": "resumed", "at_ns": T0 + 19 * NS}]
    (first, second), more = gap_marks(times, interval_s=0.5, events=events)
    assert more == 0
    assert first.channel is None
    assert first.text == "no reading for 10.5 s from every channel: the recorder was not running"
    assert (first.time_ns, first.until_ns) == (T0 + round(9.5 * NS), T0 + 20 * NS)
    assert (second.channel, second.text) == ("c", "no reading for 3.5 s")


def test_a_lost_link_is_the_reason_and_slow_instruments_have_no_holes() -> None:
    told = {"kind": "lost", "text": "broker went away", "at_ns": T0 + 12 * NS}
    ((mark,), _) = gap_marks({"a": axis((0, 10), (20, 30))}, interval_s=0.5, events=[told])
    assert mark.text.endswith(": broker went away")
    assert gap_marks({"a": axis((0, 60), step_s=10.0)}, interval_s=0.5) == ((), 0)


def test_very_many_holes_are_counted_rather_than_marked() -> None:
    spans = [(10.0 * i, 10.0 * i + 5) for i in range(MOST_MARKS + 11)]
    marks, more = gap_marks({"a": axis(*spans)}, interval_s=0.5)
    assert (len(marks), more) == (MOST_MARKS, 10)


def journal_of(folder: Path, readings: list[Reading], *, plan: str = PLAN) -> Journal:
    head = JournalHead("run", "Trial", ("core", "air"), plan, T0, interval_s=0.1)
    journal = Journal.create(folder, head)
    journal.append(readings, now_ns=T0)
    return journal


def test_each_unit_gives_what_the_single_reading_would(tmp_path: Path) -> None:
    from ovenwright.storage.plan_file import parse_plan

    nan = float("nan")
    given = [
        Reading("core", T0 + i * NS, T0, value, unit, quality, reference_c=reference)
        for i, (value, unit, quality, reference) in enumerate(
            [
                (21.5, "degC", Quality.GOOD, nan),
                (9.9e37, "degC", Quality.GOOD, nan),
                (nan, "degC", Quality.GOOD, nan),
                (55.0, "degC", Quality.OVERFLOW, nan),
                (70.7, "degF", Quality.GOOD, nan),
                (294.65, "K", Quality.GOOD, nan),
                (0.9, "mV", Quality.GOOD, 20.0),
                (0.9, "mV", Quality.GOOD, nan),
                (900.0, "mV", Quality.GOOD, 20.0),
                (108.0, "ohm", Quality.GOOD, nan),
            ]
        )
    ]
    journal = journal_of(tmp_path, given)
    run = run_from(recover(journal.files))
    journal.close()
    channel = parse_plan(PLAN).channels[0]
    expected = [celsius_of(reading, channel) for reading in given]
    core = run.series["core"]
    np.testing.assert_array_equal(core.value_c, [value for value, _ in expected])
    assert core.quality.tolist() == [int(bits) for _, bits in expected]


def test_millivolts_read_as_the_true_wire_are_not_restated_again(tmp_path: Path) -> None:
    # the plan says that the instrument was set to K; millivolts know nothing of that setting
    plan = PLAN.replace('sensor = "T"', 'sensor = "T"\nrecorded_as = "K"', 1)
    assert plan != PLAN
    for unit, value, restated in (("mV", 0.9, "K"), ("degC", 40.0, "")):
        folder = tmp_path / unit
        folder.mkdir()
        given = [Reading("core", T0, T0, value, unit, reference_c=20.0)]
        with journal_of(folder, given, plan=plan) as journal:
            core = run_from(recover(journal.files)).series["core"]
        assert core.restated_from == restated


def test_a_journal_without_its_plan_still_gives_its_temperatures(tmp_path: Path) -> None:
    given = [Reading("core", T0 + i, T0, 20.0, unit) for i, unit in enumerate(("degC", "mV"))]
    with journal_of(tmp_path, given, plan="no plan") as journal:
        core = run_from(recover(journal.files)).series["core"]
    assert core.value_c[0] == 20.0
    assert np.isnan(core.value_c[1])


def test_what_was_left_behind_is_sealed_with_its_end_marked(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    readings = [Reading("core", T0 + i * NS // 10, T0, 20.0 + i) for i in range(50)]
    with journal_of(book.journals_dir, readings) as journal:
        door = {
            "kind": "door", "time_ns": T0 + NS, "text": "open", "by": "person",
            "channel": None, "until_ns": None,
        }  # fmt: skip
        placed = door | {"time_ns": T0 + 2 * NS, "by": "tool", "token": "t"}
        journal.append([], [(FrameKind.MARK, door | {"token": "t"})], now_ns=T0)
        journal.append([], [(FrameKind.MARK, placed)], now_ns=T0)
        with pytest.raises(UsageError, match="still being recorded"):
            rescue(book, "run")
        (one,) = open_recordings(book)
        assert (one.recording, one.readings, one.channels) == (True, 50, ("core", "air"))
        assert recover_recordings(book) == ()
    (one,) = open_recordings(book)
    assert one.recording is False
    assert not rescue(book, "other")
    assert rescue(book, "ru")
    assert open_recordings(book) == ()
    run = book.open("run")
    assert [(m.kind, m.by) for m in run.marks] == [
        (MarkKind.DOOR, "tool"),
        (MarkKind.GAP, "tool"),
    ]
    assert run.marks[0].time_ns == T0 + 2 * NS
    assert "cut off here" in run.marks[1].text
    assert run.plan_toml == PLAN


def test_a_death_between_sealing_and_clearing_up_seals_nothing_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = Logbook(tmp_path)
    readings = [Reading("core", T0 + i * NS, T0, 20.0 + i) for i in range(5)]
    journal_of(book.journals_dir, readings).close()
    (files,) = journal_files(book.journals_dir)
    with monkeypatch.context() as patch:
        patch.setattr("ovenwright.recording.sealing.remove_files", lambda _: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            seal_left_behind(book, files)
    assert book.run_ids() == ("run",)
    assert seal_left_behind(book, files).run.id == "run"
    assert book.run_ids() == ("run",)
    assert journal_files(book.journals_dir) == ()
    # another recording under a name that is taken gets one of its own
    journal_of(book.journals_dir, readings[:3]).close()
    assert seal_left_behind(book, files).run.id == "run-2"


def test_an_empty_journal_is_cleared_away(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    journal_of(book.journals_dir, []).close()
    (left,) = recover_recordings(book)
    assert left.sealed is None
    assert journal_files(book.journals_dir) == ()
    with (
        journal_of(book.journals_dir, []) as journal,
        pytest.raises(TooLittleData, match="no reading came"),
    ):
        run_from(recover(journal.files))


def test_a_mark_for_a_channel_that_is_not_there_is_refused(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    with journal_of(book.journals_dir, []):
        with pytest.raises(UnknownName, match="'crust'"):
            mark_recording(book, "x", channel="crust")
        with pytest.raises(UnknownName, match="'other'"):
            mark_recording(book, "x", run_ref="other")
        run_id, mark = mark_recording(book, "x", kind=MarkKind.DOOR, channel="core")
        assert (run_id, mark.channel) == ("run", "core")


@pytest.mark.parametrize(
    ("words", "zone", "start"),
    [
        ("now", "UTC", Start()),
        ("load-in", "UTC", Start(StartKind.LOAD_IN)),
        ("above=core left: 60", "UTC", Start(StartKind.ABOVE, channel="core left", level_c=60.0)),
        ("below=a=b:-5.5 °C", "UTC", Start(StartKind.BELOW, channel="a=b", level_c=-5.5)),
        ("at=14:30", "UTC", Start(StartKind.AT, at_ns=T0 + 18 * 60 * NS)),
        ("at=14:12", "UTC", Start(StartKind.AT, at_ns=T0 + 24 * 3600 * NS)),
        ("at=16:30", "Europe/Riga", Start(StartKind.AT, at_ns=T0 + 18 * 60 * NS)),
        ("at=2026-03-04T14:30:00+00:00", "Asia/Tokyo", Start(StartKind.AT, at_ns=T0 + 1080 * NS)),
    ],
)
def test_the_words_of_a_start(words: str, zone: str, start: Start) -> None:
    assert repr(read_start(words, zone=zone, now_ns=T0)) == repr(start)


@pytest.mark.parametrize(
    "words", ["at=25:00", "at=noon", "above=60", "above=core", "when ready", ""]
)
def test_words_that_are_no_start(words: str) -> None:
    with pytest.raises(UsageError):
        read_start(words, zone="UTC", now_ns=T0)
