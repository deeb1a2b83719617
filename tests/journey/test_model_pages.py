"""Forecast, fit, explain and advise on the demo's bake, at the command line: answers, pages, refusals."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from ovenwright.cli.main import main
from ovenwright.workflow.model_telling import ENDINGS


@pytest.fixture(scope="module")
def bake(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A logbook with the demo in it, and the bake with the right sensor types."""
    folder = tmp_path_factory.mktemp("model") / "ostrel"
    told = io.StringIO()
    with redirect_stdout(told):
        assert main(["demo", "--logbook", str(folder), "--json"]) == 0
    return folder, json.loads(told.getvalue())["runs"][1]


Ask = Callable[..., tuple[int, str, str]]


@pytest.fixture
def ask(bake: tuple[Path, str], capsys: pytest.CaptureFixture[str]) -> Ask:
    """Ask a verb of the bake; gives exit code, answer and errors."""

    def go(verb: str, *words: str) -> tuple[int, str, str]:
        code = main([verb, bake[1], *words, "--logbook", str(bake[0])])
        out, err = capsys.readouterr()
        return code, out, err

    return go


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_forecast_becomes_a_page(ask: Ask, tmp_path: Path, ending: str) -> None:
    page = tmp_path / f"forecast{ending}"
    code, out, _ = ask("forecast", "--until", "1500", "--pass", "90", "--report", str(page))
    assert code == 0
    assert out.rstrip().endswith(page.name)
    content = page.read_bytes()
    if ending == ".pdf":
        assert content.startswith(b"%PDF")
        return
    text = content.decode()
    assert text.count("fill-opacity") >= 6  # two bands for each of three cores
    assert "known up to here" in text
    assert "core left likely passes 90 °C" in text
    if ending == ".html":
        assert "Never take a product out" in text


def test_a_fit_shows_curves_and_what_they_miss(ask: Ask, tmp_path: Path) -> None:
    page = tmp_path / "fit.html"
    code, out, _ = ask("fit", "--report", str(page), "--json")
    assert code == 0
    assert json.loads(out)["runs"][0]["channels"]
    text = page.read_text(encoding="utf-8")
    assert "readings and fitted bodies" in text
    assert "What the fitted bodies miss" in text
    assert "as before the readings" in text


def test_explain_answers_machines_and_people(ask: Ask, tmp_path: Path) -> None:
    page = tmp_path / "why.html"
    code, out, _ = ask("explain", "--report", str(page), "--json")
    assert code == 0
    told = json.loads(out)
    assert told["late_s"] == pytest.approx(told["slowest_s"] - told["against_s"], abs=0.11)
    named = [f["factor"] for f in told["factors"]]
    assert {"surroundings", "exchange", "size", "start temperature"} <= set(named)
    for factor in told["factors"]:
        low, high = factor["interval_90"]
        assert low <= factor["median_s"] <= high
    # the zones of the demo's tunnel, each with the heat that both places took up in it
    assert [s["name"] for s in told["stretches"]] == ["zone 1", "zone 2", "zone 3", "zone 4"]
    assert all(s["heat_slowest_kj_m2"][1] > 0 for s in told["stretches"])
    assert "not a finding" in told["caution"]
    assert f"What held {told['slowest']} back" in page.read_text(encoding="utf-8")


def test_explain_refuses_what_cannot_be_held_against(ask: Ask) -> None:
    code, _, err = ask("explain", "--core", "core left")
    assert code == 2
    assert "two cores are needed" in err
    assert "--core" in err
    code, _, err = ask("explain", "--against", "core upstairs")
    assert code == 2
    assert "core upstairs" in err
    code, _, err = ask("explain", "--pass", "nan")
    assert code == 2
    assert "no temperature" in err


def test_a_page_of_unknown_kind_is_refused_before_any_work(ask: Ask, tmp_path: Path) -> None:
    for verb in ("forecast", "fit", "explain", "advise"):
        code, _, err = ask(verb, "--report", str(tmp_path / "page.docx"))
        assert code == 2
        assert ".html, .pdf, .svg" in err
    assert not list(tmp_path.iterdir())


def test_advise_refuses_limits_that_are_none(ask: Ask) -> None:
    for words, named in (
        (("--setpoint-by", "900"), "--setpoint-by"),
        (("--sure", "1.5"), "--sure"),
        (("--time-by", "nan"), "--time-by"),
        (("--spacing-by", "20"), "--spacing-gain"),
        (("--spacing-by", "20", "--spacing-gain", "-2"), "--spacing-gain"),
        (("--learn-from", "no-such-run"), "no-such-run"),
    ):
        code, _, err = ask("advise", *words)
        assert code == 2
        assert named in err
    code, _, err = ask("advise", "--setpoint-by", "0", "--time-by", "0")
    assert code == 2
    assert "turn" in err or "limit" in err


def test_advise_on_a_bake_weighs_choices(ask: Ask, tmp_path: Path) -> None:
    page = tmp_path / "advice.html"
    code, out, _ = ask("advise", "--report", str(page), "--json")
    assert code == 0
    told = json.loads(out)
    assert {k["name"] for k in told["knobs"]} >= {"setpoint zone 1", "bake time"}
    for choice in told["choices"]:
        for knob in told["knobs"]:
            assert knob["low"] <= choice["settings"][knob["name"]] <= knob["high"] + 1e-6
        now, then = told["now"]["bake_s"], choice["bake_s"]
        assert choice["pieces_an_hour_ratio"] == pytest.approx(now / then, rel=0.01)
        safety = [r for r in choice["requirements"] if r["safety"]]
        assert safety
        assert all(r["share_met"] >= 0.95 for r in safety)
    assert "must be validated" in told["caution"]
    text = page.read_text(encoding="utf-8")
    assert "Settings and what they are foretold to do" in text
    assert ("What each choice costs" in text) == bool(told["choices"])
