"""Load-in and load-out: given, marked, found, assumed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from ovenwright.analysis.events import find_events
from ovenwright.analysis.subject import Readings
from ovenwright.domain.results import Event, Found
from ovenwright.domain.run import MarkKind, Role

Make = Callable[..., Any]
CHAMBER: dict[str, Any] = {
    "kind": "chamber",
    "name": "batch",
    "width_m": 1.0,
    "depth_m": 1.0,
    "height_m": 1.0,
}


def step(t: Any, at_s: float, tau_s: float, low: float, high: float) -> Any:
    return low + (high - low) * (1.0 - np.exp(-np.maximum(t - at_s, 0.0) / tau_s))


def through(t: Any, enter: float, leave: float, tau_s: float, high: float) -> Any:
    up = step(t, enter, tau_s, 22.0, high)
    top = float(np.interp(leave, t, up))
    return np.where(t < leave, up, 25.0 + (top - 25.0) * np.exp(-np.maximum(t - leave, 0) / tau_s))


def events(run: Any, **more: Any) -> tuple[Event, Event, tuple[str, ...]]:
    plan = run.plan(**more)
    bare = plan.model_copy(
        update={
            "recording": plan.recording.model_copy(update={"load_in_s": None, "load_out_s": None})
        }
    )
    return find_events(Readings(run.profile()), bare)


def tunnel(
    bench: Make, *, leave: float = 960.0, end: float = 1300.0, noise: float = 0.1, lag: bool = True
) -> Any:
    rng = np.random.default_rng(3)
    run = bench(end)
    for name, tau, role in (
        ("air left", 12.0, Role.AIR),
        ("air right", 15.0, Role.AIR),
        ("core", 400.0, Role.CORE),
    ):
        curve = through(run.time_s, 240.0, leave, tau, 215.0 if role is Role.AIR else 99.0)
        run.add(name, curve + noise * rng.standard_normal(curve.size), role)
        run.noise_k[name] = noise
        if lag:
            run.lag_s[name] = tau
    return run


def test_a_tunnel_passage_is_found_by_the_air_channels(bench: Make) -> None:
    start, end, notes = events(tunnel(bench))
    assert (start.found, end.found) == (Found.FOUND, Found.FOUND)
    assert start.at_s == pytest.approx(240.0, abs=3.0)
    assert end.at_s == pytest.approx(960.0, abs=3.0)
    assert 0.0 < start.standard_s < 5.0
    assert "air left, air right" in start.reason
    assert not notes


def test_without_a_known_lag_load_in_is_less_certain(bench: Make) -> None:
    known, _, _ = events(tunnel(bench))
    start, _, _ = events(tunnel(bench, lag=False))
    assert start.standard_s > known.standard_s
    assert abs(start.at_s - 240.0) < 2.5 * start.standard_s


def test_air_that_spills_out_of_the_mouth_does_not_bring_load_in_forward(bench: Make) -> None:
    run = bench(1300.0)
    t = run.time_s
    # mixing at both mouths: half-way at the mouth itself, tens of seconds to either side
    spill = 0.25 * (1.0 + np.tanh((t - 240.0) / 30.0)) * (1.0 + np.tanh((960.0 - t) / 30.0))
    run.add("air", 24.0 + 200.0 * spill, Role.AIR)
    start, end, _ = events(run)
    assert start.at_s == pytest.approx(240.0, abs=2.0 * start.standard_s)
    assert end.at_s == pytest.approx(960.0, abs=2.0 * end.standard_s)


def test_a_belt_that_ran_at_another_speed_is_told(bench: Make) -> None:
    _, _, notes = events(tunnel(bench, leave=860.0))
    assert len(notes) == 1
    assert "check the belt" in notes[0]


def test_without_a_fall_the_belt_gives_load_out_and_says_so(bench: Make) -> None:
    run = tunnel(bench, leave=5000.0, end=1300.0)
    start, end, _ = events(run)
    assert start.found is Found.FOUND
    assert end.found is Found.ASSUMED
    assert end.at_s == pytest.approx(start.at_s + 720.0)
    assert end.standard_s > start.standard_s


def test_marks_beat_what_is_found_and_the_plan_beats_marks(bench: Make) -> None:
    run = tunnel(bench).mark(MarkKind.LOAD_IN, 250.0).mark(MarkKind.LOAD_OUT, 955.0)
    start, end, _ = events(run)
    assert (start.found, start.at_s) == (Found.MARKED, 250.0)
    assert (end.found, end.at_s) == (Found.MARKED, 955.0)
    given, _, _ = find_events(Readings(run.profile()), run.plan(load=(245.0, 950.0)))
    assert (given.found, given.at_s) == (Found.GIVEN, 245.0)


def test_a_record_that_starts_on_the_rise_is_not_given_a_made_up_load_in(bench: Make) -> None:
    run = bench(600.0)
    run.add("air", step(run.time_s, -20.0, 30.0, 22.0, 200.0), Role.AIR)
    start, _, _ = events(run)
    assert start.found is Found.ASSUMED
    assert start.at_s == 0.0


def test_in_a_chamber_the_product_tells_not_the_hot_air(bench: Make) -> None:
    run = bench(3000.0)
    dip = 200.0 - 60.0 * np.exp(-np.maximum(run.time_s - 300.0, 0.0) / 120.0) * (run.time_s >= 300)
    run.add("air", dip, Role.AIR)
    run.add("part", step(run.time_s, 300.0, 300.0, 21.0, 195.0), Role.SURFACE)
    start, end, _ = events(run, oven=CHAMBER)
    assert start.found is Found.FOUND
    assert start.at_s == pytest.approx(300.0, abs=6.0)
    assert end.found is Found.ASSUMED


def test_a_survey_of_air_alone_takes_the_whole_record(bench: Make) -> None:
    run = bench(3000.0)
    run.add("air", step(run.time_s, 0.0, 300.0, 21.0, 195.0), Role.AIR)
    start, end, _ = events(run, oven=CHAMBER)
    assert (start.found, start.at_s) == (Found.ASSUMED, 0.0)
    assert (end.found, end.at_s) == (Found.ASSUMED, 3000.0)


def _slab_centre(fourier: Any) -> Any:
    """Centre of a slab after a step at its faces: the series of Carslaw and Jaeger, 4 (from memory)."""
    fo = np.maximum(fourier, 0.0)[:, np.newaxis]
    odd = 2.0 * np.arange(60) + 1.0
    sign = np.where(np.arange(60) % 2, -1.0, 1.0)
    terms = 4.0 / (np.pi * odd) * sign * np.exp(-((odd * np.pi / 2.0) ** 2) * fo)
    return np.where(fourier > 1e-4, 1.0 - terms.sum(axis=1), 0.0)


def _centre_of_a_slab(t: Any, enter: float, leave: float, scale_s: float) -> Any:
    up = _slab_centre((t - enter) / scale_s)
    return 20.0 + 75.0 * (up - _slab_centre((t - leave) / scale_s))


@pytest.mark.parametrize("shape", ["slab", "lump"])
def test_a_core_that_answers_late_does_not_make_load_in_late(bench: Make, shape: str) -> None:
    run = bench(4000.0)
    slab = _centre_of_a_slab(run.time_s, 300.0, 2700.0, 2500.0)
    lump = through(run.time_s, 300.0, 2700.0, 300.0, 95.0)
    run.add("core", slab if shape == "slab" else lump, Role.CORE)
    start, end, _ = events(run, oven=CHAMBER)
    assert (start.found, end.found) == (Found.FOUND, Found.FOUND)
    assert abs(start.at_s - 300.0) < 2.0 * start.standard_s
    assert abs(end.at_s - 2700.0) < 2.0 * end.standard_s
    assert start.standard_s < 100.0


def test_a_fall_that_the_end_of_the_record_cuts_off_is_seen(bench: Make) -> None:
    run = bench(2400.0)
    run.add("core", through(run.time_s, 60.0, 2100.0, 700.0, 98.0), Role.CORE)
    _, end, _ = events(run, oven=CHAMBER)
    assert end.found is Found.FOUND
    assert end.at_s == pytest.approx(2100.0, abs=2.0 * end.standard_s)
    assert end.standard_s < 60.0


def test_a_core_that_swings_or_stays_hot_has_not_come_out(bench: Make) -> None:
    for last in (0.0, 12.0):
        run = bench(2400.0)
        wave = last * np.sin(run.time_s / 60.0) * (run.time_s > 1200.0)
        run.add("core", step(run.time_s, 60.0, 200.0, 22.0, 98.0) + wave, Role.CORE)
        _, end, _ = events(run, oven=CHAMBER)
        assert end.found is Found.ASSUMED
        assert end.at_s == run.time_s[-1]
