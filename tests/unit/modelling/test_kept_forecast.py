"""A kept forecast against fits from nothing, on a bake of the virtual oven, whose physics is its own."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest

from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import draw_prior
from ovenwright.modelling.forecasting import Outlook, Passing, look_ahead, passing
from ovenwright.modelling.heating import Heating, Line, begin, mean_line
from ovenwright.modelling.kept_forecast import Grounds, KeptForecast, prepare
from ovenwright.virtual import Recording, record
from ovenwright.virtual.serving import scenario_named

GROUNDS = Grounds(draw_prior(1000, seed=1, knots=KNOTS.size, kinds="moist"), cast=150)
LEVEL_C = 93.0
HALF_S = 1200.0


@pytest.fixture(scope="module")
def bake() -> Recording:
    return record(scenario_named("tin-bread-sound"), seed=3)


def lines(bake: Recording) -> dict[str, Line]:
    return {
        c.name: Line(c.name, bake.time_s, bake.reading_c[:, i], c.time_constant_s, c.noise_k)
        for i, c in enumerate(bake.channels)
    }


def seen(bake: Recording, until_s: float, **instead: Line) -> Heating:
    """Return the bake as it stands at a moment, some channels replaced."""
    found = lines(bake) | {name.replace("_", " "): line for name, line in instead.items()}
    cores = tuple(line for name, line in found.items() if name.startswith("core"))
    return begin(
        "bake", mean_line((found["air left"], found["air right"])), cores, until_s=until_s,
        load_in_s=bake.load_in_s, boiling_c=bake.boiling_c,
    )  # fmt: skip


@pytest.fixture(scope="module")
def first(bake: Recording) -> bytes:
    """A fit at half of the bake; each test goes on from a copy of its own."""
    return pickle.dumps(prepare(seen(bake, HALF_S), GROUNDS))


def kept_from(first: bytes) -> KeptForecast:
    return KeptForecast(GROUNDS, pickle.loads(first))  # noqa: S301  # our own


def passes(outlook: Outlook) -> dict[str, Passing]:
    told = {name: passing(outlook, name, LEVEL_C) for name in outlook.paths}
    return {name: one for name, one in told.items() if isinstance(one, Passing)}


def within(one: float, interval: tuple[float, float]) -> bool:
    return interval[0] <= one <= interval[1]


@pytest.mark.slow
def test_it_says_what_a_fit_from_nothing_would(bake: Recording, first: bytes) -> None:
    kept = kept_from(first)
    asked = agreed = 0
    for now_s in np.arange(HALF_S + 5.0, 1701.0, 5.0):
        heating = seen(bake, float(now_s))
        outlook = kept.update(heating)
        if (work := kept.work()) is not None:
            kept.adopt(work.do())
        if now_s not in {1300.0, 1500.0, 1700.0}:
            continue
        fitted = prepare(heating, GROUNDS).fit
        assert fitted is not None
        ours, fresh = passes(outlook), passes(look_ahead(fitted))
        assert ours.keys() == fresh.keys() == {"core left", "core centre", "core right"}
        for name, one in ours.items():
            other = fresh[name]
            assert within(one.median_s, other.interval_90)
            assert within(other.median_s, one.interval_90)
            agreed += within(one.median_s, other.interval_50)
            agreed += within(other.median_s, one.interval_50)
            asked += 2
    assert agreed >= 0.8 * asked
    # a fit for every 15 % of the heating, and no more where nothing unforeseen happens
    assert 2 <= kept.fits <= 5


def test_it_knows_nothing_of_what_comes_later(bake: Recording, first: bytes) -> None:
    stop_s = HALF_S + 60.0
    other_days = {
        name.replace(" ", "_"): replace(
            line, temp_c=np.where(line.time_s > stop_s, 20.0, line.temp_c)
        )
        for name, line in lines(bake).items()
    }
    one, other = kept_from(first), kept_from(first)
    for now_s in np.arange(HALF_S + 10.0, stop_s + 1.0, 10.0):
        told = one.update(seen(bake, float(now_s)))
        same = other.update(seen(bake, float(now_s), **other_days))
    for name, paths in told.paths.items():
        assert np.array_equal(paths.time_s, same.paths[name].time_s)
        assert np.array_equal(paths.temp_c, same.paths[name].temp_c)


def test_courses_begin_at_the_newest_reading(bake: Recording, first: bytes) -> None:
    kept = kept_from(first)
    outlook = kept.update(seen(bake, HALF_S + 40.0))
    assert outlook.until_s == HALF_S + 40.0
    for name, paths in outlook.paths.items():
        line = lines(bake)[name]
        assert np.all(paths.time_s[0] == HALF_S + 40.0)
        now_c = np.interp(HALF_S + 40.0, line.time_s, line.temp_c)
        assert paths.temp_c[0] == pytest.approx(now_c, abs=1.0)
        assert np.all(np.diff(paths.time_s, axis=0) > 0.0)


@pytest.mark.slow
def test_many_small_updates_and_few_large_ones_agree(bake: Recording, first: bytes) -> None:
    small, large = kept_from(first), kept_from(first)
    for now_s in np.arange(HALF_S + 2.0, HALF_S + 121.0, 2.0):
        told = small.update(seen(bake, float(now_s)))
    again = large.update(seen(bake, HALF_S + 120.0))
    for name, one in passes(told).items():
        other = passes(again)[name]
        width = other.interval_50[1] - other.interval_50[0]
        assert one.median_s == pytest.approx(other.median_s, abs=0.15 * width)


def test_readings_that_members_cannot_explain_ask_for_a_fit(bake: Recording, first: bytes) -> None:
    kept = kept_from(first)
    kept.update(seen(bake, HALF_S + 2.0))
    assert kept.work() is None  # all goes as foreseen
    line = lines(bake)["core centre"]
    # it takes up heat six times as fast from half-way on, as no loaf in this oven does
    extra = 0.25 * np.clip(line.time_s - HALF_S, 0.0, 60.0)
    hurried = replace(line, temp_c=np.minimum(line.temp_c + extra, 98.0))
    for now_s in np.arange(HALF_S + 4.0, HALF_S + 61.0, 4.0):
        outlook = kept.update(seen(bake, float(now_s), core_centre=hurried))
        if (work := kept.work()) is not None:
            break
    assert work is not None
    assert work.fits
    assert "core centre" in work.why
    assert outlook.paths.keys() == {"core left", "core centre", "core right"}  # it still answers


def test_surroundings_that_leave_what_was_foreseen_ask_for_a_look(
    bake: Recording, first: bytes
) -> None:
    kept = kept_from(first)
    kept.update(seen(bake, HALF_S + 2.0))
    cold = {}
    for name in ("air left", "air right"):
        line = lines(bake)[name]
        cold[name.replace(" ", "_")] = replace(
            line, temp_c=np.where(line.time_s > HALF_S + 4.0, line.temp_c - 30.0, line.temp_c)
        )
    kept.update(seen(bake, HALF_S + 110.0, **cold))
    work = kept.work()
    assert work is not None
    assert "surroundings" in work.why
    assert not work.fits
    fresh = work.do()
    assert fresh.courses is not None
    now_c = [np.interp(HALF_S + 110.0, line.time_s, line.temp_c) for line in cold.values()]
    assert np.median(fresh.courses.around_c[0]) == pytest.approx(np.mean(now_c), abs=8.0)
    kept.adopt(fresh)
    outlook = kept.update(seen(bake, HALF_S + 112.0, **cold))
    assert kept.work() is None
    assert kept.fits == 1  # the members stay
    assert outlook.paths.keys() == {"core left", "core centre", "core right"}


def test_work_is_handed_out_once(bake: Recording, first: bytes) -> None:
    kept = kept_from(first)
    later = seen(bake, HALF_S + 160.0)  # beyond 15 % of the heating
    kept.update(later)
    work = kept.work()
    assert work is not None
    assert work.fits
    kept.update(later)
    assert kept.work() is None
    kept.give_up()
    kept.update(later)
    assert kept.work() is not None


def test_a_channel_that_falls_silent_is_refused_and_comes_back(
    bake: Recording, first: bytes
) -> None:
    kept = kept_from(first)
    line = lines(bake)["core left"]
    silent = replace(line, time_s=line.time_s[line.time_s < HALF_S], temp_c=line.temp_c[line.time_s < HALF_S])  # fmt: skip
    outlook = kept.update(seen(bake, HALF_S + 140.0, core_left=silent))
    assert "core left" not in outlook.paths
    assert "its last sound reading is" in outlook.refused["core left"]
    outlook = kept.update(seen(bake, HALF_S + 142.0))
    assert "core left" in outlook.paths


def test_its_memory_does_not_grow_with_the_run(bake: Recording, first: bytes) -> None:
    kept = kept_from(first)
    sizes = []
    for now_s in np.arange(HALF_S + 2.0, 1700.0, 2.0):
        kept.update(seen(bake, float(now_s)))
        kept.give_up()
        sizes.append(kept.rows)
    assert max(sizes) <= 150
    assert len(sizes) > 200
