"""Plans kept by name at the command line, as the browser keeps them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ovenwright.cli.main import main
from ovenwright.storage.presets import read_preset


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "loaf.toml").write_text(read_preset("tin-bread").text, encoding="utf-8")


def answer(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> Any:
    assert main(["plan", *words, "--json"]) == code
    found = capsys.readouterr()
    return json.loads(found.out or found.err)


def test_keep_list_take_and_compare(capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(capsys, "kept") == {"plans": []}
    first = answer(capsys, "keep", "loaf.toml", "--who", "Ilze")
    plan = first["plan"]
    assert (first["version"], first["who"]) == (1, "Ilze")
    text = Path("loaf.toml").read_text(encoding="utf-8").replace("2700.0", "2800.0")
    Path("loaf.toml").write_text(text, encoding="utf-8")
    second = answer(capsys, "keep", "loaf.toml", "--as", plan, "--why", "longer")
    assert second["version"] == 2
    (row,) = answer(capsys, "kept")["plans"]
    assert (row["id"], row["newest"]["version"], row["ready"]) == (plan, 2, True)
    found = answer(capsys, "differences", plan)
    assert found["said"] == ["recording › duration_s: 2700.0 → 2800.0"]
    assert answer(capsys, "take", plan, "--version", "1", "-o", "old.toml")["version"] == 1
    assert Path("old.toml").read_text(encoding="utf-8") == read_preset("tin-bread").text


def test_people_are_shown_tables_and_the_next_step(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "keep", "loaf.toml"]) == 0
    assert "version 1" in capsys.readouterr().out
    assert main(["plan", "keep", "loaf.toml", "--logbook", "other"]) == 0
    assert Path("other/plan-shelf/tin-bread-tunnel-oven/1.toml").is_file()
    capsys.readouterr()
    assert main(["plan", "kept"]) == 0
    shown = capsys.readouterr().out
    assert "ready" in shown
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert main(["plan", "take", "tin-bread-tunnel-oven", "-o", "-"]) == 0
    assert capsys.readouterr().out == read_preset("tin-bread").text


def test_what_cant_be_kept_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    plan = answer(capsys, "keep", "loaf.toml")["plan"]
    mine = Path("loaf.toml").read_text(encoding="utf-8") + "# mine\n"
    Path("loaf.toml").write_text(mine, encoding="utf-8")
    answer(capsys, "keep", "loaf.toml", "--as", plan, "--why", "a")
    Path("loaf.toml").write_text(mine + "# more\n", encoding="utf-8")
    late = answer(
        capsys, "keep", "loaf.toml", "--as", plan, "--why", "b", "--based-on", "1", code=2
    )
    assert late["error"] == "Overtaken"
    assert answer(capsys, "take", "../x", code=2)["error"] == "UnknownName"
    assert answer(capsys, "take", plan, "--version", "9", code=2)["error"] == "UnknownName"
    Path("loaf.toml").write_text(mine.replace('role = "air"', 'role = "x"'), encoding="utf-8")
    faulty = answer(capsys, "keep", "loaf.toml", "--as", plan, "--why", "c", code=2)
    assert faulty["error"] == "PlanFaults"
    kept = answer(capsys, "keep", "loaf.toml", "--as", plan, "--why", "c", "--unfinished")
    assert kept["faults"] == 3  # both air channels, and the requirement on them


def test_a_plan_is_retired_and_brought_back(capsys: pytest.CaptureFixture[str]) -> None:
    plan = answer(capsys, "keep", "loaf.toml")["plan"]
    gone = answer(capsys, "retire", plan, "--why", "scrapped", "--who", "Ilze")
    assert (gone["retired"], gone["who"], gone["why"]) == (True, "Ilze", "scrapped")
    assert answer(capsys, "kept")["plans"][0]["retired"]["why"] == "scrapped"
    assert main(["plan", "kept"]) == 0
    assert "retired" in capsys.readouterr().out
    answer(capsys, "retire", plan, "--why", "again", code=2)
    assert answer(capsys, "retire", plan, "--back", "--why", "needed")["retired"] is False
    assert answer(capsys, "kept")["plans"][0]["retired"] is None
