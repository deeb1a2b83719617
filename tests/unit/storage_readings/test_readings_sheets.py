"""Spreadsheets and Parquet."""

from __future__ import annotations

import io
import zipfile
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings import Choices, read_file
from ovenwright.storage.readings.weighing import refuse_bomb

START = datetime(2026, 3, 4, 14, 12)  # noqa: DTZ001 - a clock on a wall has no zone
START_NS = int(np.datetime64(START, "ns").astype(np.int64))


def workbook(path: Path, sheets: Any) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    book.save(path)
    return path


def rows(count: int = 50) -> list[list[Any]]:
    return [[START + timedelta(seconds=i / 2), 20.1 + i, 70.3 + i, None] for i in range(count)]


def test_dates_numbers_and_marks_of_a_sheet(tmp_path: Path) -> None:
    body = rows()
    body[3][2] = "OPEN"
    body[7][3] = "door"
    head = [["Made by hand"], [], ["Date and time", "T1 (°C)", "T2 (°F)", "Event"]]
    found = read_file(workbook(tmp_path / "a.xlsx", {"Data": head + body}), Choices())
    assert [(c.name, c.unit) for c in found.channels] == [("T1", "degC"), ("T2", "degF")]
    np.testing.assert_array_equal(found.channels[0].value, [20.1 + i for i in range(50)])
    np.testing.assert_array_equal(found.channels[0].time_ns, START_NS + np.arange(50) * 500_000_000)
    assert np.isnan(found.channels[1].value[3])
    assert [a.name for a in found.set_aside] == ["Event"]


def test_date_and_time_in_two_columns_with_a_row_of_units(tmp_path: Path) -> None:
    body = [[r[0].date(), r[0].time(), r[1]] for r in rows()[::2]]
    sheets = {"Data": [["Date", "Time", "Core"], ["", "", "°C"], *body]}
    found = read_file(workbook(tmp_path / "a.xlsx", sheets), Choices())
    np.testing.assert_array_equal(found.channels[0].time_ns, START_NS + np.arange(25) * 10**9)


@pytest.mark.parametrize("kind", ["duration", "serial", "text"])
def test_other_forms_of_time(tmp_path: Path, kind: str) -> None:
    forms: dict[str, list[Any]] = {
        "duration": [timedelta(seconds=i) for i in range(30)],
        "serial": [46085.5 + i / 86400 for i in range(30)],
        "text": [f"0:00:{i:02d}" for i in range(30)],
    }
    times = forms[kind]
    body = [[t, 20.5 + i] for i, t in enumerate(times)]
    found = read_file(workbook(tmp_path / "a.xlsx", {"D": [["t", "T1 °C"], *body]}), Choices())
    assert (np.diff(found.channels[0].time_ns) == 10**9).all()


def test_numbers_kept_as_text_with_decimal_comma(tmp_path: Path) -> None:
    body = [[str(i), f"{20 + i},5"] for i in range(30)]
    found = read_file(workbook(tmp_path / "a.xlsx", {"D": [["t (s)", "T1 °C"], *body]}), Choices())
    np.testing.assert_array_equal(found.channels[0].value, np.arange(30) + 20.5)


def test_the_sheet_with_readings_is_found_or_named(tmp_path: Path) -> None:
    short = [["Time (s)", "T1 (°C)"], *([i, 20 + i] for i in range(20))]
    long = [["Time (s)", "T1 (°C)"], *([i, 90 + i] for i in range(40))]
    price = [["item", "price"], *([f"x{i}", i] for i in range(90))]
    path = workbook(tmp_path / "a.xlsx", {"Prices": price, "One": short, "Two": long})
    found = read_file(path, Choices())
    assert found.channels[0].value[0] == 90
    assert any(c.about == "sheet" and "'One'" in c.why for c in found.concluded)
    assert read_file(path, Choices(sheet="one")).channels[0].value[0] == 20
    with pytest.raises(ReadingsRefused, match="Prices, One, Two"):
        read_file(path, Choices(sheet="Three"))


def test_refusal_names_the_row_of_the_sheet(tmp_path: Path) -> None:
    body: list[list[Any]] = [[i, 20.0 + i] for i in range(30)]
    body[10][0] = "soon"
    path = workbook(tmp_path / "a.xlsx", {"D": [["made"], [], ["t (s)", "T1 °C"], *body]})
    with pytest.raises(ReadingsRefused) as caught:
        read_file(path, Choices())
    assert caught.value.line == 14


def test_bombs_archives_and_damage_are_refused(tmp_path: Path) -> None:
    path = workbook(tmp_path / "a.xlsx", {"D": [["t (s)", "T1 °C"], *rows(200)]})
    with pytest.raises(ReadingsRefused, match="unpacks to more"):
        refuse_bomb(path, limit=1000)
    bomb = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("[Content_Types].xml", "<x/>")
        packed.writestr("xl/worksheets/sheet1.xml", b"0" * 30_000_000)
    with pytest.raises(ReadingsRefused, match="unpacks to more"):
        refuse_bomb(bomb, limit=1_000_000)
    lying = tmp_path / "lying.xlsx"
    content = bomb.read_bytes()
    real = (30_000_000).to_bytes(4, "little")
    assert content.count(real) >= 2
    lying.write_bytes(content.replace(real, (1000).to_bytes(4, "little")))
    with pytest.raises(ReadingsRefused):
        read_file(lying, Choices())
    plain = tmp_path / "plain.zip"
    with zipfile.ZipFile(plain, "w") as packed:
        packed.writestr("a.csv", "Time (s),T (°C)\n0,20\n")
    with pytest.raises(ReadingsRefused, match="zip archive"):
        read_file(plain, Choices())
    cut = tmp_path / "cut.xlsx"
    cut.write_bytes(path.read_bytes()[:900])
    with pytest.raises(ReadingsRefused):
        read_file(cut, Choices())


def test_wide_parquet(tmp_path: Path) -> None:
    table = pa.table(
        {
            "time": pa.array([START + timedelta(seconds=i) for i in range(40)], pa.timestamp("ms")),
            "Core (°C)": pa.array([20.1 + i for i in range(40)], pa.float32()),
            "Air (°F)": [70.5 + i for i in range(40)],
            "rh %": [40.0] * 40,
            "word": ["x"] * 40,
        }
    )
    pq.write_table(table, tmp_path / "a.parquet")
    found = read_file(tmp_path / "a.parquet", Choices())
    assert [(c.name, c.unit) for c in found.channels] == [("Core", "degC"), ("Air", "degF")]
    # the decimal that was written, not the double of its 32-bit neighbour
    assert found.channels[0].value[0] == 20.1
    assert found.channels[0].time_ns[0] == START_NS
    assert {a.name for a in found.set_aside} == {"rh", "word"}


def test_long_parquet_with_channels_of_their_own_times(tmp_path: Path) -> None:
    offset = {"core": 0, "air": 250}
    records = [
        (START_NS + i * 10**9 + offset[name] * 10**6, name, 25.0 + i)
        for i in range(80)
        for name in offset
    ]
    table = pa.table(
        {
            "time": pa.array([r[0] for r in records], pa.timestamp("ns", "UTC")),
            "channel": pa.array([r[1] for r in records]).dictionary_encode(),
            "value": [r[2] for r in records],
        }
    )
    pq.write_table(table, tmp_path / "a.parquet")
    found = read_file(tmp_path / "a.parquet", Choices())
    core, air = found.channels
    assert (core.name, air.name) == ("core", "air")
    assert air.time_ns[0] - core.time_ns[0] == 250_000_000
    np.testing.assert_array_equal(core.value, 25.0 + np.arange(80))


def test_parquet_that_is_a_sealed_run_empty_or_damaged(tmp_path: Path) -> None:
    table = pa.table({"time": [1.0, 2.0], "T (°C)": [1.0, 2.0]})
    sealed = table.replace_schema_metadata({"ovenwright:digest": "x"})
    pq.write_table(sealed, tmp_path / "sealed.parquet")
    with pytest.raises(ReadingsRefused, match="already a sealed run"):
        read_file(tmp_path / "sealed.parquet", Choices())
    pq.write_table(table.slice(0, 0), tmp_path / "none.parquet")
    with pytest.raises(ReadingsRefused, match="no rows"):
        read_file(tmp_path / "none.parquet", Choices())
    whole = io.BytesIO()
    pq.write_table(table, whole)
    (tmp_path / "cut.parquet").write_bytes(whole.getvalue()[:100])
    with pytest.raises(ReadingsRefused, match="damaged"):
        read_file(tmp_path / "cut.parquet", Choices())
