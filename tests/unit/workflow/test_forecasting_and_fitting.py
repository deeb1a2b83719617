"""Fit and forecast on runs of the logbook: roles from flags, nothing later, record kept."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ovenwright.cli.main import main
from ovenwright.domain.run import NS, Run, Series
from ovenwright.errors import StorageTrouble, TooLittleData, UnknownName, UsageError
from ovenwright.modelling.identifying import narrowed
from ovenwright.modelling.priors import PARAMETERS
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.product_records import read_record, record_path, write_record
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.workflow.explaining import flagged
from ovenwright.workflow.fitting import fit_runs
from ovenwright.workflow.forecasting import forecast_run
from ovenwright.workflow.laying_out import Wanted, cut_at, lay_out

LIBRARY = read_reference_library(None)
TIME = np.arange(0.0, 1500.0, 2.0)
START, TAU, LEVEL = 60.0, 300.0, 420.0


def wall() -> np.ndarray:
    return np.minimum(25.0 + np.maximum(TIME - START, 0.0) * 6.0, LEVEL)


def core(tau: float = TAU) -> np.ndarray:
    """First order behind the wall, by exact steps over each reading."""
    out = np.empty(TIME.size)
    out[0] = 25.0
    keep = np.exp(-2.0 / tau)
    hot = wall()
    for i in range(1, TIME.size):
        out[i] = hot[i] + (out[i - 1] - hot[i]) * keep
    return out


def run_of(**columns: np.ndarray) -> Run:
    rng = np.random.default_rng(7)
    series = {}
    for name, values in columns.items():
        shown = np.round(values + rng.normal(0.0, 0.05, TIME.size), 2)
        series[name] = Series(
            (TIME * NS).astype(np.int64), shown, np.zeros(TIME.size, dtype=np.uint8)
        )
    return Run("", series, absolute=False)


@pytest.fixture
def logbook(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path / "book")


def truth(values: np.ndarray, level: float) -> float:
    return float(np.interp(level, values, TIME))


WANTED = Wanted(("inside",), ("wall",), (150.0,), members=1500)


def test_the_contract_of_the_verb(logbook: Logbook, capsys: pytest.CaptureFixture[str]) -> None:
    run = logbook.seal(run_of(wall=wall(), inside=core(), other=core(500.0)))
    at = truth(core(), 150.0)
    code = main(
        [
            "forecast", run.id, "--logbook", str(logbook.folder), "--until", str(0.6 * at),
            "--core", "inside", "other", "--surroundings", "wall",
            "--pass", "150", "--pass", "200", "--json",
        ]
    )  # fmt: skip
    told = json.loads(capsys.readouterr().out)
    assert code == 0
    assert [c["name"] for c in told["channels"]] == ["inside", "other"]
    first = told["channels"][0]["passes"]
    assert [p["temp_c"] for p in first] == [150.0, 200.0]
    low, high = first[0]["interval_90"]
    near, far = first[0]["interval_50"]
    assert low < near < first[0]["median_s"] < far < high
    assert low < at < high
    assert "proves nothing" in told["caution"]
    assert any("priors" in words for words in told["rests_on"])


def test_surroundings_far_hotter_than_the_rest_are_no_fault(logbook: Logbook) -> None:
    run = logbook.seal(run_of(wall=wall(), inside=core(3000.0), other=core(4000.0)))
    laid = lay_out(run, LIBRARY, replace(WANTED, until_s=125.0))
    assert laid.heating.around.time_s[-1] == pytest.approx(124.0)


def test_nothing_later_is_used(logbook: Logbook) -> None:
    sound = run_of(wall=wall(), inside=core())
    spoiled = {
        name: replace(one, value_c=np.where(TIME > 300.0, 5.0, one.value_c))
        for name, one in sound.series.items()
    }
    one = logbook.seal(replace(sound, id="sound"))
    other = logbook.seal(replace(sound, id="spoiled", series=spoiled))
    wanted = replace(WANTED, until_s=250.0)
    told = [forecast_run(logbook, LIBRARY, r.id, wanted).channels for r in (one, other)]
    assert told[0] == told[1]
    assert all(float(s.time_ns[-1]) <= 250.0 * NS for s in cut_at(other, 250.0).series.values())


def test_a_record_is_kept_read_and_narrows(logbook: Logbook, tmp_path: Path) -> None:
    earlier = [
        logbook.seal(replace(run_of(wall=wall(), inside=core(tau)), id=f"run-{i}"))
        for i, tau in enumerate((290.0, 310.0))
    ]
    told = fit_runs(logbook, LIBRARY, [r.id for r in earlier], WANTED, product="ball")
    assert told.record == logbook.folder / "products" / "ball.json"
    assert told.recorded_runs == 2
    record = read_record(told.record)
    assert [r.run_id for r in record.runs] == ["run-0", "run-1"]
    copy = tmp_path / "copy.json"
    write_record(copy, record)
    assert json.loads(copy.read_text()) == json.loads(told.record.read_text())
    again = fit_runs(logbook, LIBRARY, [earlier[1].id], WANTED, product="ball")
    assert again.recorded_runs == 2
    now = logbook.seal(run_of(wall=wall(), inside=core()))
    wanted = replace(WANTED, until_s=60.0 + 0.5 * (truth(core(), 150.0) - 60.0))
    alone = forecast_run(logbook, LIBRARY, now.id, wanted).channels[0].passes[0]
    with_it = forecast_run(logbook, LIBRARY, now.id, wanted, product="ball")
    one = with_it.channels[0].passes[0]
    assert np.ptp(one.interval_90) < 0.8 * np.ptp(alone.interval_90)
    assert one.interval_90[0] < truth(core(), 150.0) < one.interval_90[1]
    assert any("2 earlier runs" in words for words in with_it.rests_on)


def test_a_record_never_tells_a_run_its_own_future(logbook: Logbook) -> None:
    run = logbook.seal(run_of(wall=wall(), inside=core()))
    fit_runs(logbook, LIBRARY, [run.id], WANTED, product="ball")
    wanted = replace(WANTED, until_s=200.0)
    alone = forecast_run(logbook, LIBRARY, run.id, wanted)
    with_it = forecast_run(logbook, LIBRARY, run.id, wanted, product="ball")
    assert alone.channels == with_it.channels
    assert any("no other run" in words for words in with_it.rests_on)


def test_a_record_that_was_altered_or_is_none_is_refused(logbook: Logbook, tmp_path: Path) -> None:
    run = logbook.seal(run_of(wall=wall(), inside=core()))
    path = tmp_path / "ball.json"
    fit_runs(logbook, LIBRARY, [run.id], WANTED, product=str(path))
    content = json.loads(path.read_text())
    content["runs"][0]["around_c"][0] += 1.0
    path.write_text(json.dumps(content))
    with pytest.raises(StorageTrouble, match="altered"):
        read_record(path)
    path.write_text("[1, 2")
    with pytest.raises(StorageTrouble, match="no product record"):
        read_record(path)
    with pytest.raises(StorageTrouble):
        read_record(tmp_path / "absent.json")
    assert record_path(logbook, "rye loaf").parent == logbook.folder / "products"


@pytest.mark.parametrize(
    ("wanted", "trouble", "words"),
    [
        (Wanted(("inside",), (), (150.0,)), UsageError, "what surrounds"),
        (Wanted((), ("wall",), (150.0,)), UsageError, "sits in the product"),
        (Wanted(("nowhere",), ("wall",), (150.0,)), UnknownName, "nowhere"),
        (Wanted(("wall",), ("wall",), (150.0,)), UsageError, "at once"),
        (Wanted(("inside",), ("wall",), ()), UsageError, "temperature to pass"),
        (Wanted(("inside",), ("wall",), (150.0,), until_s=-5.0), UsageError, "before the run"),
        (Wanted(("inside",), ("wall",), (150.0,), until_s=4.0), TooLittleData, "reading so far"),
    ],
)
def test_what_is_wrong_is_said(
    logbook: Logbook, wanted: Wanted, trouble: type[Exception], words: str
) -> None:
    run = logbook.seal(run_of(wall=wall(), inside=core()))
    with pytest.raises(trouble, match=words):
        forecast_run(logbook, LIBRARY, run.id, wanted)


def test_flat_and_cold_channels_are_refused_each_with_its_reason(logbook: Logbook) -> None:
    flat = np.where(TIME < 100.0, core(), core()[50])
    run = logbook.seal(
        run_of(wall=wall(), inside=core(), dead=np.full(TIME.size, 25.0), stuck=flat)
    )
    wanted = Wanted(("inside", "dead", "stuck"), ("wall",), (150.0,), 250.0, members=800)
    told = {c.name: c for c in forecast_run(logbook, LIBRARY, run.id, wanted).channels}
    assert told["inside"].passes
    assert told["dead"].refused
    assert told["stuck"].refused


def test_a_core_cooler_than_asked_for_ever_is_told(logbook: Logbook) -> None:
    run = logbook.seal(run_of(wall=wall(), inside=core()))
    wanted = replace(WANTED, passes=(700.0,), until_s=500.0)
    assert "never passes" in forecast_run(logbook, LIBRARY, run.id, wanted).channels[0].refused


def test_what_the_checks_said_of_a_channel_is_told_before_any_explanation(
    logbook: Logbook,
) -> None:
    laid = lay_out(run_of(wall=wall(), inside=core(), other=core(500.0)), LIBRARY, WANTED)
    assert flagged((laid,)) == ()
    twice = replace(laid, remarks={"wall": (), "inside": ("wrong wire?", "jumps", "noisy")})
    assert flagged((twice, twice)) == (
        "inside was flagged (wrong wire?; jumps): prove it before trusting what follows.",
    )


def test_few_bodies_narrow_nothing() -> None:
    few = np.zeros((len(PARAMETERS), 3))
    families = np.zeros(3, dtype=np.intp)
    assert all(p.told for p in narrowed(families, few))
    assert not any(p.told for p in narrowed(families, few, enough=False))
