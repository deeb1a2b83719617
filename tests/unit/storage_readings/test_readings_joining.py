"""Several files made one run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ovenwright.domain.run import NS
from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings import Choices, FileFound, Join, join_files, read_file


def file(
    folder: Path, name: str, heading: str, first: int, count: int, *, base: float = 20.0
) -> FileFound:
    path = folder / name
    body = "".join(f"{i},{base + i * 0.5}\n" for i in range(first, first + count))
    path.write_text(f"Time (s),{heading}\n{body}", encoding="utf-8")
    return read_file(path, Choices())


def dated(folder: Path, name: str, heading: str, minute: int) -> FileFound:
    path = folder / name
    body = "".join(f"2026-03-04 14:{minute:02d}:{s:02d},{20 + s}\n" for s in range(60))
    path.write_text(f"Time,{heading}\n{body}", encoding="utf-8")
    return read_file(path, Choices())


def test_same_columns_follow_each_other(tmp_path: Path) -> None:
    later = dated(tmp_path, "b.csv", "Core (°C)", 13)
    earlier = dated(tmp_path, "a.csv", "Core (°C)", 12)
    joined = join_files([later, earlier])
    assert len(joined.channels) == 1
    assert (np.diff(joined.channels[0].time_ns) == NS).all()
    assert joined.channels[0].time_ns.size == 120


def test_other_columns_stand_beside_on_their_own_times(tmp_path: Path) -> None:
    joined = join_files(
        [file(tmp_path, "a.csv", "Core (°C)", 0, 50), file(tmp_path, "b.csv", "Air (°C)", 10, 70)]
    )
    assert [c.name for c in joined.channels] == ["Core", "Air"]
    assert joined.channels[1].time_ns[0] == 10 * NS
    assert any("zeros were laid on each other" in n for n in joined.notes)


def test_readings_that_two_files_hold_alike_are_kept_once(tmp_path: Path) -> None:
    joined = join_files(
        [file(tmp_path, "a.csv", "Core (°C)", 0, 50), file(tmp_path, "b.csv", "Core (°C)", 30, 50)]
    )
    np.testing.assert_array_equal(joined.channels[0].time_ns, np.arange(80) * NS)
    assert any("kept once" in n for n in joined.notes)


def overlapping(folder: Path) -> list[FileFound]:
    return [
        file(folder, "a.csv", "Core (°C)", 0, 50),
        file(folder, "b.csv", "Core (°C)", 30, 50, base=25.0),
    ]


def test_an_overlap_that_differs_is_refused_with_the_ways_out(tmp_path: Path) -> None:
    with pytest.raises(ReadingsRefused) as caught:
        join_files(overlapping(tmp_path))
    assert "--join after" in caught.value.option
    assert "--join beside" in caught.value.option


def test_the_first_file_wins_where_asked(tmp_path: Path) -> None:
    joined = join_files(overlapping(tmp_path), Join.TIME)
    core = joined.channels[0]
    np.testing.assert_array_equal(core.time_ns, np.arange(80) * NS)
    assert core.value[49] == 20.0 + 49 * 0.5
    assert core.value[50] == 25.0 + 50 * 0.5
    assert any("left out" in n for n in joined.notes)


def test_two_sensors_of_one_name_stand_beside(tmp_path: Path) -> None:
    joined = join_files(overlapping(tmp_path), Join.BESIDE)
    assert [c.name for c in joined.channels] == ["Core (a)", "Core (b)"]


def test_elapsed_files_follow_each_other_where_asked(tmp_path: Path) -> None:
    files = [file(tmp_path, n, "Core (°C)", 0, 50) for n in ("a.csv", "b.csv", "c.csv")]
    joined = join_files(files, Join.AFTER)
    np.testing.assert_array_equal(joined.channels[0].time_ns, np.arange(150) * NS)


def test_dates_and_bare_elapsed_times_do_not_mix(tmp_path: Path) -> None:
    bare = file(tmp_path, "a.csv", "Core (°C)", 0, 50)
    with pytest.raises(ReadingsRefused, match="elapsed times only") as caught:
        join_files([dated(tmp_path, "b.csv", "Air (°C)", 12), bare])
    assert "--start" in caught.value.option
    with pytest.raises(ReadingsRefused, match="has dates"):
        join_files([dated(tmp_path, n, "Air (°C)", 12) for n in ("c.csv", "d.csv")], Join.AFTER)


def test_units_of_one_channel_must_agree(tmp_path: Path) -> None:
    files = [dated(tmp_path, "a.csv", "Core (°C)", 12), dated(tmp_path, "b.csv", "Core (°F)", 13)]
    with pytest.raises(ReadingsRefused, match="degF"):
        join_files(files)
