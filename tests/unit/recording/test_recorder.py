"""The recorder on a bench: what is kept, what is told, how it begins and ends."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
import pytest

from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading, Stopping
from ovenwright.domain.run import NS, Mark, MarkKind, Quality
from ovenwright.errors import InstrumentTrouble, StorageTrouble, UsageError
from ovenwright.recording.alarms import AlarmNews
from ovenwright.recording.gate import RecentWords
from ovenwright.recording.life import State
from ovenwright.recording.recorder import Snapshot
from ovenwright.recording.rules import Start, StartKind
from ovenwright.storage.journal import journal_files, write_as_guest
from ovenwright.storage.journal_frames import FrameKind
from ovenwright.storage.journal_reading import JournalReader
from ovenwright.testing.recording_bench import Bench, Scripted, Ticking


def now_batch(bench: Bench, value: float, **more: object) -> Batch:
    now = bench.steady.now_ns()
    return Batch((Reading("core", now, now, value, **more), Reading("air", now, now, 200.0)))  # type: ignore[arg-type]


def test_a_recording_from_start_to_sealed_file(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    source = Ticking(bench.steady)
    shots: list[Snapshot] = []
    sealed = bench.record([source], for_s=0.6, watch=shots.append)
    assert sealed is not None
    run = sealed.run
    assert run.samples == 2 * source.delivered
    np.testing.assert_array_equal(run.series["core"].value_c, 20.0 + np.arange(source.delivered))
    assert bench.book.verify("run").seal_intact
    assert journal_files(bench.book.journals_dir) == ()
    names = [name for name, _ in bench.told]
    assert names[0] == "recording"
    assert names[-1] == "sealed"
    counts = [facts["count"] for facts in bench.events("durable")]
    assert counts == sorted(counts)
    assert counts[-1] == run.samples
    assert {s.state for s in shots} >= {State.RECORDING}
    assert shots[-1].durable > 0


def test_batches_are_acknowledged_only_once_they_can_be_read_back(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    seen: list[bool] = []

    def check() -> None:
        (files,) = journal_files(bench.book.journals_dir)
        with JournalReader(files) as reader:
            kinds = [e.frame.kind for e in reader.tail()]
        seen.append(FrameKind.READINGS in kinds)

    now = bench.steady.now_ns()
    batch = Batch((Reading("core", now, now, 20.0),), acknowledge=check)
    bench.stop_when(lambda: bool(seen))
    bench.record([Scripted([batch])])
    assert seen == [True]


def test_strangers_and_unknown_units_are_told_and_never_recorded(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    now = bench.steady.now_ns()
    batch = Batch(
        (
            Reading("core", now, now, 20.0),
            Reading("gw9/1", now, now, 20.0, known=False),
            Reading("cellar", now, now, 20.0),
            Reading("air", now, now, 20.0, unit="Ra"),
        )
    )
    bench.stop_when(lambda: bool(bench.events("durable") and bench.events("stranger")))
    sealed = bench.record([Scripted([batch])])
    assert sealed is not None
    assert list(sealed.run.series) == ["core"]
    assert "air delivered nothing" in sealed.run.notes
    assert {f["channel"] for f in bench.events("stranger")} == {"gw9/1", "cellar"}
    assert bench.events("refused") == [{"channel": "air", "unit": "Ra"}]


def test_late_readings_fall_into_place_and_those_from_before_stay_out(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    t = bench.steady.now_ns() + NS

    def one(offset_s: float, value: float, *, late: bool = False) -> Batch:
        at = t + round(offset_s * NS)
        return Batch((Reading("core", at, t + 5 * NS, value, late=late),))

    batches = [one(0, 20.0), one(3, 23.0), one(1, 21.0, late=True), one(2, 22.0, late=True)]
    batches += [one(-3600, 99.0, late=True), one(3, 23.0), one(1, 77.0, late=True)]
    batches.append(Batch(acknowledge=bench.stopping.set))
    sealed = bench.record([Scripted(batches, pause_s=0.03)])
    assert sealed is not None
    core = sealed.run.series["core"]
    assert core.value_c.tolist() == [20.0, 21.0, 22.0, 23.0]
    moved, other = Quality.REORDERED, Quality.REORDERED | Quality.REPEATED
    assert core.quality.tolist() == [0, other, moved, 0]
    assert any("before the start" in note for note in sealed.run.notes)


def test_several_receipts_at_one_moment_are_kept_apart(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    now = bench.steady.now_ns()
    batch = Batch(tuple(Reading("core", now, now, 20.0 + i) for i in range(5)))
    bench.stop_when(lambda: any(f["count"] >= 5 for f in bench.events("durable")))
    sealed = bench.record([Scripted([batch])])
    assert sealed is not None
    core = sealed.run.series["core"]
    assert core.value_c.tolist() == [20.0, 21.0, 22.0, 23.0, 24.0]
    assert core.quality.tolist() == 5 * [Quality.RESTAMPED]
    # a file that is piped in at once goes by the planned interval, back from its receipt
    assert np.diff(core.time_ns).tolist() == pytest.approx(4 * [NS // 10], abs=NS // 1000)
    assert abs(int(core.time_ns[-1]) - now) < NS // 1000
    assert any("set apart" in note for note in sealed.run.notes)


def test_other_units_come_out_as_celsius_with_the_raw_beside(tmp_path: Path) -> None:
    # NIST Monograph 175, type T: 4.279 mV at 100 °C over a junction at 0 °C; 0.992 mV at 25 °C
    bench = Bench(tmp_path)
    now = bench.steady.now_ns()
    batch = Batch(
        (
            Reading("core", now, now, 4.279 - 0.992, unit="mV", reference_c=25.0),
            Reading("air", now, now, 212.0, unit="degF"),
        )
    )
    bench.stop_when(lambda: any(f["count"] >= 2 for f in bench.events("durable")))
    sealed = bench.record([Scripted([batch])])
    assert sealed is not None
    series = sealed.run.series
    assert series["core"].value_c[0] == pytest.approx(100.0, abs=0.02)
    assert (series["core"].raw_unit, series["air"].raw_unit) == ("mV", "degF")
    assert series["air"].value_c[0] == pytest.approx(100.0)
    assert series["core reference junction"].value_c.tolist() == [25.0]


def test_a_start_by_temperature_keeps_the_lead_in(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    source = Ticking(bench.steady)
    start = Start(StartKind.ABOVE, channel="core", level_c=40.0)
    sealed = bench.record([source], start=start, for_s=0.2)
    assert sealed is not None
    assert sealed.run.series["core"].value_c[0] == 20.0
    assert [name for name, _ in bench.told][:2] == ["waiting", "recording"]


def test_called_off_while_waiting_leaves_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.stop_when(lambda: bool(bench.events("waiting")))
    start = Start(StartKind.ABOVE, channel="core", level_c=4000.0)
    assert bench.record([Ticking(bench.steady)], start=start) is None
    assert bench.events("called off")
    assert not bench.book.folder.exists()


def test_marks_and_requests_of_other_processes_are_taken_up(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    def knock() -> None:
        while not bench.events("durable"):
            time.sleep(0.01)
        (files,) = journal_files(bench.book.journals_dir)
        now = time.time_ns()
        facts = {
            "kind": "door", "time_ns": now, "text": "opened", "by": "person", "channel": None,
            "until_ns": None, "token": "abc",
        }  # fmt: skip
        write_as_guest(files, FrameKind.MARK, facts, now_ns=now)
        write_as_guest(files, FrameKind.EVENT, {"event": "stop", "by": "command"}, now_ns=now)

    guest = threading.Thread(target=knock)
    guest.start()
    sealed = bench.record([Ticking(bench.steady)])
    guest.join()
    assert sealed is not None
    (mark,) = [m for m in sealed.run.marks if m.kind is MarkKind.DOOR]
    assert (mark.text, mark.by) == ("opened", "person")
    assert sealed.run.start_ns - NS < mark.time_ns < sealed.run.end_ns + NS
    assert bench.events("stopping")[0]["reason"] == "stopped by command"
    with pytest.raises(UsageError, match="no recording is going on"):
        write_as_guest(
            journal_files(tmp_path)[0] if journal_files(tmp_path) else _gone(bench),
            FrameKind.EVENT,
            {},
            now_ns=1,
        )


def _gone(bench: Bench):  # type: ignore[no-untyped-def]
    from ovenwright.storage.journal import JournalFiles

    return JournalFiles(bench.book.journals_dir / "run.sqlite")


def test_marks_stand_on_the_axis_of_an_instrument_with_another_clock(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    away = 7200 * NS
    now = bench.steady.now_ns()
    batches = [Batch((Reading("core", now + away + i * NS, now + i * NS, 20.0),)) for i in range(3)]
    recorder = bench.recorder([Scripted(batches, pause_s=0.02)])

    def press() -> None:
        while not any(f["count"] >= 3 for f in bench.events("durable")):
            time.sleep(0.01)
        recorder.ask_for_mark(MarkKind.LOAD_IN, "load-in")
        recorder.ask_to_stop()

    threading.Thread(target=press).start()
    sealed = recorder.run(bench.stopping)
    assert sealed is not None
    (mark,) = sealed.run.marks
    assert abs(mark.time_ns - (bench.steady.now_ns() + away)) < 5 * NS


def test_alarms_are_marked_told_and_passed_on(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    passed: list[AlarmNews] = []
    extra = "[[alarms]]\nname = 'hot'\nabove_c = 25.0\non = ['core']\n"
    bench.stop_when(lambda: bool(passed))
    sealed = bench.record([Ticking(bench.steady)], extra=extra, pass_on=passed.append)
    assert sealed is not None
    assert [n.raised for n in passed] == [True]
    assert bench.events("alarm")[0]["channel"] == "core"
    (mark,) = [m for m in sealed.run.marks if m.kind is MarkKind.FAULT]
    assert (mark.channel, mark.text[:4]) == ("core", "hot:")


def test_notices_are_kept_without_flooding(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    now = bench.steady.now_ns()
    flood = tuple(Notice(NoticeKind.REFUSED, now, "no JSON", "gw") for _ in range(5000))
    lost = (
        Notice(NoticeKind.LOSS, now, "gap", "gw", 3.0),
        Notice(NoticeKind.LOSS, now, "", "gw", 4.0),
    )
    batteries = tuple(
        Notice(NoticeKind.BATTERY, now + i, module="gw", value=0.5) for i in range(99)
    )
    batch = Batch((Reading("core", now, now, 20.0),), flood + lost + batteries)
    bench.stop_when(lambda: bool(bench.events("durable")))
    sealed = bench.record([Scripted([batch])])
    assert sealed is not None
    assert len(bench.events("notice")) < 10
    assert "gw tells of 7 readings lost on the way" in sealed.run.notes
    assert "gw: no JSON" in sealed.run.notes


class Failing:
    name = "failing"

    def __init__(self, trouble: Exception, after: Batch | None = None) -> None:
        self.trouble, self.after = trouble, after

    def run(self, deliver, stopping: Stopping) -> None:  # type: ignore[no-untyped-def]
        if self.after is not None:
            deliver(self.after)
        raise self.trouble


def test_a_wrong_password_ends_the_wait_with_its_own_words(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    with pytest.raises(InstrumentTrouble, match="password"):
        bench.record([Failing(InstrumentTrouble("wrong password"))])
    assert journal_files(bench.book.journals_dir) == ()


def test_one_source_may_fail_while_the_others_go_on(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    sealed = bench.record([Failing(ZeroDivisionError("oops")), Ticking(bench.steady)], for_s=0.3)
    assert sealed is not None
    assert sealed.run.samples > 4
    assert any("ZeroDivisionError" in m.text for m in sealed.run.marks)


def test_when_the_last_source_dies_what_came_is_sealed(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    sealed = bench.record([Failing(InstrumentTrouble("unplugged"), now_batch(bench, 20.0))])
    assert sealed is not None
    assert sealed.run.samples == 2
    assert bench.events("stopping")[0]["reason"] == "no instrument is left to listen to"


def test_nothing_heard_is_an_error_and_leaves_no_journal(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    with pytest.raises(InstrumentTrouble, match="not one reading"):
        bench.record([Scripted([])], for_s=0.1)
    assert journal_files(bench.book.journals_dir) == ()


def test_a_second_recorder_on_one_journal_is_refused(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.stop_when(lambda: bool(bench.events("intruder")))

    def intrude() -> None:
        while not bench.events("durable"):
            time.sleep(0.01)
        other = Bench(tmp_path)
        with pytest.raises(StorageTrouble, match="another recorder"):
            other.record([Ticking(other.steady)], for_s=0.1)
        bench.tell("intruder", {})

    thread = threading.Thread(target=intrude)
    thread.start()
    sealed = bench.record([Ticking(bench.steady)])
    thread.join()
    assert sealed is not None
    assert bench.events("intruder")


def test_marks_survive_the_journal() -> None:
    from ovenwright.recording.assembling import mark_facts, mark_from

    mark = Mark(MarkKind.GAP, 5, "x", "person", "core", 9)
    assert mark_from(mark_facts(mark)) == mark
    assert mark_from({"kind": "nonsense"}) is None


def test_a_journal_that_turns_out_damaged_ends_the_recording_and_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sqlite3

    from ovenwright.storage.journal import Journal, trouble_of

    bench = Bench(tmp_path)
    real = Journal.append

    def append(self: Journal, *args: object, **more: object) -> object:
        if bench.events("durable"):
            cause = sqlite3.DatabaseError("database disk image is malformed")
            cause.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise trouble_of(cause, self.files.database) from cause
        return real(self, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(Journal, "append", append)
    recorder = bench.recorder([Ticking(bench.steady)])
    with pytest.raises(StorageTrouble, match="damaged") as caught:
        recorder.run(bench.stopping)
    assert "--recover" in caught.value.remedy
    assert recorder.state is State.BROKEN
    (files,) = journal_files(bench.book.journals_dir)
    assert not files.recording


def test_a_start_that_the_disk_refuses_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.book.folder.mkdir()
    bench.book.journals_dir.write_text("a file stands here")
    recorder = bench.recorder([Ticking(bench.steady)])
    with pytest.raises(StorageTrouble, match="a file of that name"):
        recorder.run(bench.stopping)
    assert recorder.state is State.BROKEN


def test_tries_at_a_link_are_one_line() -> None:
    words = RecentWords()
    for seconds in ("0.2", "0.5", "1.0"):
        words.add(f"gw: no connection; trying again in {seconds} s")
    words.add("gw: connected")
    words.add("gw: connected")
    assert words.lines == ("gw: no connection; trying again in 1.0 s", "gw: connected")
