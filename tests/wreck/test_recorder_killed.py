"""Recorders killed at random moments: what they reported durable must all be there."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals and fork")
KILLS = 200


@pytest.mark.slow
def test_two_hundred_kills_lose_no_reading_that_was_reported_durable(tmp_path: Path) -> None:
    script = Path(__file__).with_name("kill_recorders.py")
    halves = [
        subprocess.Popen(
            [sys.executable, str(script), str(tmp_path / seed), str(KILLS // 2), seed],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for seed in ("1", "2")
    ]
    told = [half.communicate(timeout=300) for half in halves]
    for half, (out, err) in zip(halves, told, strict=True):
        assert half.returncode == 0, err
        tally = json.loads(out)
        assert tally["kills"] == KILLS // 2
        assert tally["acknowledged"] > 10 * tally["kills"]  # they had something to lose
        assert tally["sealed"] >= 8
        assert (tally["lost"], tally["lost_after_acknowledging"]) == (0, 0)
        assert tally["damage"] == []
        assert tally["bare_runs"] == []  # where the recorder was dead is marked as a gap
