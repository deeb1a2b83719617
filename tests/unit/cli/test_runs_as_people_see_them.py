"""What is no sensor is not listed as one, and a run held against itself is told to be itself."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ovenwright.cli.main import main
from ovenwright.cli.record_command import _say_sealed
from ovenwright.domain.run import Run, Series, junctions_among
from ovenwright.recording.sealing import Sealed
from ovenwright.storage.logbook import Logbook

PLAN = """title = "Stones"
[oven]
kind = "chamber"
name = "oven"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "stones"
[recording]
interval_s = 1.0
load_in_s = 10
load_out_s = 110
[[channels]]
name = "core"
sensor = "T"
role = "core"
[[channels]]
name = "air"
sensor = "T"
role = "air"
[[requirements]]
name = "hot enough"
measure = "max_temperature"
on = "core"
at_least = 60.0
"""


@pytest.fixture
def sealed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("OVENWRIGHT_LOGBOOK", "book")
    time_ns = 1_772_633_520_000_000_000 + np.arange(120, dtype=np.int64) * 1_000_000_000
    clean = np.zeros(120, np.uint8)
    junction = np.linspace(24.0, 26.5, 120)
    series = {
        "core": np.linspace(20.0, 97.0, 120), "core reference junction": junction,
        "air": np.full(120, 180.0), "air reference junction": junction,
    }  # fmt: skip
    return Logbook(tmp_path / "book").seal(
        Run("", {k: Series(time_ns, v, clean) for k, v in series.items()},
            title="Stones", plan_toml=PLAN)
    )  # fmt: skip


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(words) in (0, 1, 3)
    return " ".join(capsys.readouterr().out.split())


def told(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    facts: dict[str, Any] = json.loads(shown(capsys, *words, "--json"))
    return facts


def test_only_what_stands_beside_its_channel_is_a_junction() -> None:
    names = ("core", "core reference junction", "oven reference junction")
    assert junctions_among(names) == {"core reference junction": "core"}


def test_show_tells_reference_junctions_apart(
    sealed: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shown(capsys, "show", sealed.id)
    table = text[: text.index("Kept beside")]
    assert "junction" not in table
    assert "reference-junction temperatures of core, air, 24.0 to 26.5 °C" in text
    channels = told(capsys, "show", sealed.id)["channels"]
    assert {c["name"]: c["reference_junction_of"] for c in channels} == {
        "core": None, "core reference junction": "core",
        "air": None, "air reference junction": "air",
    }  # fmt: skip


def test_runs_count_sensors(sealed: Run, capsys: pytest.CaptureFixture[str]) -> None:
    assert " 2 1:59 " in shown(capsys, "runs")
    (run,) = told(capsys, "runs")["runs"]
    assert run["reference_junctions"] == ["core reference junction", "air reference junction"]


def test_what_is_said_when_a_run_is_sealed(sealed: Run, capsys: pytest.CaptureFixture[str]) -> None:
    _say_sealed(Sealed(sealed))
    text = " ".join(capsys.readouterr().out.split())
    assert "240 readings of 2 channels, with the reference-junction temperatures of 2" in text


def test_the_report_explains_them(
    sealed: Run, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    shown(capsys, "report", sealed.id, "--format", "html", "-o", str(tmp_path / "out"))
    (page,) = (tmp_path / "out").rglob("*.html")
    text = page.read_text(encoding="utf-8")
    assert (
        "reference-junction temperatures of core, air, kept beside the readings: no sensors" in text
    )
    assert "not in the plan" not in text


def test_a_run_against_itself_is_told_to_be_the_same(
    sealed: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shown(capsys, "compare", sealed.id, "last")
    assert text.startswith(f"THE SAME RUN: Both are {sealed.id}")
    assert "no difference beyond doubt" not in text
    assert told(capsys, "compare", sealed.id, sealed.id)["same_run"] is True


def test_two_runs_are_not_called_the_same(
    sealed: Run, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    series = {k: Series(s.time_ns, s.value_c + 0.125, s.quality) for k, s in sealed.series.items()}
    other = Logbook(tmp_path / "book").seal(Run("", series, title="Stones", plan_toml=PLAN))
    assert told(capsys, "compare", sealed.id, other.id)["same_run"] is False
    assert "SAME RUN" not in shown(capsys, "compare", sealed.id, other.id)


def test_a_run_is_held_against_several(
    sealed: Run, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    book = Logbook(tmp_path / "book")
    others = []
    for shift in (5.0, 6.0, 7.0):
        moved = {
            k: Series(s.time_ns, s.value_c + shift, s.quality) for k, s in sealed.series.items()
        }
        others.append(book.seal(Run("", moved, title="Stones", plan_toml=PLAN)).id)
    answer = told(capsys, "compare", sealed.id, *others)
    (measure,) = answer["measures"]
    assert answer["others"] == others
    assert measure["stands"] == "below all 3, beyond doubt"
    assert measure["lowest"] == pytest.approx(measure["value"] + 5.0)
    assert Path(answer["page"]).is_file()
    text = shown(capsys, "compare", sealed.id, *others)
    assert text.startswith("OUTSIDE THE OTHERS: 1 of 1 measures lies outside all the others")
    assert "in 50 % of cases" in " ".join(text.split())
