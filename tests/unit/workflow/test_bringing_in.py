"""Bringing in: files become one sealed run, matched with the plan."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ovenwright.domain.run import NS, Quality
from ovenwright.errors import ReadingsRefused, StorageTrouble
from ovenwright.physics.units import from_celsius, to_celsius
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.readings import Choices
from ovenwright.workflow.bringing_in import bring_in

PLAN = """
title = "Tin bread"
[site]
time_zone = "Europe/Riga"
[oven]
kind = "chamber"
name = "Oven 3"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "loaf"
[recording]
interval_s = 1.0
[[channels]]
name = "core left"
column = "CH1"
sensor = "T"
role = "core"
[[channels]]
name = "Air"
sensor = "T"
role = "air"
[[channels]]
name = "spare"
sensor = "T"
role = "surface"
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "bake.csv"
    lines = ["Time,CH1 (°F),AIR (°C),Extra (°C),RH (%)"]
    for i in range(120):
        mark = "OPEN" if i in (5, 6) else f"{70.1 + i:.1f}"
        lines.append(f"2026-03-04 14:{12 + i // 60:02d}:{i % 60:02d},{mark},{20 + i},{21 + i},40")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def test_a_run_is_sealed_with_its_original(file: Path, tmp_path: Path) -> None:
    logbook = Logbook(tmp_path / "book")
    brought = bring_in([file], Choices(zone="Europe/Riga"), logbook=logbook)
    assert brought.sealed
    run = logbook.open(brought.run.id)
    assert run.digest == brought.run.digest
    assert run.set_aside == ("RH",)
    assert run.title == "bake"
    assert run.time_zone == "Europe/Riga"
    assert brought.start == "2026-03-04T14:12:00+02:00"
    kept = [p for p in logbook.originals_dir.rglob("*") if p.is_file()]
    assert file.read_bytes() in [p.read_bytes() for p in kept]


def test_values_survive_to_the_last_digit(file: Path, tmp_path: Path) -> None:
    logbook = Logbook(tmp_path / "book")
    brought = bring_in([file], Choices(), logbook=logbook)
    series = logbook.open(brought.run.id).series["CH1"]
    printed = np.array([70.1 + i for i in range(120)]).round(1)
    printed[[5, 6]] = np.nan
    assert series.raw is not None
    assert series.raw_unit == "degF"
    np.testing.assert_array_equal(series.raw, printed)
    np.testing.assert_array_equal(series.value_c, to_celsius(printed, "degF"))
    np.testing.assert_array_equal(from_celsius(series.value_c, "degF"), printed)
    assert (series.quality[[5, 6]] == int(Quality.MISSING | Quality.OVERFLOW)).all()
    assert logbook.open(brought.run.id).series["AIR"].raw is None


def test_the_answer_for_machines(file: Path) -> None:
    facts = bring_in([file], Choices(), logbook=None).facts()
    assert facts["run"] is None
    assert facts["start"] == "2026-03-04T14:12:00+00:00"
    assert facts["interval_s"] == 1.0
    assert facts["samples"] == 120
    assert facts["set_aside"] == ["RH"]
    channels = facts["channels"]
    assert isinstance(channels, list)
    first = channels[0]
    assert (first["name"], first["unit"]) == ("CH1", "degF")
    assert (first["count"], first["missing"]) == (118, 2)
    assert first["first_c"] == pytest.approx(to_celsius(70.1, "degF"))
    assert first["max_c"] == first["last_c"] == pytest.approx(to_celsius(189.1, "degF"))
    notes = facts["notes"]
    assert isinstance(notes, list)
    assert any("'OPEN' 2" in n for n in notes)
    assert any("UTC" in n for n in notes)


def test_a_plan_names_the_channels(file: Path, plan: Path, tmp_path: Path) -> None:
    brought = bring_in([file], Choices(), logbook=Logbook(tmp_path / "book"), plan_file=plan)
    assert list(brought.run.series) == ["core left", "Air", "Extra"]
    assert brought.run.title == "Tin bread"
    assert brought.run.plan_toml == PLAN
    assert brought.start == "2026-03-04T14:12:00+02:00"
    assert any("without a column: spare" in n for n in brought.notes)
    assert any("does not know, kept: Extra" in n for n in brought.notes)


def test_zone_of_person_plan_and_settings_in_that_order(file: Path, plan: Path) -> None:
    def start(zone: str, plan_file: Path | None, usual: str) -> str | None:
        choices = Choices(zone=zone)
        return bring_in([file], choices, logbook=None, plan_file=plan_file, usual_zone=usual).start

    assert start("Asia/Tokyo", plan, "Asia/Kolkata") == "2026-03-04T14:12:00+09:00"
    assert start("", plan, "Asia/Kolkata") == "2026-03-04T14:12:00+02:00"
    assert start("", None, "Asia/Kolkata") == "2026-03-04T14:12:00+05:30"


def test_a_plan_that_fits_no_column_is_refused(tmp_path: Path, plan: Path) -> None:
    other = tmp_path / "other.csv"
    other.write_text("Time (s),X (°C)\n0,20\n1,21\n2,22\n", encoding="utf-8")
    with pytest.raises(ReadingsRefused, match="column = "):
        bring_in([other], Choices(), logbook=None, plan_file=plan)


def test_channels_read_together_share_one_axis(file: Path) -> None:
    series = list(bring_in([file], Choices(), logbook=None).run.series.values())
    assert all(s.time_ns is series[0].time_ns for s in series)


def test_elapsed_files_have_no_start(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Time (s),T (°C)\n-2,20\n-1,21\n0,22\n", encoding="utf-8")
    brought = bring_in([path], Choices(), logbook=None)
    assert brought.start is None
    assert brought.run.start_ns == -2 * NS
    assert not brought.run.absolute


def test_fractions_of_a_second_stand_in_the_start(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Time,T (°C)\n2026-03-04T14:12:00.25Z,20\n2026-03-04T14:12:00.5Z,21\n")
    assert bring_in([path], Choices(), logbook=None).start == "2026-03-04T14:12:00.25+00:00"


def test_two_files_make_one_run(file: Path, tmp_path: Path) -> None:
    second = tmp_path / "air.csv"
    second.write_text(
        "Time,Roof (°C)\n2026-03-04 14:12:00.5,200\n2026-03-04 14:12:10.5,201\n", encoding="utf-8"
    )
    brought = bring_in([file, second], Choices(), logbook=Logbook(tmp_path / "book"))
    assert list(brought.run.series) == ["CH1", "AIR", "Extra", "Roof"]
    assert brought.samples == 122
    assert len(brought.run.instrument.origin_sha256) == 2


def test_nothing_is_left_behind_where_the_disk_refuses(file: Path, tmp_path: Path) -> None:
    blocked = tmp_path / "book"
    blocked.write_text("a file where the folder should be")
    with pytest.raises(StorageTrouble):
        bring_in([file], Choices(), logbook=Logbook(blocked))
    assert blocked.read_text() == "a file where the folder should be"


def test_a_finding_is_told_on_the_files_own_clock_too(tmp_path: Path) -> None:
    path = tmp_path / "own.csv"
    rows = [f"{i - 30},{20 + i},{'OPEN' if 60 <= i < 70 else 20 + i / 2}" for i in range(120)]
    path.write_text("\n".join(["Time (s),Air (°C),Core (°C)", *rows]) + "\n", encoding="utf-8")
    facts = bring_in([path], Choices(), logbook=None).facts()
    assert facts["first_file_time_s"] == -30.0
    core = facts["channels"][1]  # type: ignore[index]
    flag = next(f for f in core["flags"] if f["name"] == "overflow")
    assert flag["from_file_time_s"] == flag["from_s"] - 30.0 == pytest.approx(30.0, abs=1.0)
    assert flag["to_file_time_s"] == flag["to_s"] - 30.0


def test_a_file_with_dates_has_no_clock_of_its_own(file: Path) -> None:
    facts = bring_in([file], Choices(), logbook=None).facts()
    assert facts["first_file_time_s"] is None
    flags = facts["channels"][0]["flags"]  # type: ignore[index]
    assert flags
    assert all(f["from_file_time_s"] is None for f in flags)
