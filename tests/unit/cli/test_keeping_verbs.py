from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest

from ovenwright.cli.main import main
from ovenwright.domain.run import Run, Series
from ovenwright.storage.logbook import Logbook


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Logbook:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("OVENWRIGHT_LOGBOOK", "book")
    return Logbook(tmp_path / "book")


def seal(book: Logbook, title: str = "Rye, tin", *, absolute: bool = True) -> Run:
    n = 30
    time_ns = 1_772_633_520_000_000_000 + np.arange(n, dtype=np.int64) * 500_000_000
    core = np.linspace(20.1, 97.3, n)
    core[4] = np.nan
    fahrenheit = np.round(np.linspace(70, 400, n), 1)
    clean = np.zeros(n, np.uint8)
    return book.seal(
        Run(
            id="",
            title=title,
            absolute=absolute,
            series={
                "core, left": Series(time_ns, core, clean),
                "air": Series(time_ns, (fahrenheit - 32) / 1.8, clean, fahrenheit, "degF"),
            },
            time_zone="Europe/Riga",
        )
    )


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, object]]:
    code = main([*words, "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_an_empty_logbook_teaches(book: Logbook, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["runs"]) == 0
    out = capsys.readouterr().out
    assert "ovenwright demo" in out
    assert "ovenwright import FILE" in out
    assert main(["verify"]) == 0
    assert "nothing to verify" in capsys.readouterr().out
    assert not book.folder.exists()


def test_runs_fit_80_columns_and_keep_ids_whole(
    book: Logbook, capsys: pytest.CaptureFixture[str]
) -> None:
    ids = [seal(book, "Rye, tin, 800 g, second shift of the day, oven 3 after service").id]
    ids.append(seal(book, "Bun", absolute=False).id)
    assert main(["runs"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines) <= 80
    for run_id in ids:
        assert any(run_id in line for line in lines)
    assert any("2026-03-04 " in line for line in lines)
    assert any("16:12 EET" in line for line in lines)
    assert any("no date" in line for line in lines)
    assert main(["runs", "nothing"]) == 0
    assert "None of the 2 runs" in capsys.readouterr().out


def test_runs_as_json_and_narrowed(book: Logbook, capsys: pytest.CaptureFixture[str]) -> None:
    rye, bun = seal(book, "Rye"), seal(book, "Bun")
    book.keep_judgement(rye, {"verdict": "fail", "requirements": []})
    code, facts = answer(capsys, "runs")
    assert code == 0
    runs = facts["runs"]
    assert isinstance(runs, list)
    assert [r["run"] for r in runs] == [bun.id, rye.id]
    assert runs[1]["verdict"] == "fail"
    assert runs[1]["start"] == "2026-03-04T14:12:00.000000000Z"
    assert runs[0]["verdict"] is None
    for words, ids in (
        (["rye"], [rye.id]),
        (["--verdict", "none"], [bun.id]),
        (["--since", "2026-03-05"], []),
        (["--until", "2026-03-05", "--limit", "1"], [bun.id]),
        (["--rebuild", "--oven", "3"], []),
    ):
        _, facts = answer(capsys, "runs", *words)
        assert [r["run"] for r in facts["runs"]] == ids  # type: ignore[attr-defined]
    assert main(["runs", "--since", "yesterday"]) == 2
    assert main(["runs", "--limit", "0"]) == 2


def test_a_damaged_run_is_told_beside_the_list(
    book: Logbook, capsys: pytest.CaptureFixture[str]
) -> None:
    seal(book)
    (book.runs_dir / "bad.parquet").write_bytes(b"rubbish")
    assert main(["runs"]) == 0
    assert "bad.parquet" in capsys.readouterr().err


def test_csv_goes_to_the_pipe(book: Logbook, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    run = seal(book)
    assert main(["export", run.id[:20], "--format", "csv"]) == 0
    text = capsysbinary.readouterr().out.decode("utf-8")
    head, *rows = csv.reader(io.StringIO(text, newline=""))
    assert head == ["elapsed_s", "core, left", "air"]
    assert len(rows) == 30
    assert rows[1][0] == "0.5"
    assert rows[4][1] == ""
    back = np.array([float(r[2]) for r in rows])
    np.testing.assert_array_equal(back, run.series["air"].value_c)


def test_export_into_files(book: Logbook, capsys: pytest.CaptureFixture[str]) -> None:
    run = seal(book)
    code, facts = answer(capsys, "export", "last")
    assert (code, facts["path"], facts["format"]) == (0, f"{run.id}.csv", "csv")
    assert Path(f"{run.id}.csv").read_text("utf-8").startswith('elapsed_s,"core, left",air')
    for name, form in (("a.nc", "netcdf"), ("a.xlsx", "xlsx"), ("a.parquet", "parquet")):
        code, facts = answer(capsys, "export", "last", "-o", name)
        assert (code, facts["format"], facts["bytes"]) == (0, form, Path(name).stat().st_size)
    _, facts = answer(
        capsys, "export", "last", "-o", "b.csv", "--channels", "air", "--channels", "core, left",
        "--unit", "raw",
    )  # fmt: skip
    assert facts["channels"] == ["air", "core, left"]
    assert Path("b.csv").read_text("utf-8").splitlines()[1] == "0,70,20.1"
    assert main(["export", "last", "-o", "b.csv"]) == 2
    assert main(["export", "last", "-o", "b.csv", "--force"]) == 0
    assert "2 channels" in capsys.readouterr().out
    assert main(["export", "last", "-o", "b.doc"]) == 2
    assert main(["export", "last", "-o", "-", "--format", "xlsx"]) == 2
    assert main(["export", "last", "--channels", "x", "-o", "c.csv"]) == 2
    assert main(["export", "none", "-o", "c.csv"]) == 2
    assert not Path("c.csv").exists()


def test_verify_answers_with_its_exit_code(
    book: Logbook, capsys: pytest.CaptureFixture[str]
) -> None:
    run = seal(book)
    assert main(["verify", "last"]) == 0
    shown = capsys.readouterr().out
    assert run.digest in shown
    assert max(len(line) for line in shown.splitlines()) <= 80
    path = book.path_of(run.id)
    content = bytearray(path.read_bytes())
    content[100] ^= 4
    path.unlink()
    path.write_bytes(content)
    code, facts = answer(capsys, "verify")
    assert (code, facts["intact"]) == (4, False)
    assert main(["verify", str(path)]) == 4
    told = capsys.readouterr()
    assert "NOT AS SEALED" in told.out
    assert "restore" in told.err
    assert main(["verify", "no-such-run"]) == 2


def test_restate_seals_a_new_run(book: Logbook, capsys: pytest.CaptureFixture[str]) -> None:
    run = seal(book)
    words = ["restate", run.id, "--channel", "core, left", "--recorded-as", "t", "--actual", "K"]
    code, facts = answer(capsys, *words, "--reference-c", "24")
    assert code == 0
    assert facts["parent_digest"] == run.digest
    channel = facts["channels"][0]  # type: ignore[index]
    assert channel["reference_c"] == 24.0
    assert channel["after"]["highest_c"] > channel["before"]["highest_c"]
    assert book.open(str(facts["run"])).series["core, left"].restated_from == "T"
    assert main(words) == 0
    shown = capsys.readouterr().out
    assert "assumed" in shown
    assert "restated as K" in shown
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert main(["restate", str(facts["run"]), *words[2:]]) == 2
