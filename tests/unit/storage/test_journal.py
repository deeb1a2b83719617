"""The journal: durable, followed while it grows, free of repeats, held by one recorder."""

from __future__ import annotations

import math
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from ovenwright.domain.live import Reading
from ovenwright.domain.run import Quality
from ovenwright.errors import StorageTrouble
from ovenwright.storage.journal import Journal, JournalHead, is_damage, journal_files
from ovenwright.storage.journal_frames import (
    MAGIC,
    ROWS_PER_FRAME,
    FrameKind,
    carve,
    pack_facts,
    pack_readings,
    unpack,
)
from ovenwright.storage.journal_lock import RecorderLock, is_locked
from ovenwright.storage.journal_reading import JournalReader, count_readings, recover, resume

T0 = 1_772_633_520_000_000_000
NS = 1_000_000_000


def head(**more: object) -> JournalHead:
    return JournalHead("r", "Title", ("core", "air"), 'title = "ä"', T0, **more)  # type: ignore[arg-type]


def reading(at_s: float, value: float, channel: str = "core", **more: object) -> Reading:
    now = T0 + round(at_s * NS)
    return Reading(channel, now, now + 7, value, **more)  # type: ignore[arg-type]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.create(tmp_path, head()) as made:
        yield made


def test_a_frame_gives_back_every_digit() -> None:
    given = [
        Reading(
            "core", T0 + 3, T0 + 5, math.pi, "mV", Quality.INSTRUMENT_DOUBT, 23.45, "gw", 77, True
        ),
        Reading("air", T0 - 3, T0 + 6, math.nan, "ohm", Quality.OVERFLOW | Quality.MISSING),
    ]
    (data,) = pack_readings(given, {"core": 0, "air": 9}, T0 + 9)
    frame = unpack(data)
    assert frame is not None
    assert (frame.kind, frame.received_ns, frame.count) == (FrameKind.READINGS, T0 + 9, 2)
    one, two = frame.rows.tolist()
    assert one == (T0 + 3, T0 + 5, math.pi, 23.45, 77, 0, 32, 3, 1)
    assert two[:2] == (T0 - 3, T0 + 6)
    assert math.isnan(two[2])
    assert math.isnan(two[3])
    assert two[5:] == (9, 3, 4, 0)


def test_a_frame_with_any_byte_altered_is_no_frame() -> None:
    (data,) = pack_readings([reading(0, 1.0)], {"core": 0}, T0)
    for i in range(len(data)):
        wrong = bytearray(data)
        wrong[i] ^= 0x10
        assert unpack(bytes(wrong)) is None
        assert unpack(data[:i]) is None
    assert unpack(data) is not None


def test_frames_are_found_in_any_bytes_and_false_starts_are_not() -> None:
    one = pack_facts(FrameKind.EVENT, {"a": 1}, 1)
    two = pack_facts(FrameKind.MARK, {"b": "€"}, 2)
    wreck = b"xx" + MAGIC + b"junk" + one + MAGIC + two[:-1] + MAGIC + two + b"tail" + MAGIC
    assert [f.facts for f in carve(wreck)] == [{"a": 1}, {"b": "€"}]


def test_incompressible_readings_still_fit_one_page() -> None:
    import random

    chance = random.Random(1)
    many = [
        Reading(
            "core", chance.getrandbits(62), chance.getrandbits(62), chance.random(), "mV",
            reference_c=chance.random(), sequence=chance.getrandbits(61),
        )
        for _ in range(ROWS_PER_FRAME)
    ]  # fmt: skip
    (frame,) = pack_readings(many, {"core": 65535}, T0)
    assert len(frame) < 16_384 - 100


def test_what_is_appended_is_there_for_others_at_once(journal: Journal) -> None:
    with JournalReader(journal.files) as follower:
        assert follower.head == journal.head
        assert follower.tail() == ()
        journal.append([reading(0, 1.0), reading(0, 2.0, "air")], now_ns=T0)
        (entry,) = follower.tail()
        assert entry.frame.rows["value"].tolist() == [1.0, 2.0]
        journal.append([reading(1, 1.5)], [(FrameKind.MARK, {"kind": "door"})], now_ns=T0 + NS)
        later = follower.tail(entry.seq)
        assert [e.frame.kind for e in later] == [FrameKind.READINGS, FrameKind.MARK]
        assert later[1].frame.facts == {"kind": "door"}
    assert (journal.count, count_readings(journal.files)) == (3, 3)


def test_it_is_written_in_wal_with_full_sync(journal: Journal) -> None:
    ask = journal._link.execute
    assert ask("PRAGMA journal_mode").fetchone() == ("wal",)
    assert ask("PRAGMA synchronous").fetchone() == (2,)


def test_repeats_are_left_out_however_old(journal: Journal) -> None:
    scans = [reading(i, float(i)) for i in range(2000)]
    for start in range(0, 2000, 100):
        journal.append(scans[start : start + 100], now_ns=T0)
    assert journal.append([scans[3], scans[1999], scans[700]], now_ns=T0).new == 0
    assert journal.append([reading(700.5, 1.0), scans[700]], now_ns=T0).new == 1
    assert journal.append([reading(700.5, 1.0)], now_ns=T0).repeated == 1
    assert journal.count == 2001 == recover(journal.files).unique


def test_another_number_at_the_same_time_is_kept_beside_the_first(journal: Journal) -> None:
    journal.append([reading(0, 1.0)], now_ns=T0)
    told = journal.append([reading(0, 2.0)], now_ns=T0)
    assert (told.new, journal.count) == (0, 1)
    rows = recover(journal.files).rows
    assert rows["value"].tolist() == [1.0, 2.0]
    assert rows["quality"].tolist() == [0, Quality.REPEATED]


def test_without_a_time_of_its_own_a_repeat_is_known_by_count_and_number(journal: Journal) -> None:
    def received(at_s: float, value: float, sequence: int) -> Reading:
        now = T0 + round(at_s * NS)
        return Reading("core", now, now, value, sequence=sequence)

    assert journal.append([received(0, 1.0, 5)], now_ns=T0).new == 1
    assert journal.append([received(1, 1.0, 5)], now_ns=T0).new == 0  # sent once more
    assert journal.append([received(2, 1.5, 5)], now_ns=T0).new == 1  # a count that began anew
    journal.forget_sequences(["core"])
    assert journal.append([received(3, 1.5, 5)], now_ns=T0).new == 1


def test_a_commit_that_fails_can_be_made_again(journal: Journal, tmp_path: Path) -> None:
    journal.append([reading(0, 1.0)], now_ns=T0)
    other = sqlite3.connect(journal.files.database, isolation_level=None)
    journal._link.execute("PRAGMA busy_timeout = 50")
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StorageTrouble, match="another process holds") as caught:
        journal.append([reading(1, 2.0)], now_ns=T0)
    assert not is_damage(caught.value.__cause__)
    other.execute("ROLLBACK")
    other.close()
    assert journal.append([reading(1, 2.0)], now_ns=T0).new == 1


def test_a_reopened_journal_knows_what_it_holds(tmp_path: Path) -> None:
    with Journal.create(tmp_path, head()) as journal:
        journal.append([reading(i, float(i)) for i in range(10)], now_ns=T0)
    (files,) = journal_files(tmp_path)
    held = recover(files)
    assert (held.unique, held.head) == (10, head())
    with resume(held) as journal:
        assert journal.count == 10
        told = journal.append([reading(9, 9.0), reading(4, 4.0), reading(10, 10.0)], now_ns=T0)
        assert told.new == 1


def test_a_write_that_was_cut_short_is_told_and_written_anew_on_resuming(tmp_path: Path) -> None:
    live, left = tmp_path / "live", tmp_path / "left"
    left.mkdir()
    with Journal.create(live, head()) as journal:
        for i in range(3):
            journal.append([reading(i, float(i)), reading(i, float(i), "air")], now_ns=T0 + i)
        for path in journal.files.content[:1] + journal.files.content[2:]:
            (left / path.name).write_bytes(path.read_bytes())
    (files,) = journal_files(left)
    log = files.wal.read_bytes()
    page = 16_384 + 24
    files.wal.write_bytes(
        log[: 32 + (len(log) - 32) // page * page - 100]
    )  # the commit's last page
    held = recover(files)
    assert (held.damage, held.unfinished, held.unique) == ((), 2, 6)
    with resume(held) as again:
        assert again.count == 6
        assert again.append([reading(2, 2.0)], now_ns=T0 + 9).new == 0
    after = recover(files)
    assert (after.damage, after.unfinished, after.unique) == ((), 0, 6)


def test_two_journals_of_one_name_are_refused(journal: Journal, tmp_path: Path) -> None:
    with pytest.raises(StorageTrouble, match="another recorder is at work"):
        Journal.create(tmp_path, head())
    journal.close()
    with pytest.raises(StorageTrouble, match="a journal of that name"):
        Journal.create(tmp_path, head())


def test_the_lock_of_a_killed_process_keeps_nobody_out(tmp_path: Path) -> None:
    lock = tmp_path / "r.lock"
    script = (
        "import sys, time\nfrom pathlib import Path\n"
        "from ovenwright.storage.journal_lock import RecorderLock\n"
        "held = RecorderLock(Path(sys.argv[1]))\nprint('held', flush=True)\ntime.sleep(60)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(lock)], stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        assert is_locked(lock)
        with pytest.raises(StorageTrouble, match=f"process {holder.pid}"):
            RecorderLock(lock)
        holder.kill()
        holder.wait()
    until = time.monotonic() + 5
    while is_locked(lock) and time.monotonic() < until:
        time.sleep(0.01)
    RecorderLock(lock).release(remove=True)
    assert not lock.exists()


def test_a_folder_that_can_not_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageTrouble, match="where a folder is needed"):
        Journal.create(tmp_path / "file" / "journals", head())
