"""`ovenwright history`: lists, histories, the reference run."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ovenwright.cli.main import main
from ovenwright.domain.run import NS, Run, Series
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.presets import read_preset


@pytest.fixture
def book(tmp_path: Path) -> Path:
    logbook = Logbook(tmp_path / "book")
    for i in range(2):
        time_ns = (1_772_000_000 + 86_400 * i + np.arange(20) * 60) * NS
        series = {"core left": Series(time_ns, np.linspace(28, 97, 20), np.zeros(20, np.uint8))}
        run = logbook.seal(
            Run(f"r{i}", series, title="bake", plan_toml=read_preset("tin-bread").text)
        )
        row = {
            "name": "core",
            "measure": "end_temperature",
            "channel": "core left",
            "value": 96.0 + i,
            "unit": "degC",
            "standard_uncertainty": 0.5,
            "interval_95": [95.0 + i, 97.0 + i],
            "probability": 0.99,
            "verdict": "pass",
            "at_least": 95.0,
        }
        logbook.keep_judgement(run, {"verdict": "pass", "requirements": [row]})
    return logbook.folder


def told(capsys: pytest.CaptureFixture[str], book: Path, *words: str) -> tuple[int, Any]:
    code = main(["history", "--logbook", str(book), "--json", *words])
    return code, json.loads(capsys.readouterr().out)


def test_lists_ovens_and_products(capsys: pytest.CaptureFixture[str], book: Path) -> None:
    _, facts = told(capsys, book)
    (pair,) = facts["pairs"]
    assert (pair["oven"], pair["product"], pair["runs"]) == ("oven 1", "tin loaf 800 g", 2)
    assert pair["reference"] is None
    assert main(["history", "--logbook", str(book)]) == 0
    assert "tin loaf 800 g" in " ".join(capsys.readouterr().out.split())


def test_a_reference_needs_a_reason_and_is_told(
    capsys: pytest.CaptureFixture[str], book: Path
) -> None:
    code = main(["history", "--logbook", str(book), "--json", "--reference", "r0"])
    capsys.readouterr()
    assert code == 2
    code, made = told(capsys, book, "--reference", "r0", "--why", "burners set")
    assert (code, made["run"], made["why"]) == (0, "r0", "burners set")
    _, facts = told(capsys, book, "--oven", "oven 1")
    (measure,) = facts["measures"]
    assert [(p["run"], p["value"], p["reference"]) for p in measure["points"]] == [
        ("r0", 96.0, True),
        ("r1", 97.0, False),
    ]
    assert main(["history", "--logbook", str(book), "--product", "tin loaf 800 g"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "r0 (reference)" in out
    assert "burners set" in out


def test_an_unknown_name_says_which_are_known(
    capsys: pytest.CaptureFixture[str], book: Path
) -> None:
    assert main(["history", "--logbook", str(book), "--oven", "oven 9"]) == 2
    assert "oven 1" in capsys.readouterr().err
    assert main(["history", "--logbook", str(book), "--limit", "0"]) == 2
