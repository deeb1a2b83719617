"""Every check finds its own fault where it was planted, and sound channels stay unflagged.

The readings are invented (see conftest). The checks' thresholds are the package's own: common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from ovenwright.conditioning.health import (
    HEALTH_TABLE,
    check_run,
    examine,
    make_bench,
)
from ovenwright.conditioning.reference import health_page
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Channel, Plan
from ovenwright.domain.profile import FlagSpan, Severity
from ovenwright.domain.run import Quality, Run, Series
from ovenwright.physics import thermocouple

Bake = Callable[..., tuple[FloatArray, dict[str, FloatArray]]]
MakeRun = Callable[..., Run]
MakePlan = Callable[..., Plan]


def of(spans: tuple[FlagSpan, ...], channel: str, check: str) -> list[FlagSpan]:
    return [s for s in spans if s.channel == channel and s.check == check]


def worse_than_remark(spans: tuple[FlagSpan, ...], *, without: str = "") -> list[FlagSpan]:
    return [s for s in spans if s.severity is not Severity.REMARK and s.channel != without]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "look",
    [
        {},
        {"noise_k": 0.2},
        {"step_k": 1.0, "noise_k": 0.02},
        {"step_k": 0.0, "noise_k": 0.01},
        {"interval_s": 0.25, "minutes": 20.0},
        {"interval_s": 5.0, "minutes": 90.0},
        {"air_noise_k": 0.6},
        {"noise_k": 0.0, "step_k": 0.0},
    ],
    ids=str,
)
def test_sound_channels_raise_nothing_with_or_without_a_plan(
    *,
    bake: Bake,
    make_run: MakeRun,
    make_plan: MakePlan,
    bake_channels: tuple[Channel, ...],
    seed: int,
    look: dict[str, float],
) -> None:
    run = make_run(*bake(seed, **look))
    assert check_run(run) == ()
    assert check_run(run, make_plan(bake_channels)) == ()


@pytest.mark.parametrize("seed", range(4))
def test_fast_heating_and_sudden_cooling_are_no_fault(make_run: MakeRun, seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 1500.0)
    flare = 8.0 * np.clip(t - 800.0, 0.0, 40.0)  # 8 K/s for 40 s, as in a fire
    off = np.where(t > 1100.0, 300.0 * np.exp(-np.maximum(t - 1100.0, 0.0) / 80.0), 300.0)
    columns = {
        "a": 25.0 + 0.3 * np.maximum(t - 60.0, 0.0) + flare,
        "b": 25.0 + 0.28 * np.maximum(t - 60.0, 0.0) + 0.7 * flare,
        "c": 25.0 + 0.26 * np.maximum(t - 60.0, 0.0),
        "shroud": 27.0 + np.minimum(5.0 * np.maximum(t - 60.0, 0.0), off),
    }
    noisy = {k: np.round(v + rng.normal(0, 0.03, t.size), 1) for k, v in columns.items()}
    assert check_run(make_run(t, noisy)) == ()


@pytest.mark.parametrize("with_plan", [False, True])
@pytest.mark.parametrize("step_s", [0.5, 1.0, 2.0])
def test_fast_air_sensor_thrown_into_a_hot_oven_is_no_fault(
    *,
    bake: Bake,
    make_run: MakeRun,
    make_plan: MakePlan,
    bake_channels: tuple[Channel, ...],
    with_plan: bool,
    step_s: float,
) -> None:
    t, columns = bake(3, interval_s=step_s)
    inside = (t > 120.0) & (t < 2000.0)
    for name in ("air left", "air right"):
        value = np.full(t.size, 22.0)
        for k in range(1, t.size):
            value[k] = value[k - 1] + ((220.0 if inside[k] else 22.0) - value[k - 1]) * (
                1 - np.exp(-step_s / 2.0)  # time constant 2 s
            )
        columns[name] = np.round(value, 1)
    plan = make_plan(bake_channels) if with_plan else None
    assert worse_than_remark(check_run(make_run(t, columns), plan)) == []


def test_open_junction_is_found_at_its_onset_and_stays_to_the_end(
    bake: Bake, make_run: MakeRun
) -> None:
    t, columns = bake()
    rng = np.random.default_rng(7)
    onset = 1234
    bad = columns["core left"]
    drops = (rng.random(t.size) < 0.15) & (t >= onset)
    drops[onset] = True
    bad[drops] -= rng.uniform(20.0, 70.0, t.size)[drops]
    spans = check_run(make_run(t, columns))
    (failed,) = of(spans, "core left", "open-junction")
    assert failed.severity is Severity.BAD
    assert abs(failed.from_s - onset) <= 3.0
    assert failed.to_s == t[-1]
    assert of(spans, "core left", "noise-burst")
    assert [s for s in spans if s.channel != "core left"] == []


def test_quiet_stretch_between_bursts_is_not_trusted(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    rng = np.random.default_rng(3)
    for start in (900, 1500):
        columns["surface left"][start : start + 30] += rng.normal(0.0, 60.0, 30)
    (failed,) = of(check_run(make_run(t, columns)), "surface left", "open-junction")
    assert failed.from_s <= 905
    assert failed.to_s >= 1525


def test_one_burst_long_past_leaves_the_rest_in_doubt_only(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake(minutes=60.0)
    rng = np.random.default_rng(3)
    columns["core right"][300:340] += rng.normal(0.0, 60.0, 40)
    found = of(check_run(make_run(t, columns)), "core right", "open-junction")
    assert [s.severity for s in found] == [Severity.BAD, Severity.DOUBT]
    assert found[0].to_s < 350
    assert found[1].to_s == t[-1]


def test_rail_value_known_from_the_sensor_type(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, bake_channels: tuple[Channel, ...]
) -> None:
    t, columns = bake()
    columns["core left"][1500:] = 400.0  # the end of type T
    (rail,) = of(
        check_run(make_run(t, columns), make_plan(bake_channels)), "core left", "rail-value"
    )
    assert (rail.from_s, rail.to_s, rail.severity) == (1500.0, t[-1], Severity.BAD)


def test_rail_value_without_a_plan_is_known_from_the_company(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    columns["core left"][1500:1510] = 1372.0
    (rail,) = of(check_run(make_run(t, columns)), "core left", "rail-value")
    assert (rail.from_s, rail.to_s) == (1500.0, 1509.0)


def test_overflow_marks_and_gaps_are_told_apart(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    columns["core left"][1000:1040] = np.nan
    columns["air left"][500:540] = np.nan
    columns["air left"][2000:2002] = np.nan
    run = make_run(t, columns)
    quality = run.series["core left"].quality.copy()
    quality[1000:1040] = int(Quality.OVERFLOW)
    one = run.series["core left"]
    series = dict(run.series) | {"core left": Series(one.time_ns, one.value_c, quality)}
    spans = check_run(Run(id="x", series=series))
    (over,) = of(spans, "core left", "overflow")
    assert (over.from_s, over.to_s, over.severity) == (1000.0, 1039.0, Severity.BAD)
    assert of(spans, "core left", "gap") == []
    long, short = of(spans, "air left", "gap")
    assert (long.from_s, long.to_s, long.severity) == (499.5, 539.5, Severity.BAD)
    assert short.severity is Severity.REMARK
    assert {s.channel for s in spans} == {"core left", "air left"}


def test_gap_where_time_itself_jumps_says_that_all_are_missing(
    bake: Bake, make_run: MakeRun
) -> None:
    t, columns = bake()
    keep = (t < 600.0) | (t > 700.0)
    spans = check_run(make_run(t[keep], {k: v[keep] for k, v in columns.items()}))
    assert len(spans) == len(columns)
    assert all(s.check == "gap" and "all channels" in s.reason for s in spans)


def test_channel_that_keeps_dropping_out_alone_has_a_loose_connection(
    bake: Bake, make_run: MakeRun
) -> None:
    t, columns = bake()
    for start in (400, 800, 1300):
        columns["core left"][start : start + 10] = np.nan
    found = of(check_run(make_run(t, columns)), "core left", "gap")
    assert any(s.severity is Severity.DOUBT and "loose" in s.reason for s in found)


def test_spikes_are_taken_out_one_by_one(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    at = [400, 1000, 1900]
    for k in at:
        columns["core left"][k] += 12.0
    found = examine(make_bench(make_run(t, columns)))
    spikes = [s for s in found.spans if s.check == "spike"]
    assert [(s.from_s, s.severity) for s in spikes] == [(float(k), Severity.REMARK) for k in at]
    bit = next(c.bit for c in HEALTH_TABLE if c.name == "spike")
    marked = np.flatnonzero(found.bits[4] & bit)
    assert marked.tolist() == at
    assert len(found.spans) == 3


def test_spikes_off_the_grid_of_the_readings_are_spikes_and_no_more(
    bake: Bake, make_run: MakeRun
) -> None:
    t, columns = bake()
    rng = np.random.default_rng(8)
    for value in columns.values():
        at = rng.choice(np.arange(20, t.size - 20), 3, replace=False)
        value[at] += rng.choice([-1.0, 1.0], 3) * rng.uniform(20.0, 180.0, 3)
    spans = check_run(make_run(t, columns))
    assert {(s.check, s.severity) for s in spans} == {("spike", Severity.REMARK)}
    assert {s.channel for s in spans} == set(columns)


def test_spikes_on_several_channels_at_once_are_pick_up(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    for k in (400, 1000, 1900):
        for name in ("core left", "core right", "surface left", "surface right"):
            columns[name][k] += 9.0
    spans = check_run(make_run(t, columns))
    assert len(spans) == 12
    assert all(s.check == "spike" and s.severity is Severity.REMARK for s in spans)
    assert all("pick-up" in s.reason for s in spans)


def test_many_spikes_of_its_own_are_a_doubt(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    for k in range(300, 2100, 200):
        columns["core left"][k] -= 15.0
    spans = check_run(make_run(t, columns))
    assert {(s.check, s.severity) for s in spans} == {("spike", Severity.DOUBT)}


def test_frozen_channel_is_a_flat_line_but_a_boiling_plateau_is_not(
    bake: Bake, make_run: MakeRun
) -> None:
    t, columns = bake(noise_k=0.01)
    columns["core left"][1000:] = columns["core left"][1000]
    columns["core centre"] = np.minimum(columns["core centre"], 98.4)  # held by boiling
    spans = check_run(make_run(t, columns))
    (flat,) = of(spans, "core left", "flat-line")
    assert flat.severity is Severity.BAD
    assert abs(flat.from_s - 1000.0) <= 3.0
    assert flat.to_s == t[-1]
    assert [s for s in spans if s.channel != "core left"] == []


@pytest.mark.parametrize(("at_c", "flagged"), [(1372.0, True), (-80.0, True), (23.0, False)])
def test_one_number_from_beginning_to_end_is_no_reading(
    bake: Bake, make_run: MakeRun, *, at_c: float, flagged: bool
) -> None:
    t, columns = bake()
    pair = {"air left": columns["air left"], "stuck": np.full(t.size, at_c)}
    flat = of(check_run(make_run(t, pair)), "stuck", "flat-line")
    assert bool(flat) is flagged
    if flagged:
        assert (flat[0].from_s, flat[0].to_s) == (t[0], t[-1])
        assert flat[0].severity is Severity.BAD


def test_channel_that_loses_its_noise_is_a_flat_line(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake(noise_k=0.3)
    columns["core left"][2200:2280] = columns["core left"][2200]
    (flat,) = of(check_run(make_run(t, columns)), "core left", "flat-line")
    assert (flat.from_s, flat.to_s) == (2200.0, 2279.0)


def test_channel_that_never_answers_the_heat_is_in_doubt(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, bake_channels: tuple[Channel, ...]
) -> None:
    t, columns = bake()
    rng = np.random.default_rng(2)
    columns["surface left"] = np.round(27.0 + rng.normal(0, 0.05, t.size), 1)
    run = make_run(t, columns)
    (dead,) = of(check_run(run, make_plan(bake_channels)), "surface left", "flat-line")
    assert dead.severity is Severity.DOUBT
    (unknown,) = of(check_run(run), "surface left", "flat-line")
    assert unknown.severity is Severity.REMARK  # it might be an ambient sensor


def test_reversed_leads(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    columns["surface right"] = 50.0 - columns["surface right"]  # mirrored about 25 °C
    spans = check_run(make_run(t, columns))
    (found,) = of(spans, "surface right", "reversed")
    assert found.severity is Severity.BAD
    assert (found.from_s, found.to_s) == (0.0, t[-1])
    assert {s.channel for s in spans} == {"surface right"}


def test_jump_and_back_and_jump_that_stays(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    columns["core left"][1200:1260] -= 35.0
    columns["surface left"][1500:] += 40.0
    spans = check_run(make_run(t, columns))
    (there_and_back,) = of(spans, "core left", "implausible-rate")
    assert (there_and_back.from_s, there_and_back.to_s) == (1200.0, 1259.0)
    assert there_and_back.severity is Severity.BAD
    (stays,) = of(spans, "surface left", "implausible-rate")
    assert (stays.from_s, stays.to_s, stays.severity) == (1500.0, t[-1], Severity.DOUBT)


def test_leads_that_touch_show_the_terminals(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    rng = np.random.default_rng(9)
    columns["surface left"][1500:] = np.round(27.0 + rng.normal(0, 0.05, t.size - 1500), 1)
    (found,) = of(check_run(make_run(t, columns)), "surface left", "implausible-rate")
    assert (found.from_s, found.to_s, found.severity) == (1500.0, t[-1], Severity.BAD)


def _survey(seed: int = 5, minutes: float = 60.0) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Nine sensors of a chamber that has settled."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, minutes * 60.0, 2.0)
    wave = 0.3 * np.sin(2 * np.pi * t / 200.0)
    return t, {
        f"p{i}": np.round(180.0 + 0.4 * (i - 4) + wave + rng.normal(0, 0.05, t.size), 1)
        for i in range(9)
    }


def test_drift_against_company_that_holds_still(make_run: MakeRun) -> None:
    t, columns = _survey()
    assert check_run(make_run(t, columns)) == ()
    columns["p3"] = np.round(columns["p3"] - 16.0 * t / 3600.0, 1)
    found = check_run(make_run(t, columns))
    assert {(s.channel, s.check, s.severity) for s in found} == {("p3", "drift", Severity.DOUBT)}


def test_module_step_is_the_reference_junction(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, bake_channels: tuple[Channel, ...]
) -> None:
    t, columns = bake()
    for name in columns:
        if "right" in name:
            columns[name][1300:] += 1.5
    spans = check_run(make_run(t, columns), make_plan(bake_channels))
    assert {s.channel for s in spans} == {"air right", "surface right", "core right"}
    assert {(s.check, s.severity) for s in spans} == {("module-step", Severity.DOUBT)}
    assert all(abs(s.from_s - 1300.0) <= 3.0 for s in spans)
    assert all("gateway B" in s.reason for s in spans)


def test_all_channels_stepping_is_no_module(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, bake_channels: tuple[Channel, ...]
) -> None:
    t, columns = bake()
    for value in columns.values():
        value[1300:] += 1.5
    assert (
        of(check_run(make_run(t, columns), make_plan(bake_channels)), "core left", "module-step")
        == []
    )


def test_ambient_disagreement_at_the_start(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, bake_channels: tuple[Channel, ...]
) -> None:
    t, columns = bake()
    columns["core left"] = columns["core left"] + 6.0
    (found,) = of(
        check_run(make_run(t, columns), make_plan(bake_channels)),
        "core left",
        "ambient-disagreement",
    )
    assert found.severity is Severity.DOUBT
    assert found.from_s == 0.0


def wrong(value_c: FloatArray, *, wire: str, recorded: str, reference_c: float) -> FloatArray:
    """What an instrument set to one type shows for a wire of another."""
    shown: FloatArray = thermocouple.restate(
        value_c, recorded_as=wire, actual=recorded, reference_c=reference_c
    )
    return np.round(shown, 1)


@pytest.mark.parametrize("wire", ["K", "J", "N", "E"])
@pytest.mark.parametrize("name", ["core left", "core right"])
def test_wrong_wire_in_a_core_is_suspected_and_named(
    *,
    bake: Bake,
    make_run: MakeRun,
    make_plan: MakePlan,
    bake_channels: tuple[Channel, ...],
    name: str,
    wire: str,
) -> None:
    t, columns = bake(step_k=0.0)
    columns = {k: np.round(v, 1) for k, v in columns.items()} | {
        name: wrong(columns[name], wire=wire, recorded="T", reference_c=27.0)
    }
    spans = check_run(make_run(t, columns), make_plan(bake_channels))
    (found,) = of(spans, name, "wrong-type")
    assert found.severity is Severity.DOUBT
    assert f"type {wire} wire recorded as T" in found.reason
    assert {s.channel for s in spans} == {name}


@pytest.mark.parametrize("late_s", [60.0, 200.0, 400.0])
def test_core_that_is_merely_slower_is_no_wrong_type(
    bake: Bake,
    make_run: MakeRun,
    make_plan: MakePlan,
    bake_channels: tuple[Channel, ...],
    late_s: float,
) -> None:
    t, columns = bake()
    columns["core left"] = np.interp(t - late_s, t, columns["core left"])
    assert check_run(make_run(t, columns), make_plan(bake_channels)) == ()


def test_type_t_wire_recorded_as_k_is_odd_even_without_a_plan(
    bake: Bake, make_run: MakeRun
) -> None:
    t, columns = bake(step_k=0.0)
    columns = {k: np.round(v, 1) for k, v in columns.items()} | {
        "core left": wrong(columns["core left"] + 0.5, wire="T", recorded="K", reference_c=25.0)
    }
    found = of(check_run(make_run(t, columns)), "core left", "wrong-type")
    assert [s.severity for s in found] == [Severity.REMARK]
    assert "type T wire recorded as K" in found[0].reason


def test_bits_are_single_and_names_plain() -> None:
    bits = [c.bit for c in HEALTH_TABLE]
    assert len(set(bits)) == len(bits)
    assert all(b & (b - 1) == 0 and 0 < b < 2**32 for b in bits)
    page = health_page()
    for row in HEALTH_TABLE:
        assert f"## {row.name}\n\n{row.meaning}" in page
        assert row.remedy in page


def test_empty_short_and_lonely_channels_do_not_trip(make_run: MakeRun) -> None:
    t = np.arange(3.0)
    assert check_run(make_run(t, {"a": np.array([20.0, 20.1, 20.2])})) == ()
    (nothing,) = check_run(make_run(t, {"a": np.full(3, np.nan)}))
    assert (nothing.check, nothing.severity) == ("gap", Severity.BAD)
    one = Series(np.array([0], dtype=np.int64), np.array([21.0]), np.zeros(1, dtype=np.uint8))
    none = Series(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=np.uint8))
    spans = check_run(Run(id="x", series={"one": one, "none": none}))
    assert [(s.channel, s.check) for s in spans] == [("none", "gap")]


def test_time_before_zero_and_uneven_steps_are_no_fault(bake: Bake, make_run: MakeRun) -> None:
    t, columns = bake()
    rng = np.random.default_rng(4)
    uneven = np.cumsum(rng.uniform(0.6, 1.2, t.size)) - 82.0
    stretched = {k: np.interp(uneven, t, v) for k, v in columns.items()}
    rounded = {k: np.round(v, 1) for k, v in stretched.items()}
    assert check_run(make_run(uneven, rounded)) == ()
