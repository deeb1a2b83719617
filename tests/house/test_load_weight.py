"""Asking for help must stay light: it may not load what only the work itself needs."""

import json
import subprocess
import sys

import pytest

HEAVY = {
    "calamine", "jinja2", "netCDF4", "numpy", "pandas", "pyarrow", "pydantic", "python_calamine", "rich",
    "fastapi", "scipy", "sqlalchemy", "starlette", "uvicorn", "tsdownsample", "typst", "xlsxwriter",
}  # fmt: skip


def loaded_by(*words: str) -> set[str]:
    code = (
        "import json, sys\n"
        "from ovenwright.cli.main import main\n"
        "try:\n    main(json.loads(sys.argv[1]))\n"
        "except SystemExit:\n    pass\n"
        "print('\\nLOADED', json.dumps(sorted({m.partition('.')[0] for m in sys.modules})))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, json.dumps(words)], capture_output=True, text=True, check=True
    )
    return set(json.loads(done.stdout.split("LOADED", 1)[1]))


@pytest.mark.parametrize("words", [("--help",), ("--version",), ()])
def test_help_loads_nothing_heavy(words: tuple[str, ...]) -> None:
    assert loaded_by(*words) & HEAVY == set()


def test_the_check_itself_would_notice() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "import numpy, sys; print('numpy' in sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "True"


@pytest.mark.parametrize(
    "verb",
    [
        "demo",
        "plan",
        "import",
        "find",
        "check",
        "judge",
        "report",
        "runs",
        "show",
        "compare",
        "export",
        "restate",
        "verify",
        "serve",
        "virtual-oven",
    ],
)
def test_help_of_a_verb_loads_nothing_heavy(verb: str) -> None:
    assert loaded_by(verb, "--help") & HEAVY == set()
