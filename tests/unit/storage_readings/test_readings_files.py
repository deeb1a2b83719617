"""Whole text files: encodings, delimiters, banners, headings, units, marks, what is refused."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ovenwright.domain.run import Quality
from ovenwright.errors import ReadingsRefused, UnknownName, UsageError
from ovenwright.storage.readings import Choices, FileFound, read_file

Read = Callable[..., FileFound]
ROWS = 60
CORE = [20 + 1.5 * i for i in range(ROWS)]
AIR = [50 + 1.5 * i for i in range(ROWS)]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def reader(content: str | bytes, *, written_as: str = "utf-8", **choices: Any) -> FileFound:
        path = tmp_path / "readings.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode(written_as))
        return read_file(path, Choices(**choices))

    return reader


def table(heading: str, mark: str = ",", decimal: str = ".") -> str:
    """Three columns: seconds, core, air."""
    lines = [
        mark.join(str(v).replace(".", decimal) for v in (i, core, air))
        for i, (core, air) in enumerate(zip(CORE, AIR, strict=True))
    ]
    return "\n".join([heading, *lines]) + "\n"


def assert_core_and_air(found: FileFound) -> None:
    assert [c.name for c in found.channels] == ["Core", "Air"]
    np.testing.assert_array_equal(found.channels[0].value, CORE)
    np.testing.assert_array_equal(found.channels[1].value, AIR)
    np.testing.assert_array_equal(found.channels[0].time_ns, np.arange(ROWS) * 10**9)
    assert {c.unit for c in found.channels} == {"degC"}


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends(read: Read, mark: str, ending: str) -> None:
    text = table(mark.join(["Time (s)", "Core (°C)", "Air (°C)"]), mark)
    assert_core_and_air(read(text.replace("\n", ending)))


@pytest.mark.parametrize("mark", [";", "\t", "|"])
def test_decimal_comma(read: Read, mark: str) -> None:
    text = table(mark.join(["Zeit (s)", "Core (°C)", "Air (°C)"]), mark, ",")
    found = read(text)
    assert_core_and_air(found)
    assert any(c.about == "decimal mark" and not c.certain for c in found.concluded)


def test_cells_parted_by_spaces(read: Read) -> None:
    lines = [f"{i:6d}   {c:8.2f} {a:8.2f}" for i, (c, a) in enumerate(zip(CORE, AIR, strict=True))]
    assert_core_and_air(read("\n".join(["  Time/s   Core (°C)   Air (°C)", *lines])))
    assert_core_and_air(read("\n".join(["# made by hand", "# Time_s Core_C Air_C", *lines])))


@pytest.mark.parametrize(
    ("encoding", "concluded"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8"),
        ("utf-16", "utf-16-le"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("cp1252", "cp1252"),
        ("latin-1", "cp1252"),
    ],
)
def test_encodings(read: Read, encoding: str, concluded: str) -> None:
    found = read(table("Time (s);Core (°C);Air (°C)", ";", ","), written_as=encoding)
    assert_core_and_air(found)
    assert found.concluded[0].found == concluded


def test_a_byte_that_is_no_utf8_far_down_is_met(read: Read) -> None:
    filler = "".join(f"{i},{20 + i % 7},ok\n" for i in range(40_000)).encode()
    content = b"Time (s),Core (degC),Air (degC)\n" + filler.replace(b",ok", b",30")
    found = read(content + b"40000,25,30 \xb0C\n")
    assert found.rows == 40_001
    assert found.concluded[0].found == "cp1252"


def test_gzip(read: Read) -> None:
    packed = gzip.compress(table("Time (s),Core (°C),Air (°C)").encode())
    assert_core_and_air(read(packed))
    with pytest.raises(ReadingsRefused, match="cut short"):
        read(packed[: len(packed) // 2])


@pytest.mark.parametrize("banner", [0, 1, 7, 300])
def test_banner_of_any_length(read: Read, banner: int) -> None:
    lines = "".join(f"Setting {i},{i * 3}\n" for i in range(banner))
    assert_core_and_air(read(lines + table("Time (s),Core (°C),Air (°C)")))


def test_banner_of_the_tables_own_width(read: Read) -> None:
    text = "Serial,1234\nStarted,noon\n\nTime (s),Core (°C)\n"
    found = read(text + "".join(f"{i},{20 + i}\n" for i in range(30)))
    assert [c.name for c in found.channels] == ["Core"]
    assert found.rows == 30


@pytest.mark.parametrize(
    "units", ["s,°C,°C", "(s),(degC),(degC)", "[s],[C],[C]", "sec,Deg C,deg. C", "s,℃,celsius"]
)
def test_row_of_units(read: Read, units: str) -> None:
    assert_core_and_air(read(table(f"Time,Core,Air\n{units}")))


@pytest.mark.parametrize(
    "heading",
    [
        "Time (s),Core (°C),Air (°C)",
        "Time [s],Core [degC],Air [C]",
        "Time/s,Core/°C,Air/°C",
        "time_s,Core_C,Air_C",
        "Time (sec),Core °C,Air deg C",
        'Time (s),"Core, °C","Air, °C"',
        "Time (s),Core(°C),Air°C",
        "Time (s),Core Celsius,Air_degC",
        "Time (s),Core C,Air C",
        "Time (s),Core (\ufffdC),Air (Â°C)",
        "Time (s),Core (°C),Air (°C),",
        "Time (s),Core Temp C,Air Temp C",
    ],
)
def test_units_in_headings(read: Read, heading: str) -> None:
    found = read(table(heading).replace(" Temp", ""))
    assert_core_and_air(found)
    assert not found.set_aside


def test_fahrenheit_and_kelvin_keep_their_numbers(read: Read) -> None:
    text = "Time (s),A (°F),B (K)\n" + "".join(f"{i},{70.1 + i},{293.15 + i}\n" for i in range(20))
    a, b = read(text).channels
    assert (a.unit, b.unit) == ("degF", "K")
    assert a.value[0] == 70.1
    assert b.value[0] == 293.15


def test_letters_that_number_sensors_are_no_units(read: Read) -> None:
    text = "Time (s),Sensor (A),Sensor (B),Sensor (C)\n"
    text += "".join(f"{i},{20 + i},{20 + i},{21 + i}\n" for i in range(90))
    found = read(text)
    assert [c.name for c in found.channels] == ["Sensor (A)", "Sensor (B)", "Sensor (C)"]
    assert any(c.about == "unit" and not c.certain for c in found.concluded)


def test_kelvin_that_can_only_be_type_k(read: Read) -> None:
    found = read("Time (s),T1 (K)\n" + "".join(f"{i},{20 + i}\n" for i in range(90)))
    assert found.channels[0].unit == "degC"
    assert any("type K" in n for n in found.notes)


def test_columns_that_are_no_temperatures_are_set_aside(read: Read) -> None:
    heading = "No.,Time (s),Core (°C),Air (°C),RH (%),Battery,Status,ΔT (K),Heat rate (K/min),Belt"
    text = heading + "\n"
    text += "".join(
        f"{i + 1},{i},{c},{a},40,3.7,OK,1,2,1.2\n"
        for i, (c, a) in enumerate(zip(CORE, AIR, strict=True))
    )
    found = read(text)
    assert_core_and_air(found)
    aside = {a.name: a.why for a in found.set_aside}
    assert set(aside) == {"No.", "RH", "Battery", "Status", "ΔT", "Heat rate", "Belt"}
    assert "unit is %" in aside["RH"]


def test_unit_above_the_table(read: Read) -> None:
    found = read("Unit: °F\nLogger 3\n" + table("Time (s),Core,Air"))
    assert {c.unit for c in found.channels} == {"degF"}
    assert any("above the table" in c.why for c in found.concluded)


def test_unit_beside_the_numbers(read: Read) -> None:
    text = "Time (s);T1\n" + "".join(f"{i};{20 + i},5 °F\n" for i in range(30))
    found = read(text)
    assert found.channels[0].unit == "degF"
    assert found.channels[0].value[0] == 20.5


def test_names_that_come_twice_are_told_apart(read: Read) -> None:
    found = read(table("Time (s),T (°C),T (°C)"))
    assert [c.name for c in found.channels] == ["T", "T #2"]


def test_bare_headings_from_ambient_are_celsius_with_the_reason(read: Read) -> None:
    text = "Time,Shroud,Cable 1\n"
    text += "".join(
        f"{i * 0.9 - 60:.1f},{39 + i * 0.3:.1f},{35 + i * 0.2:.1f}\n" for i in range(2000)
    )
    found = read(text)
    assert {c.unit for c in found.channels} == {"degC"}
    assert found.channels[0].time_ns[0] == -60_000_000_000
    about = {c.about: c for c in found.concluded if not c.certain}
    assert "colder than any room" in about["unit"].why
    assert about["time"].found == "seconds"


def test_bare_headings_that_may_be_fahrenheit_are_refused(read: Read) -> None:
    text = "Time,T1,T2\n" + "".join(
        f"{i},{70 + i * 0.1:.1f},{71 + i * 0.1:.1f}\n" for i in range(900)
    )
    with pytest.raises(ReadingsRefused, match="--unit"):
        read(text)
    assert {c.unit for c in read(text, unit="F").channels} == {"degF"}


@pytest.mark.parametrize(
    "mark",
    [
        "OPEN",
        "OL",
        "9.9E37",
        "-9.9E+37",
        "9999",
        "-9999",
        "6999",
        "32767",
        "-32768",
        ">1372",
        "inf",
    ],
)
def test_overflow_marks_are_missing_with_their_bit(read: Read, mark: str) -> None:
    text = "Time (s),Core (°C)\n"
    text += "".join(f"{i},{mark if 5 <= i < 8 else 20 + i}\n" for i in range(60))
    found = read(text)
    core = found.channels[0]
    assert np.isnan(core.value[5:8]).all()
    assert (core.quality[5:8] == int(Quality.MISSING | Quality.OVERFLOW)).all()
    assert np.isfinite(np.delete(core.value, [5, 6, 7])).all()
    assert any("3 of 60 readings are missing" in n for n in found.notes)


@pytest.mark.parametrize("mark", ["NaN", "---", "", "#N/A", "Err", "n.a."])
def test_missing_marks_are_missing_with_their_bit(read: Read, mark: str) -> None:
    text = "Time (s),Core (°C)\n"
    text += "".join(f"{i},{mark if 5 <= i < 8 else 20 + i}\n" for i in range(60))
    found = read(text)
    assert (found.channels[0].quality[5:8] == int(Quality.MISSING)).all()
    assert any("3 of 60 readings are missing" in n for n in found.notes)


def test_text_among_numbers_is_missing_and_told_with_its_line(read: Read) -> None:
    text = "Time (s),Core (°C)\n"
    text += "".join(f"{i},{'probe moved' if i == 9 else 20 + i}\n" for i in range(60))
    found = read(text)
    assert np.isnan(found.channels[0].value[9])
    assert any("'probe moved'" in n and "line 11" in n for n in found.notes)


def test_a_persons_own_mark(read: Read) -> None:
    text = "Time (s),Core (°C)\n" + "".join(f"{i},{-5 if i == 3 else 20 + i}\n" for i in range(60))
    assert read(text).channels[0].value[3] == -5
    assert np.isnan(read(text, missing=("-5",)).channels[0].value[3])


def test_a_channel_that_is_open_all_along_is_kept_as_missing(read: Read) -> None:
    text = "Time (s),Core (°C),Air (°C)\n" + "".join(f"{i},OPEN,{20 + i}\n" for i in range(60))
    core = read(text).channels[0]
    assert core.name == "Core"
    assert np.isnan(core.value).all()


def test_short_rows_comments_and_a_cut_last_line(read: Read) -> None:
    text = "Time (s),A (°C),B (°C)\n0,20,21\n1,21,22\n2,22\n# note\n3,23,24,,\n4,24,25\n5,2"
    found = read(text)
    assert found.rows == 5
    assert np.isnan(found.channels[1].value[2])
    assert any("line 8, the last one, is cut short" in n for n in found.notes)
    assert any("beginning with #" in n for n in found.notes)


def test_headings_again_and_a_footer(read: Read) -> None:
    body = table("Time (s),Core (°C),Air (°C)")
    lines = body.splitlines()
    text = "\n".join([*lines[:31], "", lines[0], *lines[31:], "Max,109,139", "End of data,,"])
    found = read(text)
    assert_core_and_air(found)
    assert any("headings come again" in n for n in found.notes)
    assert any("left out" in n and "'Max'" in n for n in found.notes)


def test_no_headings(read: Read) -> None:
    found = read("".join(f"{i},{20 + i * 0.5},{20 + i * 0.3}\n" for i in range(300)))
    assert [c.name for c in found.channels] == ["column 2", "column 3"]
    assert any("no headings" in n for n in found.notes)


def test_numbers_as_headings(read: Read) -> None:
    text = "Time,1,2\n" + "".join(f"{i},{20 + i * 0.5},{20 + i * 0.3}\n" for i in range(300))
    assert [c.name for c in read(text).channels] == ["1", "2"]


def test_long_table(read: Read) -> None:
    text = "time_s,channel,value,unit\n"
    text += "".join(f"{i},{n},{20 + i + k},C\n" for i in range(50) for k, n in enumerate("ab"))
    a, b = read(text).channels
    assert (a.name, b.name) == ("a", "b")
    np.testing.assert_array_equal(b.value - a.value, 1.0)
    assert a.time_ns.size == 50


REFUSED = {
    "empty": ("", "empty", ""),
    "only headings": ("Time,T1\n", "no rows", "--header-row"),
    "no table": ("hello\nworld\n", "no rows", "--header-row"),
    "no time": ("A (°C),B (°C)\n20,21\n22,20\n19,24\n", "the time", "--time-column"),
    "only time": ("Time (s),Note\n0,a\n1,b\n2,c\n", "temperature", "--channels"),
    "too many cells": ("Time (s),T (°C)\n0,20\n1,21,3\n2,22\n", "3 cells", "--delimiter"),
    "a bad time": ("Time (s),T (°C)\n0,20\n1,21\nxx,22\n3,23\n", "'xx'", "--time-column"),
    "commas everywhere": ("Time,A (°C),B (°C)\n0,0,20,5,21,5\n1,0,20,6,21,6\n", "decimal", ""),
    "slashed date": ("Time,T (°C)\n03/04/2026 10:00,20\n03/04/2026 10:01,21\n", "2026-04-03", "--day"),
    "zone letters": ("Time,T (°C)\n2026-03-04 10:00 EET,20\n2026-03-04 10:01 EET,21\n", "EET", "--zone"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_refusals_name_cause_and_option(read: Read, case: str) -> None:
    content, cause, option = REFUSED[case]
    with pytest.raises(ReadingsRefused) as caught:
        read(content)
    assert cause in str(caught.value)
    assert option in caught.value.option


@pytest.mark.parametrize(
    ("case", "line"), [("too many cells", 3), ("a bad time", 4), ("commas everywhere", 2)]
)
def test_refusals_name_the_line(read: Read, case: str, line: int) -> None:
    with pytest.raises(ReadingsRefused) as caught:
        read(REFUSED[case][0])
    assert caught.value.line == line


def test_clock_set_back_without_a_zone_is_refused(read: Read) -> None:
    text = "Time,Core (°C)\n"
    text += "".join(f"25.10.2026 02:{m:02d},{20 + m}\n" for m in range(60))
    text += "".join(f"25.10.2026 02:{m:02d},{80 + m / 10}\n" for m in range(60))
    with pytest.raises(ReadingsRefused, match="summer time") as caught:
        read(text)
    assert caught.value.line == 62
    found = read(text, zone="Europe/Berlin")
    assert (np.diff(found.channels[0].time_ns) == 60 * 10**9).all()


def test_choices_overrule(read: Read) -> None:
    text = "junk\nTime;Clock;Core;Belt\n" + "".join(
        f"{i};{i * 2};{20 + i},5;{i % 3}\n" for i in range(60)
    )
    found = read(
        text,
        time_columns=("Clock",),
        time_unit="min",
        units={"Core": "F", "Belt": "C"},
        delimiter="semicolon",
        decimal="comma",
        encoding="latin-1",
        header_row=2,
        channels=("Core", "Belt"),
        start="2026-03-04T14:12:00",
        zone="Europe/Riga",
    )
    assert [(c.name, c.unit) for c in found.channels] == [("Core", "degF"), ("Belt", "degC")]
    start = np.datetime64("2026-03-04T12:12", "ns").astype(np.int64)
    assert found.channels[0].time_ns[0] == start
    assert found.channels[0].time_ns[1] - start == 120 * 10**9
    assert found.absolute


@pytest.mark.parametrize(
    ("choices", "error"),
    [
        ({"unit": "X"}, UsageError),
        ({"units": {"Nowhere": "C"}}, UnknownName),
        ({"channels": ("Nowhere",)}, UnknownName),
        ({"time_columns": ("Nowhere",)}, UnknownName),
        ({"time_unit": "fortnight"}, UsageError),
        ({"decimal": "x"}, UsageError),
        ({"delimiter": "two"}, ReadingsRefused),
        ({"encoding": "martian"}, ReadingsRefused),
        ({"header_row": 9999}, ReadingsRefused),
        ({"start": "noon"}, UsageError),
    ],
)
def test_choices_that_mean_nothing(read: Read, choices: dict[str, Any], error: type) -> None:
    with pytest.raises(error):
        read(table("Time (s),Core (°C),Air (°C)"), **choices)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ReadingsRefused, match="no such file"):
        read_file(tmp_path / "none.csv", Choices())
    with pytest.raises(ReadingsRefused, match="folder"):
        read_file(tmp_path, Choices())


@pytest.mark.parametrize("start", [b"%PDF-1.7 x", b"\x89PNG\r\n\x1a\n", b"SQLite format 3\x00"])
def test_pictures_and_databases_are_refused(read: Read, start: bytes) -> None:
    with pytest.raises(ReadingsRefused, match="not a table"):
        read(start + b"\x00" * 100)


def test_bytes_at_random_are_refused_and_never_crash(read: Read) -> None:
    rng = np.random.default_rng(7)
    for size in (1, 10, 1000, 20_000):
        with pytest.raises(ReadingsRefused):
            read(rng.integers(0, 256, size).astype(np.uint8).tobytes())


@pytest.mark.parametrize(
    ("line", "start"),
    [
        ("Start: 2026-03-04 14:12:00", "2026-03-04T14:12:00"),
        ("Started at;04.03.2026;14:12:00", "2026-03-04T14:12:00"),
        ("Start time,2026/03/04 14:12", "2026-03-04T14:12:00"),
        ("Exported 2026-03-09 10:00:00", None),
        ("Start: 03/04/2026 14:12:00", None),  # April or March: not used
    ],
)
def test_start_said_above_the_table(read: Read, line: str, start: str | None) -> None:
    found = read(f"Made by hand\n{line}\n\n" + table("Time (s),Core (°C),Air (°C)"))
    assert found.absolute is (start is not None)
    if start is not None:
        assert found.channels[0].time_ns[0] == np.datetime64(start, "ns").astype(np.int64)
        assert any(c.about == "elapsed zero" and c.option == "--start" for c in found.concluded)


def test_day_said_above_a_clock(read: Read) -> None:
    text = "Date: 2026-03-04\nTime,Core (°C)\n"
    found = read(text + "".join(f"14:12:{s:02d},{20 + s}\n" for s in range(60)), zone="Europe/Riga")
    assert found.absolute
    assert str(found.channels[0].time_ns[:1].astype("datetime64[s]")[0]) != "1970-01-01T14:12:00"
    assert found.channels[0].time_ns[0] == np.datetime64("2026-03-04T12:12", "ns").astype(np.int64)


@pytest.mark.parametrize(
    ("pattern", "month"), [("dd/mm/yyyy", 4), ("MM/DD/YYYY", 3), ("D/M/YY", 4)]
)
def test_heading_that_tells_the_order_of_day_and_month(
    read: Read, pattern: str, month: int
) -> None:
    rows = "".join(f"03/04/2026 10:00:{s:02d},{20 + s}\n" for s in range(60))
    found = read(f"Time ({pattern} hh:mm:ss),Core (°C)\n{rows}")
    assert found.channels[0].time_ns[0] == np.datetime64(
        f"2026-{month:02d}-{7 - month:02d}T10:00", "ns"
    ).astype(np.int64)


def test_headings_over_several_lines(read: Read) -> None:
    text = table('"Time\n(s)","Core\n(°C)","Air\n(°C)"')
    assert_core_and_air(read(text))


def test_thousands_mark_in_the_time(read: Read) -> None:
    text = "Time (s),Core (°C)\n"
    text += "".join(f'"{i:,}",{20 + i * 0.01:.2f}\n' for i in range(2000))
    assert (np.diff(read(text).channels[0].time_ns) == 10**9).all()


def test_headings_in_two_rows(read: Read) -> None:
    found = read(table("Time (s),Core,Air\n,left (°C),right (°C)"))
    assert [(c.name, c.unit) for c in found.channels] == [
        ("Core left", "degC"),
        ("Air right", "degC"),
    ]


def test_a_delimiter_at_the_end_of_each_line(read: Read) -> None:
    text = table("Time (s);Core (°C);Air (°C)", ";", ",").replace("\n", ";\n")
    found = read(text)
    assert_core_and_air(found)
    assert not found.set_aside


def test_headings_without_a_column_are_told(read: Read) -> None:
    found = read(table("Time (s),Core (°C),Air (°C),Gone (°C)"))
    assert_core_and_air(found)
    assert any("Gone" in n for n in found.notes)


def test_a_second_recording_in_the_same_file_is_refused(read: Read) -> None:
    body = table("Time (s),Core (°C),Air (°C)")
    with pytest.raises(ReadingsRefused, match="second recording") as caught:
        read(body + body.split("\n", 1)[1])
    assert caught.value.line == ROWS + 2


@pytest.mark.parametrize("order", ["reversed", "halves", "shuffled"])
def test_rows_out_of_order(read: Read, order: str) -> None:
    head, *rows = table("Time (s),Core (°C),Air (°C)").splitlines()
    mixed = {
        "reversed": rows[::-1],
        "halves": rows[30:] + rows[:30],
        "shuffled": [rows[i] for i in np.random.default_rng(1).permutation(ROWS)],
    }[order]
    found = read("\n".join([head, *mixed]))
    assert_core_and_air(found)
    assert (found.channels[0].quality & int(Quality.REORDERED)).any()


def test_a_column_asked_for_takes_its_siblings_unit(read: Read) -> None:
    text = "Time (s),Core (°C),Spot,Belt (m/min)\n"
    text += "".join(f"{i},{20 + i},{30 + i},1.2\n" for i in range(60))
    assert [c.name for c in read(text).channels] == ["Core"]
    found = read(text, channels=("Core", "Spot"))
    assert [(c.name, c.unit) for c in found.channels] == [("Core", "degC"), ("Spot", "degC")]
    with pytest.raises(ReadingsRefused, match="no unit of temperature"):
        read(text, channels=("Core", "Belt"))
