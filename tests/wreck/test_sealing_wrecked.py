"""Sealing under a disk that fills up and a process that is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ovenwright.storage.logbook import Logbook

_MAKE = """
import sys
from pathlib import Path
import numpy as np
from ovenwright.domain.run import Run, Series
from ovenwright.errors import StorageTrouble
from ovenwright.storage.logbook import Logbook

n = 20_000
rng = np.random.default_rng(1)
axis = np.arange(n, dtype=np.int64) * 250_000_000
clean = np.zeros(n, np.uint8)
series = {f"c{i}": Series(axis, rng.normal(100, 5, n), clean) for i in range(4)}
book = Logbook(Path(sys.argv[1]))
"""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits and signals")


def test_a_disk_that_takes_no_more_leaves_nothing_and_is_told(tmp_path: Path) -> None:
    script = _MAKE + (
        "import resource, signal\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))\n"
        "try:\n"
        "    book.seal(Run(id='a', series=series), originals=[('a.csv', b'small')])\n"
        "except StorageTrouble as trouble:\n"
        "    print(trouble)\n"
        "    sys.exit(trouble.exit_code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (4, "")
    assert "use another disk" in done.stdout
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_a_process_killed_while_sealing_leaves_whole_runs_only(tmp_path: Path) -> None:
    script = _MAKE + (
        "for i in range(10_000):\n"
        "    book.seal(Run(id=f'r{i}', series=series))\n"
        "    print(i, flush=True)\n"
    )
    told: list[str] = []
    for turn in range(4):
        folder = tmp_path / str(turn)
        process = subprocess.Popen(
            [sys.executable, "-c", script, str(folder)], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        told = [process.stdout.readline().strip() for _ in range(2)]
        time.sleep(0.013 * turn)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        process.stdout.close()
        book = Logbook(folder)
        for run_id in book.run_ids():
            assert book.verify(run_id).seal_intact
        assert {f"r{i}" for i in told} <= set(book.run_ids())


def test_what_a_killed_process_left_is_swept_up_later(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.runs_dir.mkdir()
    stale, fresh = book.runs_dir / ".a.parquet.00ff00ff.part", book.runs_dir / ".b.x.1.part"
    for path in (stale, fresh):
        path.write_bytes(b"half")
    os.utime(stale, (1, 1))
    subprocess.run(
        [sys.executable, "-c", _MAKE + "book.seal(Run(id='a', series=series))", str(tmp_path)],
        check=True,
    )
    assert not stale.exists()
    assert fresh.exists()  # another process may be at it
    assert book.run_ids() == ("a",)
