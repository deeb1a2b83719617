"""Journals cut short or with flipped bits: what can be read is recovered, and the damage is named."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import numpy as np
import pytest

from ovenwright.domain.live import Reading
from ovenwright.errors import StorageTrouble
from ovenwright.recording.sealing import DAMAGED, seal_left_behind
from ovenwright.storage.journal import Journal, JournalFiles, JournalHead, journal_files
from ovenwright.storage.journal_frames import FrameKind
from ovenwright.storage.journal_reading import Recovered, recover
from ovenwright.storage.logbook import Logbook

CHANNELS = ("a", "b", "c", "d")
BASE_NS = 1_772_633_520_000_000_000
SCANS = 700


def readings_of(scan: int) -> list[Reading]:
    time_ns = BASE_NS + scan * 250_000_000
    return [
        Reading(name, time_ns, time_ns + 1, 20.0 + scan / 100 + i, sequence=scan)
        for i, name in enumerate(CHANNELS)
    ]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal as a killed recorder leaves it: part in the database, part in its log."""
    live = tmp_path_factory.mktemp("live")
    head = JournalHead("run", "Cut", CHANNELS, "", BASE_NS, interval_s=0.25)
    journal = Journal.create(live, head)
    journal._link.execute("PRAGMA wal_autocheckpoint = 40")
    for scan in range(SCANS):
        marks = [(FrameKind.MARK, {"kind": "note", "text": str(scan)})] if scan % 250 == 0 else []
        journal.append(readings_of(scan), marks, now_ns=BASE_NS + scan * 250_000_000 + 2)
    left = tmp_path_factory.mktemp("left")
    for path in live.iterdir():
        if not path.name.endswith(("-shm", ".lock")):
            shutil.copy(path, left / path.name)
    journal.close()
    assert (left / "run.sqlite-wal").stat().st_size > 100_000
    assert (left / "run.sqlite").stat().st_size > 100_000
    return left


def _copy(sound: Path, to: Path) -> JournalFiles:
    shutil.copytree(sound, to)
    (files,) = journal_files(to)
    return files


def _keys(held: Recovered) -> set[tuple[int, int, float]]:
    rows = held.rows
    return set(
        zip(rows["channel"].tolist(), rows["time_ns"].tolist(), rows["value"].tolist(), strict=True)
    )


WHOLE = {(i, r.time_ns, r.value) for s in range(SCANS) for i, r in enumerate(readings_of(s))}


def test_an_undamaged_journal_is_recovered_whole(sound: Path, tmp_path: Path) -> None:
    held = recover(_copy(sound, tmp_path / "j"))
    assert _keys(held) == WHOLE
    assert (held.damage, held.unfinished, len(held.marks)) == ((), 0, 3)


@pytest.mark.parametrize("which", ["run.sqlite", "run.sqlite-wal", "run.head.json"])
def test_flipped_bits_cost_what_they_hit_and_are_named(
    sound: Path, tmp_path: Path, which: str
) -> None:
    chance = random.Random(5)
    short = 0
    for turn in range(25):
        files = _copy(sound, tmp_path / str(turn))
        path = files.database.with_name(which)
        data = bytearray(path.read_bytes())
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        path.write_bytes(data)
        held = recover(files)
        keys = _keys(held)
        assert keys <= WHOLE  # nothing made up
        assert len(keys) >= len(WHOLE) - len(CHANNELS)  # one frame is hit at most
        if keys != WHOLE:
            short += 1
            assert held.damage, (turn, len(WHOLE) - len(keys))
        shutil.rmtree(tmp_path / str(turn))
    assert short or which != "run.sqlite"  # the test did hit readings


@pytest.mark.parametrize("which", ["run.sqlite", "run.sqlite-wal"])
def test_a_journal_cut_anywhere_gives_what_is_before_the_cut(
    sound: Path, tmp_path: Path, which: str
) -> None:
    chance = random.Random(6)
    cut_short = 0
    for turn in range(25):
        files = _copy(sound, tmp_path / str(turn))
        path = files.database.with_name(which)
        data = path.read_bytes()
        at = chance.randrange(len(data))
        path.write_bytes(data[:at])
        held = recover(files)
        keys = _keys(held)
        assert keys <= WHOLE
        if which == "run.sqlite":  # the log beside still holds the newest
            assert held.damage or keys == WHOLE
            cut_short += keys != WHOLE
            newest = int(held.rows["time_ns"].max())
            assert newest == BASE_NS + (SCANS - 1) * 250_000_000
        else:  # without a gap up to the cut
            times = np.unique(held.rows["time_ns"])
            assert times[0] == BASE_NS
            assert np.all(np.diff(times) == 250_000_000)
            cut_short += keys != WHOLE
        shutil.rmtree(tmp_path / str(turn))
    assert cut_short > 3


def test_a_damaged_journal_is_sealed_with_its_damage_told_and_kept(
    sound: Path, tmp_path: Path
) -> None:
    book = Logbook(tmp_path / "book")
    book.folder.mkdir()
    files = _copy(sound, book.journals_dir)
    data = bytearray(files.database.read_bytes())
    hit = files.database.read_bytes().index(b"OWJ\x01") + 500
    data[hit : hit + 3000] = bytes(3000)
    files.database.write_bytes(data)
    sealed = seal_left_behind(book, files)
    assert sealed.damage
    assert 0 < sealed.run.samples < len(WHOLE)
    assert any("damaged" in note for note in sealed.run.notes)
    assert book.verify(sealed.run.id).seal_intact
    assert journal_files(book.journals_dir) == ()
    assert (book.journals_dir / DAMAGED / "run.sqlite").exists()


def test_a_journal_without_a_readable_byte_is_put_aside_and_told(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "book")
    book.journals_dir.mkdir(parents=True)
    (book.journals_dir / "gone.sqlite").write_bytes(random.Random(1).randbytes(100_000))
    (files,) = journal_files(book.journals_dir)
    with pytest.raises(StorageTrouble, match="no reading could be saved"):
        seal_left_behind(book, files)
    assert (book.journals_dir / DAMAGED / "gone.sqlite").exists()
    assert journal_files(book.journals_dir) == ()
