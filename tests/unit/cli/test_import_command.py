"""`ovenwright import` as people and machines call it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ovenwright.cli.main import main


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "bake.csv"
    lines = ["Zeit;Kern (°C);Klappe;Feuchte (%)"]
    lines += [f"{i};{20 + i / 10:.1f};{30 + i / 5:.1f};40".replace(".", ",") for i in range(600)]
    path.write_text("\n".join(lines), encoding="cp1252")
    return path


def test_json_keeps_the_contract(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["import", str(file), "--logbook", "book", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert {"run", "start", "interval_s", "samples", "channels", "set_aside", "notes"} <= set(facts)
    assert facts["samples"] == 600
    assert facts["set_aside"] == ["Klappe", "Feuchte"]
    assert (Path("book/runs")).is_dir()
    for channel in facts["channels"]:
        assert {
            "name", "unit", "role_guess", "count", "missing", "first_c", "last_c", "max_c", "flags",
        } <= set(channel)  # fmt: skip


def test_the_environment_names_the_logbook(
    file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OVENWRIGHT_LOGBOOK", "elsewhere")
    assert main(["import", str(file), "--unit", "Klappe=C", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert [c["name"] for c in facts["channels"]] == ["Kern", "Klappe"]
    assert Path("elsewhere/runs").is_dir()


def test_a_dry_run_keeps_nothing(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["import", str(file), "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert "Nothing was kept" in said
    assert not Path("logbook").exists()


def test_people_read_a_table_of_eighty_columns(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["import", str(file), "--show-unit", "F"]) == 0
    said = capsys.readouterr().out
    assert max(len(line) for line in said.splitlines()) <= 80
    for word in (
        "Kern",
        "first °F",
        "68.0",
        "cp1252",
        "decimal mark",
        "Feuchte",
        "Next: ovenwright",
    ):
        assert word in said


def test_a_refusal_is_exit_code_two_with_file_line_and_option(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.csv"
    path.write_text("Time (s),T (°C)\n0,20\n1,21\nsoon,22\n3,23\n", encoding="utf-8")
    assert main(["import", str(path), "--json"]) == 2
    streams = capsys.readouterr()
    assert json.loads(streams.out)["error"] == "ReadingsRefused"
    assert "bad.csv line 4" in streams.err
    assert "--time-column" in streams.err


@pytest.mark.parametrize(
    "words",
    [
        ["--unit", "C", "--unit", "F"],
        ["--unit", "Nowhere=C"],
        ["--header-row", "-1"],
        ["--zone", "Mars/Olympus", "--start", "2026-03-04T10:00"],
    ],
)
def test_options_that_mean_nothing(
    file: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["import", str(file), *words]) == 2
    assert capsys.readouterr().err.startswith("ovenwright: ")


def test_day_first_and_month_first_exclude_each_other(file: Path) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["import", str(file), "--day-first", "--month-first"])
    assert caught.value.code == 2
