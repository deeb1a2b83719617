"""A coverage-guided fuzzer finds nothing but our own errors in the decoders, in bounded memory."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "fuzz_wire.py"


@pytest.mark.slow
@pytest.mark.parametrize("decoder", ["json", "guess"])
def test_a_short_hunt_finds_nothing(decoder: str) -> None:
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("needs atheris")
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--decoder", decoder, "--seconds", "3"],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "stat::number_of_executed_units" in done.stderr
