from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ovenwright.catalogue.catalogue import Catalogue
from ovenwright.domain.run import Run, Series
from ovenwright.errors import CatalogueTrouble, DigestMismatch, UnknownName, UsageError
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.wide import ExportUnit
from ovenwright.workflow.exporting import Format, export_run, places_of
from ovenwright.workflow.keeping import Wish, list_runs, open_catalogue
from ovenwright.workflow.verifying import verify_runs

PLAN = """
format = 1
title = "Rye"
[oven]
kind = "chamber"
name = "Ofen Öst 3"
width_m = 2.0
depth_m = 2.0
height_m = 2.0
[product]
name = "rye tin loaf"
[recording]
interval_s = 1.0
[[channels]]
name = "core"
sensor = "T"
role = "core"
place = { x_m = 1.0, y_m = 0.5, z_m = 0.1 }
"""


def make_run(title: str = "Tin bread", offset: float = 0.0) -> Run:
    n = 50
    time_ns = 1_772_633_520_000_000_000 + np.arange(n, dtype=np.int64) * 1_000_000_000
    return Run(
        id="",
        title=title,
        series={"core": Series(time_ns, np.linspace(20, 97, n) + offset, np.zeros(n, np.uint8))},
        plan_toml=PLAN,
    )


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path / "book")


def test_an_empty_logbook_lists_nothing_and_makes_nothing(book: Logbook) -> None:
    with open_catalogue(book) as catalogue:
        assert list_runs(book, catalogue).runs == ()
    assert not book.folder.exists()


def test_listing_follows_the_folder(book: Logbook) -> None:
    a = book.seal(make_run("Rye"))
    with open_catalogue(book) as catalogue:
        (found,) = list_runs(book, catalogue).runs
        assert (found.id, found.oven, found.product) == (a.id, "Ofen Öst 3", "rye tin loaf")
        assert (found.channels, found.samples, found.duration_s) == (("core",), 50, 49.0)
        b = book.seal(make_run("Bun", 1.0))
        book.keep_judgement(
            a,
            {
                "verdict": "fail",
                "requirements": [
                    {
                        "name": "hot",
                        "measure": "max_temperature",
                        "channel": "core",
                        "value": 97.0,
                        "unit": "degC",
                        "standard_uncertainty": None,
                        "interval_95": [96.0, 98.0],
                        "limit": 98.0,
                        "probability": 0.02,
                        "verdict": "fail",
                    }
                ],
            },
        )
        listing = list_runs(book, catalogue)
        assert [(r.id, r.verdict) for r in listing.runs] == [(b.id, ""), (a.id, "fail")]
        (judged,) = catalogue.judgements(a.id)
        assert judged.measures[0].low_95 == 96.0
        assert np.isnan(judged.measures[0].standard_uncertainty)
        assert [r.id for r in list_runs(book, catalogue, Wish(text="rye tin", limit=1)).runs] == [
            b.id
        ]
        book.keep_judgement(a, {"verdict": "pass", "requirements": []})
        assert list_runs(book, catalogue, Wish(verdict="pass")).runs[0].id == a.id
        book.path_of(b.id).unlink()
        assert [r.id for r in list_runs(book, catalogue).runs] == [a.id]


def test_a_broken_index_is_made_anew_from_the_sealed_runs(book: Logbook) -> None:
    run = book.seal(make_run())
    book.keep_judgement(run, {"verdict": "pass"})
    book.catalogue_file.write_bytes(b"this is no database" * 400)
    with open_catalogue(book) as catalogue:
        listing = list_runs(book, catalogue)
    assert [(r.id, r.verdict) for r in listing.runs] == [(run.id, "pass")]
    assert listing.troubles == ()
    with open_catalogue(book) as catalogue:
        assert catalogue.run_ids() == {run.id}


def test_an_index_that_can_not_be_opened_is_done_without(book: Logbook) -> None:
    run = book.seal(make_run())
    book.catalogue_file.mkdir()
    with open_catalogue(book) as catalogue:
        listing = list_runs(book, catalogue)
    assert [r.id for r in listing.runs] == [run.id]
    assert "catalogue can't be used" in listing.troubles[0]
    assert book.catalogue_file.is_dir()


def test_a_full_disk_is_no_reason_to_throw_the_index_away() -> None:
    broken = Catalogue("sqlite:////proc/none/x.sqlite")
    with pytest.raises(CatalogueTrouble) as told:
        broken.run_ids()
    assert not Catalogue.is_damage(told.value)


def test_a_damaged_run_is_told_and_does_not_hide_the_others(book: Logbook) -> None:
    run = book.seal(make_run())
    (book.runs_dir / "bad.parquet").write_bytes(b"PAR1")
    with open_catalogue(book) as catalogue:
        listing = list_runs(book, catalogue)
    assert [r.id for r in listing.runs] == [run.id]
    assert "bad.parquet" in listing.troubles[0]


@pytest.mark.parametrize("form", list(Format))
def test_exports_are_written_and_not_overwritten(
    book: Logbook, tmp_path: Path, form: Format
) -> None:
    book.seal(make_run())
    target = tmp_path / f"out{form.suffix}"
    told = export_run(book, "last", form, target=target)
    assert told.size_bytes == target.stat().st_size > 0
    assert told.channels == ("core",)
    before = target.read_bytes()
    with pytest.raises(UsageError, match="--force"):
        export_run(book, "last", form, target=target)
    assert target.read_bytes() == before
    export_run(book, "last", form, target=target, overwrite=True)


def test_export_into_a_folder_and_without_a_name(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = book.seal(make_run())
    monkeypatch.chdir(tmp_path)
    assert export_run(book, "last", Format.CSV).path == Path(f"{run.id}.csv")
    told = export_run(book, "last", Format.NETCDF, target=book.folder)
    assert told.path == book.folder / f"{run.id}.nc"
    with pytest.raises(UsageError, match="°C"):
        export_run(book, "last", Format.NETCDF, unit=ExportUnit.FAHRENHEIT)


def test_places_come_from_the_sealed_plan() -> None:
    assert places_of(make_run()) == ({"core": (1.0, 0.5, 0.1)}, "Ofen Öst 3")
    assert places_of(replace(make_run(), plan_toml="")) == ({}, "")
    assert places_of(replace(make_run(), plan_toml="no toml")) == ({}, "")


def test_verifying_tells_each_run_apart(book: Logbook, tmp_path: Path) -> None:
    good = book.seal(make_run("good"), originals=[("a.csv", b"1,2")])
    bad = book.seal(make_run("bad"))
    book.keep_judgement(good, {"verdict": "pass"})
    path = book.path_of(bad.id)
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 1
    path.unlink()
    path.write_bytes(content)
    found = {v.run_id: v for v in verify_runs(book, [])}
    assert found[good.id].intact
    assert (found[good.id].judgements, found[good.id].originals) == (1, 1)
    assert not found[bad.id].intact
    (alone,) = verify_runs(book, [str(book.path_of(good.id))])
    assert alone.digest == good.digest
    with pytest.raises(UnknownName):
        verify_runs(book, ["nothing"])


def test_verifying_looks_at_originals_and_judgements_too(book: Logbook) -> None:
    run = book.seal(make_run(), originals=[("a.csv", b"1,2")])
    original = book.original(run.instrument.origin_sha256[0], "a.csv")
    original.chmod(0o644)
    original.write_bytes(b"1,3")
    assert "original file was altered" in verify_runs(book, ["last"])[0].trouble
    original.unlink()
    (found,) = verify_runs(book, ["last"])
    assert found.intact
    assert found.remarks == ("the original file a.csv is not in the logbook",)


def test_nothing_is_told_of_readings_that_were_altered(book: Logbook) -> None:
    run_id = book.seal(make_run()).id
    path = book.path_of(run_id)
    table = pq.read_table(path)
    path.chmod(0o644)
    pq.write_table(table, path)  # as another program would: the readings stay, the seal goes
    assert book.open(run_id).id == run_id
    values = table.column("value").to_numpy().copy()
    values[3] += 0.5
    place = table.column_names.index("value")
    pq.write_table(table.set_column(place, table.field(place), pa.array(values)), path)
    with pytest.raises(DigestMismatch):
        book.open(run_id)
    assert book.open(run_id, verify=False).id == run_id
