from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ovenwright.domain.run import Instrument, Quality, Run, Series
from ovenwright.errors import OutOfRange, TooLittleData, UnknownName, UsageError
from ovenwright.physics import thermocouple
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.restating import restate_run

REFERENCE_C = 24.0


def truth(n: int = 60) -> np.ndarray:
    return np.linspace(22.0, 99.5, n)


def make_run(**changes: object) -> Run:
    """A type K wire on an input set to type T, as its instrument would show it."""
    true_c = truth()
    terminals = thermocouple.emf(true_c, "K") - thermocouple.emf(REFERENCE_C, "K")
    shown = thermocouple.temperature(terminals, "T", reference_c=REFERENCE_C)
    shown[7] = np.nan
    quality = np.zeros(60, np.uint8)
    quality[7] = Quality.MISSING
    time_ns = np.arange(60, dtype=np.int64) * 1_000_000_000
    run = Run(
        id="",
        title="wrong wire",
        series={
            "core": Series(time_ns, shown, quality),
            "box": Series(time_ns, np.full(60, REFERENCE_C), np.zeros(60, np.uint8)),
        },
        instrument=Instrument(reference_junction_c=REFERENCE_C),
        plan_toml="title = 'x'\n",
    )
    return replace(run, **changes)  # type: ignore[arg-type]


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path)


def test_the_truth_comes_back_and_the_raw_stays(book: Logbook) -> None:
    parent = book.seal(make_run())
    told = restate_run(book, "last", channels=["core"], recorded_as="T", actual="K")
    new = book.open(told.run.id, verify=True)
    core = new.series["core"]
    there = np.arange(60) != 7
    np.testing.assert_allclose(core.value_c[there], truth()[there], atol=2e-3)
    assert np.isnan(core.value_c[7])
    np.testing.assert_array_equal(core.raw, parent.series["core"].value_c)
    assert (core.raw_unit, core.restated_from) == ("degC", "T")
    assert new.parent_digest == parent.digest
    assert new.id != parent.id
    assert new.plan_toml == parent.plan_toml
    np.testing.assert_array_equal(new.series["box"].value_c, parent.series["box"].value_c)
    assert "recorded as type T, restated as type K" in new.notes[-1]
    assert book.open(parent.id, verify=True).series["core"].restated_from == ""
    (facts,) = told.channels
    assert facts.reference_words == "as the instrument gave it"
    assert (facts.readings, facts.lost, facts.standard_k) == (59, 0, 0.0)
    assert facts.after_c[1] == pytest.approx(99.5, abs=2e-3)
    assert facts.largest_change_k == pytest.approx(99.5 - facts.before_c[1], abs=2e-3)


def test_the_junction_is_stated_recorded_or_openly_assumed(book: Logbook) -> None:
    parent = book.seal(make_run(instrument=Instrument()))

    def restate(reference: float | str | None, standard_k: float | None = None):  # type: ignore[no-untyped-def]
        told = restate_run(
            book,
            parent.id,
            channels=["core"],
            recorded_as="T",
            actual="K",
            reference=reference,
            reference_standard_k=standard_k,
        )
        return told.channels[0]

    channel = restate("box")
    assert channel.reference_c == REFERENCE_C
    assert channel.standard_k == 0.0
    assert channel.after_c[2] == pytest.approx(99.5, abs=2e-3)
    stated = restate(30.0)
    assert "stated" in stated.reference_words
    assert stated.standard_k > 0.0
    assumed = restate(None)
    assert "assumed" in assumed.reference_words
    assert assumed.reference_c == 25.0
    assert assumed.standard_k > stated.standard_k
    assert restate(30.0, 0.25).standard_k == pytest.approx(stated.standard_k / 4)
    with pytest.raises(UnknownName, match="box"):
        restate("nothing")
    with pytest.raises(OutOfRange, match="terminals"):
        restate(400.0)


def test_what_no_wire_can_have_given_becomes_missing_and_is_counted(book: Logbook) -> None:
    run = make_run()
    values = run.series["core"].value_c.copy()
    values[20] = 1200.0  # beyond what type T can show
    core = replace(run.series["core"], value_c=values)
    book.seal(replace(run, series={**run.series, "core": core}))
    told = restate_run(book, "last", channels=["core"], recorded_as="T", actual="K")
    assert told.channels[0].lost == 1
    new = told.run.series["core"]
    assert np.isnan(new.value_c[20])
    assert new.quality[20] == Quality.OVERFLOW
    assert new.raw is not None
    assert new.raw[20] == 1200.0
    assert "1 readings beyond" in told.run.notes[-1]


def test_what_makes_no_sense_is_refused_before_anything_is_kept(book: Logbook) -> None:
    book.seal(make_run())

    def restate(channel: str, recorded: str, actual: str) -> None:
        restate_run(book, "last", channels=[channel], recorded_as=recorded, actual=actual)

    with pytest.raises(UnknownName, match="core, box"):
        restate("air", "T", "K")
    with pytest.raises(UnknownName, match="thermocouple type"):
        restate("core", "T", "Q")
    with pytest.raises(UsageError, match="no change"):
        restate("core", "T", "T")
    assert len(book.run_ids()) == 1
    restate("core", "T", "K")
    with pytest.raises(UsageError, match="already"):
        restate("core", "T", "K")


def test_a_channel_that_no_such_wire_can_have_given_is_refused(book: Logbook) -> None:
    run = make_run()
    hot = replace(run.series["core"], value_c=np.full(60, 1100.0))  # 45 mV of type K
    book.seal(replace(run, series={"core": hot}))
    with pytest.raises(TooLittleData, match="can have come from type T"):
        restate_run(book, "last", channels=["core"], recorded_as="K", actual="T")
    assert len(book.run_ids()) == 1


def test_millivolts_that_were_kept_stay_the_raw_numbers(book: Logbook) -> None:
    run = make_run()
    raw = np.arange(60, dtype=np.float64) / 100
    core = replace(run.series["core"], raw=raw, raw_unit="mV")
    book.seal(replace(run, series={**run.series, "core": core}))
    told = restate_run(book, "last", channels=["core"], recorded_as="T", actual="K")
    series = told.run.series["core"]
    np.testing.assert_array_equal(series.raw, raw)
    assert series.raw_unit == "mV"
