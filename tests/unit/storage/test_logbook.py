from __future__ import annotations

import hashlib
import json
import os
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ovenwright.domain.run import Run, Series
from ovenwright.errors import StorageTrouble, UnknownName, UsageError
from ovenwright.storage.logbook import Logbook, slug


def make_run(title: str = "Tin bread", offset: float = 0.0, run_id: str = "") -> Run:
    n = 50
    time_ns = 1_772_633_520_000_000_000 + np.arange(n, dtype=np.int64) * 1_000_000_000
    return Run(
        id=run_id,
        title=title,
        series={"core": Series(time_ns, np.linspace(20, 97, n) + offset, np.zeros(n, np.uint8))},
    )


def test_an_id_is_made_that_sorts_and_reads(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "book")
    assert book.run_ids() == ()
    assert not book.folder.exists()
    run = book.seal(make_run())
    assert re.fullmatch(r"2026-03-04-1412-tin-bread-[0-9a-f]{4}", run.id)
    assert book.run_ids() == (run.id,)
    assert book.open(run.id).digest == run.digest


def test_elapsed_runs_are_named_by_the_day_they_were_sealed(tmp_path: Path) -> None:
    run = Logbook(tmp_path).seal(replace(make_run(), absolute=False))
    assert not run.id.startswith("2026-03-04-1412")
    assert re.match(r"20\d\d-\d\d-\d\d-\d{4}-tin-bread-", run.id)


def test_the_same_readings_twice_get_two_names(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    first, second = book.seal(make_run()), book.seal(make_run())
    assert second.id == first.id + "-2"


def test_a_given_id_is_never_overwritten(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.seal(make_run(run_id="a"))
    with pytest.raises(StorageTrouble, match="already"):
        book.seal(make_run(run_id="a", offset=1.0))
    assert book.open("a").series["core"].value_c[0] == 20.0


@pytest.mark.parametrize("bad", ["../up", "a/b", ".hidden", "con\n", "x" * 200])
def test_an_id_stays_inside_the_folder(tmp_path: Path, bad: str) -> None:
    with pytest.raises(UsageError):
        Logbook(tmp_path).seal(make_run(run_id=bad))


def test_references(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    a = book.seal(make_run(run_id="2026-01-01-aa"))
    b = book.seal(make_run(run_id="2025-01-01-bb"))
    assert book.open("last").id == b.id  # sealed last, though its name sorts first
    assert book.open("2026").id == a.id
    assert book.open("2026-01-01-aa.parquet").id == a.id
    assert book.open(str(book.path_of(a.id))).id == a.id
    with pytest.raises(UsageError, match="start of 2 runs"):
        book.open("202")
    with pytest.raises(UnknownName, match="2025-01-01-bb"):
        book.open("nothing")
    with pytest.raises(UnknownName):
        book.open("")
    with pytest.raises(UnknownName):
        Logbook(tmp_path / "empty").open("last")


def test_last_is_told_by_the_files_not_by_their_dates(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.seal(make_run(run_id="a"))
    b = book.seal(make_run(run_id="b"))
    os.utime(book.path_of("b"), (1, 1))  # as a copy of a folder may leave it
    assert book.open("last").id == b.id


def test_a_damaged_file_does_not_hide_the_last_run(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    a = book.seal(make_run(run_id="a"))
    (book.runs_dir / "z.parquet").write_bytes(b"PAR1 rubbish PAR1")
    assert book.open("last").id == a.id


def test_originals_are_kept_untouched_under_their_hash(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "book")
    source = tmp_path / "Oven 3.CSV"
    source.write_bytes(b"t;a\r\n1;2,5\r\n")
    run = book.seal(make_run(), originals=[("Oven 3.CSV", source), ("b.csv.gz", b"\x1f\x8b")])
    sha = hashlib.sha256(source.read_bytes()).hexdigest()
    assert run.instrument.origin == ("Oven 3.CSV", "b.csv.gz")
    assert run.instrument.origin_sha256[0] == sha
    assert book.original(sha, "Oven 3.CSV").read_bytes() == source.read_bytes()
    assert book.original(run.instrument.origin_sha256[1], "b.csv.gz").name.endswith(".csv.gz")
    book.seal(make_run(offset=1.0), originals=[("again.csv", source)])
    assert len(list(book.originals_dir.iterdir())) == 2


def test_no_original_stays_of_a_run_that_could_not_be_sealed(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    book.seal(make_run(run_id="a"), originals=[("a.csv", b"first")])
    with pytest.raises(StorageTrouble):
        book.seal(make_run(run_id="a"), originals=[("a.csv", b"first"), ("b.csv", b"second")])
    assert [p.read_bytes() for p in book.originals_dir.iterdir()] == [b"first"]


@pytest.mark.parametrize("where", ["file", "proc"])
def test_a_folder_that_can_not_be_made_is_told(tmp_path: Path, where: str) -> None:
    (tmp_path / "file").write_text("")
    folder = tmp_path / "file" / "book" if where == "file" else Path("/proc/none/book")
    with pytest.raises(StorageTrouble):
        Logbook(folder).seal(make_run())
    assert Logbook(folder).run_ids() == ()


def test_judgements_are_records_that_cite_the_run(tmp_path: Path) -> None:
    book = Logbook(tmp_path)
    run = book.seal(make_run())
    assert book.judgements(run.id) == ()
    book.keep_judgement(run, {"verdict": "fail", "x": float("nan"), "l": (np.float64(1.5), 2)})
    path = book.keep_judgement(run, {"verdict": "pass"}, plan_toml="title = 'a'\n")
    assert book.judgement_count(run.id) == 2
    first, second = book.judgements(run.id)
    assert first["judgement"] == {"verdict": "fail", "x": None, "l": [1.5, 2]}
    assert second["run_digest"] == run.digest
    assert (book.plans_dir / second["plan"]).read_text() == "title = 'a'\n"
    record = json.loads(path.read_text())
    record["judgement"]["verdict"] = "fail"
    path.write_text(json.dumps(record))
    with pytest.raises(StorageTrouble, match="altered"):
        book.judgements(run.id)


def test_slugs() -> None:
    assert slug("Tin bread, 800 g — Ofen Süd №3") == "tin-bread-800-g"
    assert slug("***") == ""
    assert len(slug("a-very-long-title " * 5)) <= 16
    assert slug("unbroken" * 9) == ("unbroken" * 9)[:16]
