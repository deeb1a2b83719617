"""From a file of readings to a judged run with its reports, through the command line alone."""

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from ovenwright.virtual import scenarios
from ovenwright.virtual.recording import Recording
from ovenwright.virtual.running import record
from ovenwright.virtual.writing import as_bytes, style
from ovenwright.workflow.demo import demo_plan


class Shell:
    """Calls the installed command in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.env = {k: v for k, v in os.environ.items() if not k.startswith("OVENWRIGHT_")}

    def __call__(self, *words: str, code: int = 0) -> str:
        done = subprocess.run(
            [str(Path(sys.executable).with_name("ovenwright")), *words],
            cwd=self.folder, env=self.env, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == code, f"{words}: {done.returncode}\n{done.stdout}\n{done.stderr}"
        return done.stdout

    def json(self, *words: str, code: int = 0) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self(*words, "--json", code=code))
        return found


@pytest.fixture(scope="module")
def recording() -> Recording:
    return record(scenarios.ostrel_tin_bread(), seed=1)


@pytest.fixture(scope="module")
def shell(tmp_path_factory: pytest.TempPathFactory, recording: Recording) -> Shell:
    folder = tmp_path_factory.mktemp("plant")
    (folder / "bake.csv").write_bytes(as_bytes(recording, style("semicolon plant")))
    (folder / "loaf.toml").write_text(demo_plan("ostrel-tin-bread"), encoding="utf-8")
    return Shell(folder)


@pytest.fixture(scope="module")
def brought(shell: Shell) -> dict[str, Any]:
    return shell.json("import", "bake.csv", "--plan", "loaf.toml", "--zone", "Europe/Riga")


@pytest.fixture(scope="module")
def judged(shell: Shell, brought: dict[str, Any]) -> dict[str, Any]:
    return shell.json("judge", brought["run"], "--plan", "loaf.toml", code=1)


def test_import_answers_its_contract(brought: dict[str, Any], recording: Recording) -> None:
    assert {"run", "start", "interval_s", "samples", "channels", "set_aside", "notes"} <= set(
        brought
    )
    # 04:42 UTC, told in the zone that was given
    assert brought["start"] == "2026-03-03T06:42:00+02:00"
    assert brought["interval_s"] == 2.0
    assert brought["samples"] == recording.time_s.size
    by_name = {c["name"]: c for c in brought["channels"]}
    assert set(recording.names) <= set(by_name)
    for name in recording.names:
        shown = recording.reading_c[:, recording.index(name)]
        assert by_name[name]["count"] == int(np.isfinite(shown).sum())
        assert by_name[name]["max_c"] == pytest.approx(float(np.nanmax(shown)), abs=1e-9)
    flags = {f["name"] for f in by_name["surface right"]["flags"]}
    assert "gap" in flags
    assert any("battery" in name.lower() for name in brought["set_aside"])


def test_judge_answers_its_contract(judged: dict[str, Any], brought: dict[str, Any]) -> None:
    assert judged["run"] == brought["run"]
    assert judged["verdict"] == "fail"
    keys = {
        "name", "measure", "channel", "value", "unit", "standard_uncertainty", "interval_95", "limit",
        "probability", "verdict", "reason",
    }  # fmt: skip
    for requirement in judged["requirements"]:
        assert keys <= set(requirement)
    assert judged["crossings"]
    assert judged["health"]


def test_the_three_planted_faults_are_found(judged: dict[str, Any]) -> None:
    health = {(h["channel"], h["name"]) for h in judged["health"]}
    assert ("core left", "wrong-type") in health
    assert ("surface right", "gap") in health
    by_name = {r["name"]: r for r in judged["requirements"]}
    assert by_name["air alike left and right"]["verdict"] == "fail"
    worst = max((b for b in judged["balance"] if b["role"] == "air"), key=lambda b: b["spread_k"])
    assert (worst["zone"], worst["coldest"]) == ("zone 3", "right")
    # nothing may pass on a channel whose type is in doubt
    assert by_name["core hot enough at the end"]["verdict"] == "undecided"


def test_restating_the_wrong_probe_clears_the_doubt(shell: Shell, brought: dict[str, Any]) -> None:
    again = shell.json(
        "restate", brought["run"], "--channel", "core left", "--recorded-as", "T", "--actual", "K"
    )
    judged = shell.json("judge", again["run"], code=1)
    by_name = {r["name"]: r for r in judged["requirements"]}
    assert by_name["core hot enough at the end"]["verdict"] == "pass"
    compared = shell.json("compare", brought["run"], again["run"])
    changed = {c["channel"]: abs(c["largest_k"]) for c in compared["channels"]}
    assert changed["core left"] > 3.0
    assert changed["core right"] == pytest.approx(0.0, abs=1e-9)


def test_the_verdict_agrees_with_the_truth(judged: dict[str, Any], recording: Recording) -> None:
    for crossing in judged["crossings"]:
        if crossing["channel"] == "core left":
            continue
        truth = recording.true_crossing(crossing["channel"], crossing["level_c"])
        low, high = crossing["interval_95_s"]
        assert low <= truth - recording.load_in_s <= high, crossing


def test_export_gives_every_reading_back(
    shell: Shell, brought: dict[str, Any], recording: Recording
) -> None:
    rows = list(csv.reader(io.StringIO(shell("export", brought["run"], "--format", "csv"))))
    assert rows[0][0] == "elapsed_s"
    column = rows[0].index("air left")
    values = [float(r[column]) if r[column] else np.nan for r in rows[1:]]
    np.testing.assert_allclose(
        values, np.round(recording.reading_c[:, recording.index("air left")], 6), rtol=0, atol=1e-9
    )


def test_reports_are_written_in_all_three_forms(shell: Shell, brought: dict[str, Any]) -> None:
    told = shell.json("report", brought["run"], "--plan", "loaf.toml")
    endings = {Path(f).suffix for f in told["files"]}
    assert endings == {".html", ".pdf", ".xlsx"}
    for file in told["files"]:
        assert (shell.folder / file).stat().st_size > 20_000


def test_the_sheet_recomputes_every_lethality(shell: Shell, brought: dict[str, Any]) -> None:
    told = shell.json("report", brought["run"], "--plan", "loaf.toml", "--format", "xlsx")
    book = openpyxl.load_workbook(shell.folder / told["files"][0], data_only=True)
    rows = {
        r[0]: r[1::5] for r in book["Lethality"].iter_rows(min_row=4, max_row=10, values_only=True)
    }
    totals, own = (np.array([v for v in rows[k] if v is not None]) for k in ("total", "the tool's"))
    assert totals.size == own.size == 3  # a core on each lane
    np.testing.assert_allclose(totals, own, rtol=1e-9)
    assert all(d == pytest.approx(3.14) for d in rows["D"] if d is not None)


def test_verify_proves_and_finds_an_altered_byte(
    shell: Shell, brought: dict[str, Any], tmp_path: Path
) -> None:
    shell("verify", brought["run"])
    sealed = next((shell.folder / "logbook" / "runs").glob(f"{brought['run']}*"))
    altered = tmp_path / sealed.name
    raw = bytearray(sealed.read_bytes())
    raw[len(raw) // 3] ^= 1
    altered.write_bytes(raw)
    shell("verify", str(altered), code=4)


def test_runs_and_show_name_the_run(shell: Shell, brought: dict[str, Any]) -> None:
    assert brought["run"] in shell("runs")
    shown = shell("show", brought["run"])
    assert "core centre" in shown
    assert max(len(line) for line in shown.splitlines()) <= 80


def test_wrong_use_is_told_with_a_remedy(shell: Shell) -> None:
    shell("judge", "no-such-run", code=2)
    shell("import", "nowhere.csv", code=2)
    told = shell.json("judge", "no-such-run", code=2)
    assert told["error"] == "UnknownName"
    assert told["remedy"]


def test_the_demo_runs_and_leaves_its_reports(shell: Shell) -> None:
    told = shell.json("demo", "--logbook", "demo-logbook", "--no-open")
    assert len(told["found"]) == 3
    found = " ".join(told["found"])
    for word in ("core left", "type K", "surface right fell silent for 40 s", "zone 3"):
        assert word in found
    reports = sorted(p.suffix for p in (shell.folder / "demo-logbook" / "reports").iterdir())
    assert reports.count(".html") == reports.count(".pdf") == reports.count(".xlsx") == 3
    assert (shell.folder / "demo-logbook" / "reports" / "story.md").is_file()


def test_marks_that_a_person_noted_are_kept_and_used(shell: Shell) -> None:
    run = shell.json(
        "import", "bake.csv", "--plan", "loaf.toml", "--zone", "Europe/Riga", "--title", "marked",
        "--mark", "load-in@4:00", "--mark", "load-out@0:38:00", "--mark", "note@600=fan off",
    )["run"]  # fmt: skip
    judged = shell.json("judge", run, code=1)
    assert judged["load_in"]["found"] == "marked"
    assert judged["load_in"]["at_s"] == 240.0
    assert judged["load_out"]["at_s"] == 2280.0
    told = shell.json("import", "bake.csv", "--mark", "oven@soon", code=2)
    assert "KIND@TIME" in told["remedy"]
