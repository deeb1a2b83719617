"""Kinetics and time-temperature tables: what comes along is sound, a user's file is read strictly."""

from pathlib import Path
from typing import Any

import pytest

from ovenwright.domain.kinetics import Basis, DwellRow, DwellTable, Evidence, Kinetics, Model
from ovenwright.errors import OutOfRange, UnknownName, UsageError
from ovenwright.storage.reference_data import parse_reference_data, read_reference_library

GOOD = """
[kinetics.my_oats]
agent = "Salmonella"
matrix = "oat cookie"
model = "bigelow"
organism = true
reference_c = 80.0
d_min = 2
z_k = 12.5
d_values_min = [[75.0, 5.0], [80.0, 2.0, 0.3]]
valid_c = [75.0, 80.0]
source = "Own challenge study 12"
evidence = "seen"

[table.my_roast]
title = "Own roast"
temperature_unit = "F"
rows_min = [[212, 10], [230, 2.5]]
source = "Own study 13"
evidence = "seen"
basis = "air"
"""


def test_everything_that_comes_along_says_where_it_is_from() -> None:
    library = read_reference_library()
    assert len(library.kinetics) >= 28
    assert len(library.tables) >= 18
    everything: list[Kinetics | DwellTable] = [
        *library.kinetics.values(),
        *library.tables.values(),
    ]
    for entry in everything:
        assert entry.source
        assert isinstance(entry.evidence, Evidence)
    for law in library.kinetics.values():
        assert law.figures()
        if law.surrogate:
            assert law.organism


def test_every_table_is_step_wise_and_never_kinder_than_its_rows() -> None:
    for table in read_reference_library().tables.values():
        first = table.rows[0]
        assert table.required_s(first.temp_c - 0.01) == float("inf")
        for low, high in zip(table.rows, table.rows[1:], strict=False):
            middle = (low.temp_c + high.temp_c) / 2
            assert table.required_s(middle) == low.time_s
        assert table.required_s(table.rows[-1].temp_c + 50) == table.rows[-1].time_s


def test_a_users_own_file_adds_to_the_library(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(GOOD, encoding="utf-8")
    library = read_reference_library(own)
    law = library.find_kinetics("my_oats")
    assert law.d_s == 120.0
    assert law.d_values[1].standard_s == pytest.approx(18.0)
    assert law.integrable
    table = library.find_table("my_roast")
    assert [(r.temp_c, r.time_s) for r in table.rows] == [(100.0, 600.0), (pytest.approx(110), 150)]
    assert table.basis is Basis.AIR
    assert "bun_salm" in library.kinetics


def test_a_name_of_the_package_is_not_overruled_in_silence(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(GOOD.replace("my_oats", "bun_salm"), encoding="utf-8")
    with pytest.raises(UsageError, match=r"kinetics\.bun_salm.*taken.*another name"):
        read_reference_library(own)


def test_all_faults_of_a_file_are_told_at_once_with_file_and_key(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        GOOD.replace("z_k = 12.5", "zk = 12.5\nz_k = -1")
        .replace('source = "Own challenge study 12"', "")
        .replace('evidence = "seen"\n\n', 'evidence = "sure"\n\n')
        .replace("[230, 2.5]", "[230, 2.5, 1]")
        .replace('"F"', '"R"')
        + "[plan]\n",
        encoding="utf-8",
    )
    with pytest.raises(UsageError) as caught:
        read_reference_library(own)
    text = str(caught.value)
    assert str(own) in text
    assert "6 faults" in text
    for part in (
        "plan is not known here",
        "kinetics.my_oats.zk is not known here; did you mean z_k?",
        "kinetics.my_oats.source is missing",
        "kinetics.my_oats.evidence is 'sure'",
        "table.my_roast.rows_min[1] is [230, 2.5, 1]",
        "table.my_roast.temperature_unit is 'R'",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("z_k = 12.5", "z_k = 0", "z_k is 0.0; expected a finite number above 0"),
        ("z_k = 12.5", "z_k = true", "z_k is True; expected a finite number"),
        ("z_k = 12.5", "z_k = nan", "z_k is nan"),
        ("d_min = 2", "", "d_s is missing; expected a number for model bigelow"),
        ("d_min = 2", "d_min = 2\nd_s = 120", "d is given twice; keep d_s or d_min"),
        ("valid_c = [75.0, 80.0]", "valid_c = [80.0, 75.0]", "valid_c is (80.0, 75.0)"),
        ("valid_c = [75.0, 80.0]", "", "valid_c is missing; expected [low, high]"),
        ('model = "bigelow"', 'model = "log"', "expected one of bigelow, weibull"),
        ("organism = true", 'organism = "yes"', "expected true or false"),
        ("[212, 10], [230, 2.5]", "[212, 10], [230, 25]", "rows is 1500.0; expected at most 600.0"),
        ("[212, 10], [230, 2.5]", "[212, 10], [200, 2.5]", "expected above 100.0"),
        ("[212, 10], [230, 2.5]", "", "rows is none; expected at least one row"),
        ("rows_min", "rows = [[1, 2]]\nrows_min", "rows are given twice"),
    ],
)
def test_one_fault_is_told_in_words_that_mend_it(old: str, new: str, told: str) -> None:
    with pytest.raises(UsageError, match="1 fault") as caught:
        parse_reference_data(GOOD.replace(old, new), file="own.toml")
    assert told in str(caught.value)


def test_what_is_no_toml_or_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"own\.toml.*no TOML"):
        parse_reference_data("[kinetics", file="own.toml")
    with pytest.raises(UsageError, match="can't be read"):
        read_reference_library(tmp_path / "absent.toml")


def test_an_unknown_name_is_answered_with_near_ones() -> None:
    library = read_reference_library()
    with pytest.raises(UnknownName, match="bun_salm"):
        library.find_kinetics("bun_salmonella")
    with pytest.raises(UnknownName, match="fsis_appA_meat_7"):
        library.find_table("appA_meat_7")


def test_nouns_check_themselves() -> None:
    common: dict[str, Any] = {
        "id": "x", "agent": "a", "matrix": "m", "source": "s",
        "evidence": Evidence.SEEN, "valid_c": (50.0, 60.0),
    }  # fmt: skip
    with pytest.raises(OutOfRange, match="reference_c"):
        Kinetics(model=Model.BIGELOW, d_s=1.0, **common)
    with pytest.raises(OutOfRange, match="activation"):
        Kinetics(model=Model.ARRHENIUS, k0_per_s=1.0, **common)
    no_z = Kinetics(model=Model.BIGELOW, d_s=1.0, reference_c=60.0, **common)
    assert not no_z.integrable
    with pytest.raises(OutOfRange, match="rows"):
        DwellTable("t", "t", 7.0, (DwellRow(60.0, -1.0),), "s", Evidence.SEEN)


def test_the_how_to_shows_a_file_that_is_read(tmp_path: Path) -> None:
    page = Path(__file__).parents[3] / "docs" / "how-to" / "add-kinetics.md"
    example = page.read_text(encoding="utf-8").split("```toml\n")[1].split("```")[0]
    own = tmp_path / "own.toml"
    own.write_text(example, encoding="utf-8")
    library = read_reference_library(own)
    assert library.find_kinetics("oat_cookie_salm").d_s == pytest.approx(126.0)
    assert len(library.find_table("oat_cookie_bake").rows) == 2
