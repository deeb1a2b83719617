"""The rooms keep to their contracts, and say so when someone breaks one."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_import_contracts_hold() -> None:
    linter = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [str(linter), "--no-cache", "--no-logo"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_no_room_is_named_without_a_job() -> None:
    jobless = {"core", "utils", "helpers", "common", "misc"}
    found = [
        p for p in (ROOT / "src").rglob("*.py") if p.stem in jobless or p.parent.name in jobless
    ]
    assert found == []
