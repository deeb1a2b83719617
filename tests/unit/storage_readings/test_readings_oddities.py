"""Files that a plant may have and a reader easily gets wrong without saying so."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ovenwright.domain.run import NS
from ovenwright.errors import ReadingsRefused, UsageError
from ovenwright.storage.readings import Choices, FileFound, read_file

_START = dt.datetime(2024, 5, 11, 6, 0, tzinfo=dt.UTC)
_ROWS = 40
_AIR = [round(24.0 + 4.4 * i, 2) for i in range(_ROWS)]


def _file(folder: Path, form: str, start: dt.datetime = _START) -> Path:
    path = folder / "log.csv"
    rows = [
        f"{(start + dt.timedelta(seconds=5 * i)).strftime(form)},{v}" for i, v in enumerate(_AIR)
    ]
    path.write_text("\n".join(["Date,Air (°C)", *rows]) + "\n", encoding="utf-8")
    return path


def _start(found: FileFound) -> dt.datetime:
    return dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(
        seconds=int(found.channels[0].time_ns[0]) // NS
    )


@pytest.mark.parametrize(("day_first", "year"), [(True, 2011), (False, 2024)])
def test_a_year_of_two_digits_between_dashes_is_not_guessed(
    tmp_path: Path, day_first: bool, year: int
) -> None:
    path = _file(tmp_path, "%y-%m-%d %H:%M:%S")
    with pytest.raises(ReadingsRefused, match="2011-05-24 or year first as 2024-05-11") as caught:
        read_file(path, Choices())
    assert caught.value.option == "--day-first or --year-first"
    choices = Choices(day_first=True) if day_first else Choices(year_first=True)
    assert _start(read_file(path, choices)).year == year


def test_a_midnight_tells_that_the_year_stands_first(tmp_path: Path) -> None:
    path = _file(tmp_path, "%y/%m/%d %H:%M:%S", dt.datetime(2024, 5, 11, 23, 59, tzinfo=dt.UTC))
    assert _start(read_file(path, Choices())) == dt.datetime(2024, 5, 11, 23, 59, tzinfo=dt.UTC)


def test_two_digits_last_between_slashes_tell_the_other_way_too(tmp_path: Path) -> None:
    found = read_file(
        _file(tmp_path, "%d/%m/%y %H:%M:%S", dt.datetime(2024, 5, 17, 6, tzinfo=dt.UTC)), Choices()
    )
    assert _start(found) == dt.datetime(2024, 5, 17, 6, tzinfo=dt.UTC)
    assert any("2017-05-24: --year-first" in c.why for c in found.concluded)


def test_the_heading_may_say_that_the_year_stands_first(tmp_path: Path) -> None:
    path = _file(tmp_path, "%y-%m-%d %H:%M:%S")
    path.write_text(path.read_text("utf-8").replace("Date", "Date (yy-mm-dd)"), "utf-8")
    assert _start(read_file(path, Choices())) == _START


def test_time_as_the_c_library_writes_it(tmp_path: Path) -> None:
    assert _start(read_file(_file(tmp_path, "%a %b %d %H:%M:%S %Y"), Choices())) == _START


@pytest.mark.parametrize("names", [("K", "J"), ("T", "K")])
def test_letters_that_are_units_too_may_be_headings(tmp_path: Path, names: tuple[str, str]) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{5 * i},{v},{v / 2}" for i, v in enumerate(_AIR)]
    path.write_text("\n".join([f"Time (s),{','.join(names)}", *rows]) + "\n", encoding="utf-8")
    found = read_file(path, Choices())
    assert [(c.name, c.unit) for c in found.channels] == [(n, "degC") for n in names]


def test_a_row_of_units_alone_is_still_one(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{i / 12:.6f},{v}" for i, v in enumerate(_AIR)]
    path.write_text("\n".join(["min,°F", *rows]) + "\n", encoding="utf-8")
    found = read_file(path, Choices())
    assert [c.unit for c in found.channels] == ["degF"]
    assert found.channels[0].time_ns[1] - found.channels[0].time_ns[0] == pytest.approx(
        5 * NS, abs=1e5
    )


def test_a_change_of_delimiter_is_refused_where_it_happens(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = ["Time (s),Air (°C),Core (°C)"] + [f"{i},{v},{v / 2}" for i, v in enumerate(_AIR)]
    rows[19:] = [r.replace(",", ";") for r in rows[19:]]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    with pytest.raises(ReadingsRefused, match="comma down to here and by semicolon") as caught:
        read_file(path, Choices())
    assert caught.value.where.endswith("line 20")


def test_durations_in_parquet_are_elapsed_time(tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    table = pa.table(
        {
            "elapsed": pa.array([dt.timedelta(seconds=5 * i) for i in range(_ROWS)]),
            "Air (°C)": _AIR,
        }
    )
    pq.write_table(table, path)
    found = read_file(path, Choices())
    assert not found.absolute
    np.testing.assert_array_equal(found.channels[0].time_ns, np.arange(_ROWS) * 5 * NS)
    np.testing.assert_array_equal(found.channels[0].value, _AIR)


@pytest.mark.parametrize("heading", ["Kern für Brötchen (°C)", "Kern (°C)"])
def test_the_old_code_page_is_told_from_the_new_one(tmp_path: Path, heading: str) -> None:
    path = tmp_path / "log.txt"
    text = "\n".join([f"Zeit (s);{heading}"] + [f"{i};{v}" for i, v in enumerate(_AIR)]) + "\n"
    path.write_bytes(text.encode("cp850"))
    found = read_file(path, Choices())
    assert [(c.heading, c.unit) for c in found.channels] == [(heading, "degC")]
    assert any(c.found == "cp850" and c.option == "--encoding" for c in found.concluded)


def test_rows_without_a_time_come_at_the_step_that_was_given(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{i + 1},{v}" for i, v in enumerate(_AIR)]
    path.write_text("\n".join(["Scan,Air (°C)", *rows]) + "\n", encoding="utf-8")
    with pytest.raises(ReadingsRefused) as caught:
        read_file(path, Choices())
    assert "--interval S" in caught.value.option
    found = read_file(path, Choices(interval_s=2.5))
    assert [a.name for a in found.set_aside] == ["Scan"]
    assert not found.absolute
    np.testing.assert_array_equal(found.channels[0].time_ns, np.arange(_ROWS) * (5 * NS // 2))
    np.testing.assert_array_equal(found.channels[0].value, _AIR)
    dated = read_file(path, Choices(interval_s=2.5, start="2024-05-11T06:00:00Z"))
    assert _start(dated) == _START
    with pytest.raises(UsageError, match="not both"):
        read_file(path, Choices(interval_s=2.5, time_columns=("Scan",)))


@pytest.mark.parametrize("form", ["%H%M%S", "%-H%M%S"])
def test_dates_and_clocks_of_bare_digits_belong_together(tmp_path: Path, form: str) -> None:
    path = tmp_path / "log.csv"
    stamps = [_START + dt.timedelta(seconds=5 * i) for i in range(_ROWS)]
    rows = [f"{s:%Y%m%d},{s.strftime(form)},{v}" for s, v in zip(stamps, _AIR, strict=True)]
    path.write_text("\n".join(["Date,Time,Air (°C)", *rows]) + "\n", encoding="utf-8")
    found = read_file(path, Choices())
    assert _start(found) == _START
    assert [c.name for c in found.channels] == ["Air"]
    np.testing.assert_array_equal(np.diff(found.channels[0].time_ns), 5 * NS)


def test_numbers_that_a_sheet_was_kept_from_reading(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f'{5 * i},="{v}"' for i, v in enumerate(_AIR)]
    path.write_text("\n".join(["Time (s),Air (°C)", *rows]) + "\n", encoding="utf-8")
    np.testing.assert_array_equal(read_file(path, Choices()).channels[0].value, _AIR)


def test_an_offset_with_the_name_of_its_zone(tmp_path: Path) -> None:
    path = _file(tmp_path, "%Y-%m-%dT%H:%M:%S+03:00[Europe/Riga]")
    assert _start(read_file(path, Choices())) == _START - dt.timedelta(hours=3)
