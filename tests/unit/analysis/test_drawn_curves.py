"""The shortcuts for draws give what building every drawn curve would give."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from ovenwright.analysis.curve import Curve, cut
from ovenwright.analysis.draws import ChannelErrors, Draws
from ovenwright.analysis.extremes import find_highest
from ovenwright.analysis.levels import TimeAbove, find_passage, longest_stretch
from ovenwright.analysis.work import Arrhenius, Bigelow, add_up
from ovenwright.domain.profile import Distribution, ErrorTerm, Scope

Make = Callable[..., Any]
SOME = 25


def budget() -> ChannelErrors:
    at = np.linspace(0.0, 300.0, 31)
    terms = (
        ErrorTerm("class", Scope.CHANNEL, "a", at, np.maximum(0.5, 0.004 * at) / np.sqrt(3.0),
                  Distribution.RECTANGULAR),
        ErrorTerm("junction", Scope.MODULE, "m", at, 0.3 * (1.0 - 0.001 * at)),
        ErrorTerm("drift", Scope.CHANNEL, "a", at, np.full(31, 0.2), Distribution.TRIANGULAR),
    )  # fmt: skip
    return ChannelErrors("a", terms, Draws(400, seed=17))


def baked(interval_s: float) -> Curve:
    t = np.arange(0.0, 2400.0, interval_s)
    y = (
        25.0
        + 73.0 / (1.0 + np.exp(-(t - 900.0) / 150.0))
        - 20.0 * np.clip((t - 2000.0) / 400, 0, 1)
    )
    y += 3.0 * np.sin(t / 40.0)
    return cut(t, y, from_s=0.0, to_s=float(t[-1]), interval_s=interval_s)


def drawn(curve: Curve, errors: ChannelErrors) -> list[Curve]:
    shifts = errors.shift_k(curve.temp_c, first=SOME)
    return [curve.with_temperatures(curve.temp_c + shift) for shift in shifts]


@pytest.mark.parametrize("interval_s", [1.0, 7.0])
def test_moments_times_and_maxima(interval_s: float) -> None:
    curve, errors = baked(interval_s), budget()
    curves = drawn(curve, errors)
    exact = ChannelErrors("b", (), Draws(1, seed=1))
    passed = find_passage(curve, 60.0, errors).draws_s[:SOME]
    bend = 0.05 * interval_s  # what a bend between readings is drawn to hide
    assert passed == pytest.approx(
        np.array([find_passage(c, 60.0, exact).at_s for c in curves]), abs=bend
    )
    level = np.array([90.0])
    above = TimeAbove(curve)(errors.reading_at(90.0))[:SOME]
    assert above == pytest.approx(np.array([TimeAbove(c)(level)[0] for c in curves]), abs=0.02)
    longest = [longest_stretch(curve, float(x)).length_s for x in errors.reading_at(90.0)[:SOME]]
    assert longest == pytest.approx([longest_stretch(c, 90.0).length_s for c in curves], abs=0.02)
    top = find_highest(curve, errors).draws_c[:SOME]
    assert top == pytest.approx(np.array([c.temp_c.max() for c in curves]), abs=1e-9)


@pytest.mark.parametrize("interval_s", [1.0, 7.0])
@pytest.mark.parametrize(
    "law",
    [Bigelow(61.0, 6.58), Bigelow(121.1, 10.0), Bigelow(100.0, 33.0), Arrhenius(2.8e18, 139e3)],
)
def test_work_is_good_to_a_ten_thousandth(interval_s: float, law: Any) -> None:
    curve, errors = baked(interval_s), budget()
    exact = ChannelErrors("b", (), Draws(1, seed=1))
    direct = np.array([add_up(c, law, exact).total for c in drawn(curve, errors)])
    assert add_up(curve, law, errors).draws[:SOME] == pytest.approx(direct, rel=1e-4)


def test_the_build_up_ends_at_the_measure(bench: Make) -> None:
    run = bench(1000.0)
    run.add("core", 20.0 + 0.07 * run.time_s)
    wishes = [
        {"name": n, "measure": n, "on": "core", "at_least": 0.0, "parameters": {"kinetics": k}}
        for n, k in (
            ("log_reduction", "bug"), ("log_reduction", "tail"), ("equivalent_time", "bug"),
            ("pasteurisation_units", "pu_beer"), ("extent", "colour"),
        )
    ]  # fmt: skip
    results = run.results(wishes)
    assert len(results.build_up) == len(wishes)
    for built, (result,) in zip(results.build_up, results.by_requirement, strict=True):
        assert built.measure == result.measure
        assert built.total[0] == 0.0
        assert built.total[-1] == pytest.approx(result.value, rel=1e-12)
        assert np.all(np.diff(built.total) >= 0.0)
        assert built.time_s.shape == built.temp_c.shape == built.total.shape
    bug, tail, same_bug, *_ = results.build_up
    assert bug.total[-1] == pytest.approx(same_bug.total[-1] / float(bug.parameters["d_s"]))
    assert {"delta_s", "p"} <= set(tail.parameters)
    assert "d_s" not in same_bug.parameters


def test_crossings_carry_name_share_interval_and_rate(bench: Make) -> None:
    run = bench(1000.0)
    run.add("core", 20.0 + 0.1 * run.time_s).error("core", 0.5)
    crossings = run.results(
        crossings=[{"level_c": 60.0, "on": "core"}, {"level_c": 70.0, "on": ["core"], "name": "set"},
                   {"level_c": 300.0, "on": "core"}],
    ).crossings  # fmt: skip
    first, named, never = crossings
    assert (first.name, named.name) == ("core 60 °C", "set")
    assert first.since_load_s == pytest.approx(400.0)
    assert first.share_of_process == pytest.approx(0.4)
    assert first.rate_k_min == pytest.approx(6.0)
    assert first.standard_s == pytest.approx(5.0, rel=0.06)
    assert first.interval_s == pytest.approx((400.0 - 9.8, 400.0 + 9.8), abs=1.0)
    assert np.isnan(never.at_s)
    assert "never reaches 300 °C" in never.reason


def test_without_wishes_the_levels_of_the_requirements_are_crossings_too(bench: Make) -> None:
    run = bench(1000.0)
    run.add("core", 20.0 + 0.1 * run.time_s)
    wish = {"name": "t", "measure": "time_to", "on": "core", "at_most": 900.0,
            "parameters": {"level_c": 77.0}}  # fmt: skip
    assert "core 77 °C" in [c.name for c in run.results([wish]).crossings]
