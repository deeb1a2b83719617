"""What instruments tell of themselves goes into the sealed run."""

from __future__ import annotations

from pathlib import Path

from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading
from ovenwright.recording.rules import Start, StartKind
from ovenwright.testing.recording_bench import Bench, Scripted


def identity(
    bench: Bench, module: str, serial: str, *, firmware: str = "", text: str = ""
) -> Batch:
    now = bench.steady.now_ns()
    said = Notice(NoticeKind.IDENTITY, now, text, module, serial=serial, firmware=firmware)
    return Batch(notices=(said,))


def warm(bench: Bench, value: float) -> Batch:
    now = bench.steady.now_ns()
    return Batch((Reading("core", now, now, value), Reading("air", now, now, value)))


def test_one_instrument_is_named_with_serial_and_firmware(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    who = identity(bench, "bench", "OB-0042", firmware="1.7", text="Ostrel Scan-8")
    bench.stop_when(lambda: any(f["count"] >= 2 for f in bench.events("durable")))
    sealed = bench.record([Scripted([who, warm(bench, 20.0)])])
    assert sealed is not None
    told = bench.book.open(sealed.run.id).instrument
    assert (told.name, told.serial, told.firmware) == ("Ostrel Scan-8", "OB-0042", "1.7")


def test_what_was_told_before_the_start_is_kept_and_modules_are_told_apart(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    batches = [identity(bench, "gw2", "B7"), identity(bench, "gw1", "A3"), warm(bench, 20.0)]
    batches += [warm(bench, 90.0) for _ in range(3)]
    bench.stop_when(lambda: any(f["count"] >= 2 for f in bench.events("durable")))
    start = Start(StartKind.ABOVE, channel="core", level_c=60.0)
    sealed = bench.record([Scripted(batches, pause_s=0.05)], start=start)
    assert sealed is not None
    assert bench.book.open(sealed.run.id).instrument.serial == "gw1: A3, gw2: B7"
