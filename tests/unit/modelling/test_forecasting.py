"""A fit and a look ahead on a body whose course is known exactly."""

import math

import numpy as np
import pytest

from ovenwright.domain.arrays import FloatArray
from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import Ensemble, draw_prior
from ovenwright.modelling.fitting import fit
from ovenwright.modelling.forecasting import Passing, Refused, look_ahead, passing
from ovenwright.modelling.heating import Heating, Line, begin
from ovenwright.modelling.identifying import identified, kind_shares, misfit_words
from ovenwright.modelling.product_record import (
    ProductRecord,
    draw_recorded,
    heating_ends,
    recorded,
    whole_fit,
)
from ovenwright.modelling.surroundings_ahead import as_now

TIME = np.arange(0.0, 1801.0, 2.0)
TAU = 400.0


def lumped(level: float = 220.0, tau: float = TAU, start: float = 60.0) -> tuple[Line, Line]:
    """A body of one time constant in surroundings that step up at `start`: exact."""
    around = np.where(start < TIME, level, 25.0)
    core = 25.0 + (level - 25.0) * (1.0 - np.exp(-np.maximum(TIME - start, 0.0) / tau))
    return Line("air", TIME, around), Line("core", TIME, core)


def passes_at(temp_c: float, level: float = 220.0, tau: float = TAU) -> float:
    return 60.0 - tau * math.log(1.0 - (temp_c - 25.0) / (level - 25.0))


def heating(until_s: float, **how: float) -> Heating:
    air, core = lumped(**how)
    return begin("run", air, (core,), until_s=until_s)


def dry(members: int = 1500) -> Ensemble:
    return draw_prior(members, seed=1, knots=KNOTS.size, dry_only=True)


def test_heating_begins_where_the_surroundings_rise() -> None:
    assert heating(400.0).start_s == pytest.approx(60.0, abs=2.1)


def test_the_exact_passing_lies_in_the_interval() -> None:
    truth = passes_at(150.0)
    now = heating(60.0 + 0.5 * (truth - 60.0))
    told = passing(look_ahead(fit(now, dry())), "core", 150.0)
    assert isinstance(told, Passing)
    assert told.interval_90[0] < truth < told.interval_90[1]
    assert told.median_s == pytest.approx(truth, rel=0.12)
    assert told.interval_90[0] < told.interval_50[0] < told.median_s < told.interval_50[1]


def test_more_time_makes_it_narrower() -> None:
    truth = passes_at(150.0)
    widths = []
    for share in (0.3, 0.8):
        now = heating(60.0 + share * (truth - 60.0))
        told = passing(look_ahead(fit(now, dry())), "core", 150.0)
        assert isinstance(told, Passing)
        widths.append(told.interval_90[1] - told.interval_90[0])
    assert widths[1] < 0.5 * widths[0]


def test_nothing_after_the_moment_is_used() -> None:
    air, core = lumped()
    spoiled = Line("core", TIME, np.where(TIME > 300.0, -999.0, core.temp_c))
    wild = Line("air", TIME, np.where(TIME > 300.0, 900.0, air.temp_c))
    clean = look_ahead(fit(begin("r", air, (core,), until_s=300.0), dry(600)))
    other = look_ahead(fit(begin("r", wild, (spoiled,), until_s=300.0), dry(600)))
    assert passing(clean, "core", 150.0) == passing(other, "core", 150.0)


def test_a_record_of_earlier_runs_narrows() -> None:
    record = ProductRecord("ball", "any", ())
    for run, level, tau in (("a", 215.0, 390.0), ("b", 225.0, 410.0)):
        air, core = lumped(level=level, tau=tau)
        whole = heating_ends(begin(run, air, (core,), until_s=TIME[-1]))
        record = record.joined_by(recorded(whole_fit(whole, dry())))
    truth = passes_at(150.0)
    now = heating(60.0 + 0.5 * (truth - 60.0))
    alone = passing(look_ahead(fit(now, dry())), "core", 150.0)
    ensemble = draw_recorded(record, 1500, seed=1, dry_only=True)
    told = passing(
        look_ahead(fit(now, ensemble, origins=record.origins), earlier=record.courses),
        "core",
        150.0,
    )
    assert isinstance(told, Passing)
    assert isinstance(alone, Passing)
    assert told.interval_90[0] < truth < told.interval_90[1]
    assert np.ptp(told.interval_90) < np.ptp(alone.interval_90)


def test_a_second_fit_of_a_run_takes_the_place_of_the_first() -> None:
    air, core = lumped()
    one = recorded(whole_fit(heating_ends(begin("a", air, (core,), until_s=TIME[-1])), dry(300)))
    record = ProductRecord("ball", "any", ()).joined_by(one).joined_by(one)
    assert [r.run_id for r in record.runs] == ["a"]


def test_it_says_that_a_level_is_never_passed() -> None:
    told = passing(look_ahead(fit(heating(600.0), dry())), "core", 400.0)
    assert isinstance(told, Refused)
    assert "never passes" in told.reason


def test_what_has_passed_is_read_not_foreseen() -> None:
    now = heating(900.0)
    told = passing(look_ahead(fit(now, dry(300))), "core", 100.0, core=now.cores[0])
    assert isinstance(told, Passing)
    assert told.passed
    assert told.median_s == pytest.approx(passes_at(100.0), abs=2.0)


@pytest.mark.parametrize(
    ("core", "words"),
    [
        (np.full(TIME.size, 25.0), "perfectly still"),
        (25.0 + 0.4 * np.sin(TIME), "not begun to warm"),
        (np.where(TIME < 100, 25.0, np.where(TIME < 140, TIME - 75.0, 65.0)), "not being heated"),
        (np.where(TIME < 60, 25.0, 25.0 + 3.0 * (TIME - 60.0)), "colder than it"),
    ],
)
def test_cores_that_carry_nothing_are_refused(core: FloatArray, words: str) -> None:
    air, _ = lumped()
    now = begin("run", air, (Line("core", TIME, core),), until_s=500.0)
    fitted = fit(now, dry(100))
    assert words in fitted.refused["core"]
    told = passing(look_ahead(fitted), "core", 150.0)
    assert isinstance(told, Refused)


def test_a_silent_and_a_young_channel_are_refused() -> None:
    air, core = lumped()
    silent = begin("run", air, (core.until(250.0),), until_s=500.0)
    assert "old" in fit(silent, dry(100)).refused["core"]
    slow = Line("core", TIME, core.temp_c, lag_s=60.0)
    young = begin("run", air, (slow,), until_s=100.0)
    assert "lag" in fit(young, dry(100)).refused["core"]


def test_what_the_readings_can_not_tell_stays_at_its_prior() -> None:
    channel = fit(heating(400.0), dry(3000)).channels["core"]
    told = {i.parameter: i for i in identified(channel)}
    # with one lumped course, size and heat capacity act as a product alone
    assert not told["emissivity"].told or told["emissivity"].kept > 0.4
    assert all(0.0 < i.kept <= 1.0 for i in told.values())
    assert sum(kind_shares(channel).values()) == pytest.approx(1.0, abs=0.1)


def test_a_rate_that_breaks_is_said_in_words() -> None:
    air, core = lumped(tau=900.0)
    bent = core.temp_c + np.where(TIME > 500.0, 0.5 * (TIME - 500.0), 0.0)
    now = begin("run", air, (Line("core", TIME, np.minimum(bent, 215.0)),), until_s=620.0)
    words = misfit_words(fit(now, dry(3000)), "core")
    assert "faster than the model" in words


def test_surroundings_that_slow_down_are_not_foreseen_to_climb_on() -> None:
    # nearing 200 °C with a time constant of 40 s, still rising by half a kelvin a second
    climbing = np.where(TIME < 60.0, 25.0, 200.0 - 175.0 * np.exp(-(TIME - 60.0) / 40.0))
    core = lumped()[1]
    now = begin("run", Line("air", TIME, climbing), (core,), until_s=150.0)
    ahead = as_now(now, np.array([150.0, 300.0, 600.0]), 400, np.random.default_rng(1))
    assert np.median(ahead[1:], axis=1) == pytest.approx(np.full(2, 200.0), abs=5.0)
    # the same rate, held to the last: how long it goes on is open
    straight = 25.0 + np.maximum(TIME - 60.0, 0.0) * 175.0 / 90.0
    now = begin("run", Line("air", TIME, straight), (core,), until_s=150.0)
    open_still = as_now(now, np.array([150.0, 300.0, 600.0]), 400, np.random.default_rng(1))
    assert np.ptp(np.quantile(open_still[2], [0.05, 0.95])) > 3.0 * np.ptp(
        np.quantile(ahead[2], [0.05, 0.95])
    )
