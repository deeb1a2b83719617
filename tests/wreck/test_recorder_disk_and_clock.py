"""A disk that fills up, a clock that is put right, duplicates and shuffles: nothing is lost."""

from __future__ import annotations

import itertools
import json
import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading
from ovenwright.domain.run import NS, MarkKind
from ovenwright.errors import StorageTrouble
from ovenwright.recording.pace import Pace
from ovenwright.recording.sealing import seal_left_behind
from ovenwright.recording.steady_clock import SteadyClock
from ovenwright.storage.journal import Journal, journal_files
from ovenwright.storage.journal_reading import recover, resume
from ovenwright.testing.recording_bench import QUICK, Bench, Scripted, Ticking


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("needs root, to mount a small disk of its own")
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "ovenwright-test", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        pytest.skip(f"a small disk of its own: mounting is not allowed ({done.stderr.strip()})")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(path: Path) -> None:
    """Use up what the disk has left."""
    with path.open("wb", buffering=0) as out:
        for size in (65_536, 4_096, 1):
            try:
                while True:
                    if not out.write(bytes(size)):
                        break
            except OSError:
                continue


def test_a_full_disk_is_told_and_nothing_is_lost_once_space_returns(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "3m") as disk:
        bench = Bench(disk)
        hog = disk / "hog"
        acknowledged: list[int] = []
        source = _Counting(bench, acknowledged.append)

        def people() -> None:
            while len(acknowledged) < 5:
                time.sleep(0.01)
            fill(hog)
            while not bench.events("disk refuses"):
                time.sleep(0.01)
            before = len(acknowledged)
            time.sleep(0.3)
            source.full_at = source.count
            assert len(acknowledged) == before  # nothing is called safe that is not
            hog.unlink()
            while not bench.events("disk takes again"):
                time.sleep(0.01)
            time.sleep(0.1)
            bench.stopping.set()

        helper = threading.Thread(target=people)
        helper.start()
        sealed = bench.record([source])
        helper.join()
        assert sealed is not None
        (told, *_) = bench.events("disk refuses")
        assert "free some space" in told["error"]
        assert told["unflushed"] > 0
        assert source.full_at > acknowledged.index(acknowledged[4]) + 5
        assert sealed.run.samples == source.count  # each reading, those of the full disk too
        assert bench.book.verify(sealed.run.id).seal_intact


class _Counting:
    name = "counting"

    def __init__(self, bench: Bench, acknowledged: Callable[[int], None]) -> None:
        self.bench, self.acknowledged = bench, acknowledged
        self.count = 0
        self.full_at = 0

    def run(self, deliver, stopping) -> None:  # type: ignore[no-untyped-def]
        while not stopping.is_set():
            now = self.bench.steady.now_ns()
            n = self.count
            deliver(
                Batch(
                    (Reading("core", now, now, float(n), sequence=n),),
                    acknowledge=lambda: self.acknowledged(n),  # noqa: B023  # called for this one
                )
            )
            self.count += 1
            stopping.wait(0.005)


def test_a_disk_that_stays_full_keeps_what_was_durable(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "3m") as disk:
        bench = Bench(disk)
        hog = disk / "hog"
        source = _Counting(bench, lambda _: None)
        pace = replace(QUICK, disk_patience_s=0.3)

        def people() -> None:
            while source.count < 20:
                time.sleep(0.01)
            fill(hog)
            while not bench.events("disk refuses"):
                time.sleep(0.01)
            bench.stopping.set()

        helper = threading.Thread(target=people)
        helper.start()
        with pytest.raises(StorageTrouble, match="could not be written") as caught:
            bench.record([source], pace=pace)
        helper.join()
        assert "record --recover" in caught.value.remedy
        durable = bench.events("durable")[-1]["count"]
        hog.unlink()
        (files,) = journal_files(bench.book.journals_dir)
        sealed = seal_left_behind(bench.book, files)
        assert sealed.run.samples >= durable > 5
        assert sealed.damage == ()


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits")
def test_files_that_may_not_grow_hold_up_the_disk_and_not_the_recording(tmp_path: Path) -> None:
    script = Path(__file__).with_name("record_in_small_files.py")
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert any(t["event"] == "disk refuses" for t in told)
    (sealed,) = [t for t in told if t["event"] == "sealed"]
    assert sealed["samples"] == 2 * told[-1]["delivered"]


@pytest.mark.parametrize("step_s", [3600, -3600])
def test_a_clock_stepped_by_an_hour_moves_no_reading(tmp_path: Path, step_s: int) -> None:
    bench = Bench(tmp_path)

    def step() -> None:
        bench.clock.away_ns += step_s * NS

    source = Ticking(bench.steady, on_count={12: step})
    sealed = bench.record([source], for_s=0.8)
    assert sealed is not None
    core = sealed.run.series["core"]
    assert core.value_c.tolist() == [20.0 + i for i in range(source.delivered)]  # in their order
    assert float(np.diff(core.time_ns).max()) < 1.5 * NS
    assert not core.quality.any()
    (mark,) = [m for m in sealed.run.marks if m.kind is MarkKind.NOTE]
    assert f"{step_s:+.1f} s" in mark.text


def test_a_resumed_recording_never_goes_back_in_time(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    first = Ticking(bench.steady)
    recorder = bench.recorder([first])

    def die(*_: object) -> bool:
        raise MemoryError("as a kill would")

    recorder._store.release = die  # type: ignore[method-assign,assignment]
    bench.stop_when(lambda: first.delivered > 10)
    with pytest.raises(MemoryError):
        recorder.run(bench.stopping)
    (files,) = journal_files(bench.book.journals_dir)
    again = Bench(tmp_path)
    again.clock.away_ns = -3600 * NS  # meanwhile the clock was put back by an hour
    held = recover(files)
    again.steady = SteadyClock(again.clock, not_before_ns=held.last_received_ns + 1)
    journal = resume(held)
    second = Ticking(again.steady, value=lambda _, i: 1000.0 + i)
    again.stop_when(lambda: second.delivered > 10)
    sealed = again.record([second], resume=journal)
    assert sealed is not None
    values = sealed.run.series["core"].value_c.tolist()
    assert values == [20.0 + i for i in range(first.delivered)] + [
        1000.0 + i for i in range(second.delivered)
    ]
    assert sealed.run.samples == 2 * (first.delivered + second.delivered)


def test_duplicates_and_shuffles_come_out_as_if_nothing_had_happened(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    t = bench.steady.now_ns() + NS
    chance = random.Random(3)
    scans = list(range(600))
    sent = [
        Reading(c, t + i * NS // 10, t + i * NS // 10 + 5, i + 0.5, sequence=i)
        for i, c in itertools.product(scans, ("core", "air"))
    ]
    stream = sent + chance.sample(sent, 500)  # repeats of anything, however old
    # every tenth stretch arrives in any order, and all of it again in a wholly mixed one
    pieces = [stream[k : k + 40] for k in range(0, len(stream), 40)]
    for piece in pieces[::10]:
        chance.shuffle(piece)
    mixed = sent[:]
    chance.shuffle(mixed)
    batches = [Batch(tuple(p)) for p in pieces]
    batches += [Batch(tuple(mixed[k : k + 100])) for k in range(0, len(mixed), 100)]
    batches.append(Batch(acknowledge=bench.stopping.set))
    sealed = bench.record([Scripted(batches)], pace=QUICK)
    assert sealed is not None
    for name in ("core", "air"):
        series = sealed.run.series[name]
        assert series.value_c.tolist() == [i + 0.5 for i in scans]
        np.testing.assert_array_equal(np.diff(series.time_ns), NS // 10)
    assert sealed.run.samples == len(sent)
    assert bench.events("durable")[-1]["count"] == len(sent)  # repeats were never counted


def test_an_instrument_that_boots_anew_and_counts_from_the_start_loses_nothing(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path)
    t = bench.steady.now_ns()

    def scan(at: int, sequence: int) -> Reading:
        # no time of its own and always the same number: only the count tells scans apart
        moment = t + at * NS // 10
        return Reading("core", moment, moment, 20.0, sequence=sequence, module="gw")

    before = [Batch((scan(i, i),)) for i in range(20)]
    again = [Batch((scan(25, 19),))]  # the last one sent once more
    boot = Notice(NoticeKind.REBOOTED, t + 3 * NS, "count began anew", "gw")
    after = [Batch((scan(30 + i, i),), (boot,) if i == 0 else ()) for i in range(20)]
    end = [Batch(acknowledge=bench.stopping.set)]
    sealed = bench.record([Scripted(before + again + after + end, pause_s=0.015)])
    assert sealed is not None
    assert sealed.run.samples == 40
    assert "gw: count began anew" in sealed.run.notes


def test_the_recorder_holds_only_so_much_in_memory_and_then_lets_sources_wait(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path)
    pace = Pace(
        turn_s=0.005, told_s=0.0, retry_s=0.02, most_in_memory=200, disk_patience_s=0.2,
        goodbye_s=2.0,
    )  # fmt: skip
    source = _Counting(bench, lambda _: None)
    recorder = bench.recorder([source], pace=pace)
    real = Journal.append
    refusing = threading.Event()

    def append(self, *args, **kwargs):  # type: ignore[no-untyped-def]
        if refusing.is_set():
            raise StorageTrouble("the disk is full")
        return real(self, *args, **kwargs)

    deepest: list[int] = []

    def people() -> None:
        while not bench.events("durable"):
            time.sleep(0.005)
        refusing.set()
        until = time.monotonic() + 2.0
        while time.monotonic() < until:
            deepest.append(recorder._store.unflushed)
            time.sleep(0.01)
        refusing.clear()
        bench.stopping.set()

    helper = threading.Thread(target=people)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Journal, "append", append)
        helper.start()
        sealed = recorder.run(bench.stopping)
        helper.join()
    assert sealed is not None
    assert 100 < max(deepest) <= 201
    assert sealed.run.samples == source.count
