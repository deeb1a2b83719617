"""Run to profile: what is kept, what goes, and how far each channel may be off."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.conditioning.align import align
from ovenwright.conditioning.condition import condition
from ovenwright.conditioning.health import HEALTH_TABLE
from ovenwright.conditioning.traces import find_resolution_k, noise_levels_k, swings
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import (
    Certificate,
    ChamberOven,
    Channel,
    CorrectionPoint,
    Place,
    Plan,
    Product,
    Recording,
    SensorType,
    Site,
    Transmitter,
)
from ovenwright.domain.profile import Distribution, ErrorTerm, Profile, Scope, Severity
from ovenwright.domain.run import Quality, Role, Run, Series
from ovenwright.errors import TooLittleData
from ovenwright.physics import thermocouple

Bake = Callable[..., tuple[FloatArray, dict[str, FloatArray]]]
MakeRun = Callable[..., Run]
MakePlan = Callable[..., Plan]

BIT = {c.name: c.bit for c in HEALTH_TABLE}


def channel(name: str, **more: object) -> Channel:
    given: dict[str, object] = {
        "name": name,
        "sensor": SensorType.T,
        "tolerance": "IEC 60584-1 class 1",
        "role": Role.CORE,
    }
    return Channel.model_validate(given | more)


def term(profile: Profile, name: str, source: str) -> ErrorTerm:
    (found,) = [t for t in profile.errors[profile.index(name)] if t.source == source]
    return found


def test_shared_axis_is_laid_side_by_side_and_raw_stays(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, bake_channels: tuple[Channel, ...]
) -> None:
    t, columns = bake()
    columns["core left"][700] += 30.0
    run = make_run(t, columns)
    before = {k: s.value_c.copy() for k, s in run.series.items()}
    profile = condition(run, make_plan(bake_channels))
    assert profile.names == tuple(columns)
    np.testing.assert_array_equal(profile.time_s, t)
    for i, name in enumerate(profile.names):
        np.testing.assert_array_equal(profile.raw_c[:, i], before[name])
        np.testing.assert_array_equal(run.series[name].value_c, before[name])
    core = profile.index("core left")
    assert np.flatnonzero(np.isnan(profile.temp_c[:, core])).tolist() == [700]
    assert np.flatnonzero(profile.flags[:, core]).tolist() == [700]
    assert profile.flags[700, core] == BIT["spike"]
    assert profile.interval_s == 1.0
    assert profile.boiling_c == pytest.approx(99.974, abs=2e-3)  # IAPWS-95 at 101.325 kPa


def test_bad_stretch_is_taken_out_and_doubt_is_not(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, bake_channels: tuple[Channel, ...]
) -> None:
    t, columns = bake()
    columns["core left"][1200:1260] -= 35.0
    columns["surface left"][1500:] += 40.0
    profile = condition(make_run(t, columns), make_plan(bake_channels))
    core = profile.temp_c[:, profile.index("core left")]
    assert np.flatnonzero(np.isnan(core)).tolist() == list(range(1200, 1260))
    assert np.isfinite(profile.temp_c[:, profile.index("surface left")]).all()
    assert (profile.flags[1500:, profile.index("surface left")] == BIT["implausible-rate"]).all()
    assert {s.severity for s in profile.spans} == {Severity.BAD, Severity.DOUBT}


def test_channels_come_in_plan_order_by_column_and_the_rest_is_noted(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan
) -> None:
    t, columns = bake()
    plan = make_plan(
        [
            channel("heart", column="CORE LEFT "),
            channel("air left", role=Role.AIR),
            channel("not there"),
        ]
    )
    profile = condition(make_run(t, columns), plan)
    assert profile.names == ("heart", "air left", "not there")
    np.testing.assert_array_equal(profile.raw_c[:, 0], columns["core left"])
    assert np.isnan(profile.temp_c[:, 2]).all()
    (span,) = [s for s in profile.spans if s.channel == "not there"]
    assert (span.check, span.severity) == ("gap", Severity.BAD)
    assert "no column" in span.reason
    assert any("left out" in n and "core right" in n for n in profile.notes)
    assert any("not there" in n for n in profile.notes)


def test_a_column_written_with_its_unit_is_found_too(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan
) -> None:
    t, columns = bake()
    plan = make_plan(
        [channel("heart", column="Core left (°C)"), channel("b", column="air left [C]")]
    )
    profile = condition(make_run(t, columns), plan)
    np.testing.assert_array_equal(profile.raw_c[:, 0], columns["core left"])
    np.testing.assert_array_equal(profile.raw_c[:, 1], columns["air left"])


def test_a_run_with_none_of_the_channels_is_refused(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan
) -> None:
    with pytest.raises(TooLittleData, match=r"none of the plan's channels.*air left"):
        condition(make_run(*bake()), make_plan([channel("elsewhere")]))


def test_pressure_from_altitude_or_assumed_with_a_note(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, bake_channels: tuple[Channel, ...]
) -> None:
    run = make_run(*bake(minutes=15.0))
    high = condition(run, make_plan(bake_channels, site=Site(altitude_m=1000)))
    # US Standard Atmosphere 1976: 89876.3 Pa at 1000 m; IAPWS-95: 96.649 °C there
    assert high.pressure_kpa == pytest.approx(89.8763, abs=2e-3)
    assert high.boiling_c == pytest.approx(96.649, abs=3e-3)
    unknown = condition(run, make_plan(bake_channels, site=Site()))
    assert unknown.pressure_kpa == 101.325
    assert any("no pressure or altitude" in n for n in unknown.notes)


def test_certificate_is_added_and_its_uncertainty_stated(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan
) -> None:
    t, columns = bake()
    certificate = Certificate(
        number="C-17",
        points=(
            CorrectionPoint(at_c=0.0, correction_k=0.2, expanded_uncertainty_k=0.3),
            CorrectionPoint(at_c=100.0, correction_k=-0.4, expanded_uncertainty_k=0.5),
        ),
        drift_k=0.6,
    )
    plan = make_plan([channel("core left", certificate=certificate, module="m1")])
    profile = condition(make_run(t, columns), plan)
    raw = columns["core left"]
    np.testing.assert_allclose(profile.temp_c[:, 0], raw + 0.2 - 0.006 * raw, atol=1e-12)
    cert = term(profile, "core left", "calibration certificate")
    assert cert.distribution is Distribution.NORMAL
    assert float(np.interp(100.0, cert.at_c, cert.standard_k)) == pytest.approx(0.25, abs=5e-3)
    drift = term(profile, "core left", "drift since calibration")
    assert drift.standard_k == pytest.approx(np.full(drift.at_c.shape, 0.6 / np.sqrt(3.0)))
    assert {x.source for x in profile.errors[0]} == {
        "calibration certificate",
        "drift since calibration",
        "reference junction",
        "resolution",
    }


def test_error_terms_are_shared_by_the_right_draws(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan
) -> None:
    t, columns = bake()
    plan = make_plan(
        [
            channel("core left", module="m1", reference_uncertainty_k=0.2),
            channel("core right", module="m1", reference_uncertainty_k=0.2),
            channel(
                "air left",
                role=Role.AIR,
                place=Place(uncertainty_k=0.8),
                sensor=SensorType.PT100,
                tolerance="IEC 60751 A",
                time_constant_s=8.0,
            ),
            channel(
                "air right",
                role=Role.AIR,
                sensor=SensorType.TRANSMITTER,
                tolerance="",
                transmitter=Transmitter(
                    low_signal=4, low_c=0, high_signal=20, high_c=300, accuracy_k=0.9
                ),
            ),
        ]
    )
    profile = condition(make_run(t, columns), plan)
    left, right = (term(profile, n, "reference junction") for n in ("core left", "core right"))
    assert left.group == right.group == "m1"
    assert left.scope is Scope.MODULE
    own = term(profile, "core left", "sensor class")
    assert (own.scope, own.group, own.distribution) == (
        Scope.CHANNEL,
        "core left",
        Distribution.RECTANGULAR,
    )
    resolution = term(profile, "core left", "resolution")
    assert resolution.scope is Scope.READING
    assert resolution.group == ""
    assert resolution.standard_k == pytest.approx(
        np.full(resolution.at_c.shape, 0.1 / np.sqrt(12.0)), abs=1e-6
    )
    assert term(profile, "air left", "place").standard_k[0] == 0.8
    assert not [x for x in profile.errors[2] if x.source == "reference junction"]
    accuracy = term(profile, "air right", "sensor class")
    assert accuracy.standard_k[0] == pytest.approx(0.9 / np.sqrt(3.0))
    assert profile.lag_s[2] == 8.0
    assert np.isnan(profile.lag_s[0])


def test_what_nobody_stated_is_assumed_wider_and_said(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan
) -> None:
    t, columns = bake()
    profile = condition(make_run(t, columns), make_plan([channel("core left", tolerance="")]))
    assert any("IEC 60584-1 class 2 taken" in n for n in profile.notes)
    assert any("reference junction: no uncertainty given" in n for n in profile.notes)


@pytest.mark.parametrize("given_c", [None, 31.0])
def test_restated_channel_is_corrected_and_raw_kept(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, given_c: float | None
) -> None:
    t, columns = bake(step_k=0.0)
    true = columns["core left"]
    reference = 25.0 if given_c is None else given_c
    shown = thermocouple.restate(true, recorded_as="K", actual="T", reference_c=reference)
    plan = make_plan(
        [channel("core left", sensor=SensorType.K, tolerance="", recorded_as=SensorType.T)]
    )
    run = make_run(t, {"core left": shown}, reference_c=given_c)
    profile = condition(run, plan)
    np.testing.assert_allclose(profile.temp_c[:, 0], true, atol=1e-6)
    np.testing.assert_array_equal(profile.raw_c[:, 0], shown)
    assert [s.name for s in profile.steps] == ["align", "check", "restate", "take out"]
    sources = {x.source for x in profile.errors[0]}
    assert ("restatement" in sources) is (given_c is None)
    assert any("25 °C taken for the restatement" in n for n in profile.notes) is (given_c is None)


def test_restating_what_no_wire_gives_takes_the_reading_out(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan
) -> None:
    t, columns = bake()
    shown = columns["core left"]
    shown[1500:1520] = 1240.0  # as type K; far beyond what type T wire gives
    plan = make_plan([channel("core left", recorded_as=SensorType.K)])
    profile = condition(make_run(t, columns), plan)
    assert np.isnan(profile.temp_c[1500:1520, 0]).all()
    assert np.isfinite(profile.temp_c[:1500, 0]).all()
    assert (profile.flags[1500:1520, 0] & BIT["overflow"]).all()
    np.testing.assert_array_equal(profile.raw_c[:, 0], shown)


def _series(time_s: FloatArray, value_c: FloatArray) -> Series:
    return Series(
        np.round(time_s * 1e9).astype(np.int64), value_c, np.zeros(time_s.size, dtype=np.uint8)
    )


def test_unlike_axes_are_joined_by_straight_lines_but_gaps_stay() -> None:
    fast, slow = np.arange(0.0, 100.0), np.arange(0.5, 100.0, 10.0)
    quick = 2.0 * fast
    quick[40:50] = np.nan
    aligned = align(
        [_series(fast, quick), _series(slow, 3.0 * slow), None], [None, None, None], start_ns=0
    )
    assert aligned.value_c.shape == (aligned.time_s.size, 3)
    inside = (aligned.time_s >= 0.5) & (aligned.time_s <= 90.5)
    np.testing.assert_allclose(aligned.value_c[inside, 1], 3.0 * aligned.time_s[inside])
    assert np.isnan(aligned.value_c[~inside, 1]).all()
    gap = (aligned.time_s > 39.0) & (aligned.time_s < 50.0)
    assert np.isnan(aligned.value_c[gap, 0]).all()
    known = ~gap & (aligned.time_s <= 99.0)
    np.testing.assert_allclose(aligned.value_c[known, 0], 2.0 * aligned.time_s[known])
    assert np.isnan(aligned.value_c[:, 2]).all()


def test_interleaved_channels_go_on_an_even_axis() -> None:
    rng = np.random.default_rng(1)
    stamps = [np.sort(rng.uniform(0.0, 200.0, 200)) for _ in range(4)]
    aligned = align([_series(t, 5.0 + 0.1 * t) for t in stamps], [None] * 4, start_ns=0)
    assert "even axis" in aligned.how
    assert np.allclose(np.diff(aligned.time_s), aligned.interval_s)
    both = np.isfinite(aligned.value_c[:, 0])
    assert both.mean() > 0.8
    np.testing.assert_allclose(aligned.value_c[both, 0], 5.0 + 0.1 * aligned.time_s[both])


def test_a_jump_of_time_gets_an_empty_row_so_that_nothing_bridges_it() -> None:
    t = np.concatenate((np.arange(0.0, 50.0), np.arange(90.0, 120.0)))
    shared = _series(t, t.copy())
    other = Series(shared.time_ns, -t, shared.quality)
    bits = np.arange(t.size, dtype=np.uint32)
    aligned = align([shared, other], [bits, None], start_ns=0)
    assert aligned.time_s.size == t.size + 1
    assert np.all(np.diff(aligned.time_s) > 0)
    assert aligned.time_s[50] == 50.0
    assert np.isnan(aligned.value_c[50]).all()
    np.testing.assert_array_equal(np.delete(aligned.value_c[:, 0], 50), t)
    np.testing.assert_array_equal(np.delete(aligned.bits[:, 0], 50), bits)


@pytest.mark.parametrize(
    ("step_k", "expected"), [(0.1, 0.1), (0.01, 0.01), (1.0, 1.0), (1 / 18, 1 / 18), (0.25, 0.25)]
)
def test_resolution_is_found(step_k: float, expected: float) -> None:
    rng = np.random.default_rng(2)
    value = 20.0 + np.cumsum(rng.normal(0.0, 0.2, 5000))
    shown = np.round(value / step_k) * step_k
    assert find_resolution_k(shown) == pytest.approx(expected, rel=1e-4)
    shown[::700] += 17.123456  # a few strays must not hide it
    assert find_resolution_k(shown) == pytest.approx(expected, rel=1e-4)


def test_no_resolution_is_found_where_there_is_none() -> None:
    rng = np.random.default_rng(2)
    assert find_resolution_k(rng.normal(20.0, 1.0, 5000)) == 0.0
    assert find_resolution_k(np.full(100, 20.0)) == 0.0


@pytest.mark.parametrize("sigma", [0.02, 0.1, 0.5])
def test_noise_is_found_under_steep_heating_and_a_few_spikes(sigma: float) -> None:
    rng = np.random.default_rng(4)
    t = np.arange(6000.0)
    value = 200.0 * (1 - np.exp(-t / 300.0)) + rng.normal(0.0, sigma, t.size)
    value[::500] += 50.0
    assert noise_levels_k(value)[0] == pytest.approx(sigma, rel=0.1)


def test_noise_of_the_profile_leaves_the_rounding_to_the_resolution(
    bake: Bake, make_run: MakeRun, make_plan: MakePlan, bake_channels: tuple[Channel, ...]
) -> None:
    profile = condition(make_run(*bake(noise_k=0.12)), make_plan(bake_channels))
    assert profile.noise_k == pytest.approx(np.full(7, 0.12), rel=0.12)
    assert profile.resolution_k == pytest.approx(np.full(7, 0.1), abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    rate=st.floats(-20.0, 20.0),
    bend=st.floats(0.0, 0.5),
    height=st.floats(5.0, 400.0),
    at=st.integers(20, 180),
)
def test_swings_see_the_spike_and_nothing_of_the_ramp(
    rate: float, bend: float, height: float, at: int
) -> None:
    t = np.arange(200.0)
    ramp = rate * t + np.sign(rate) * bend * t**2
    assert float(swings(ramp, (1, 2, 4)).max()) == 0.0
    spiked = ramp.copy()
    spiked[at] += height + 6.0 * (abs(rate) + 500.0 * bend)
    seen = swings(spiked, (1, 2, 4))
    assert int(np.argmax(seen)) == at
    assert seen[at] >= height


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.0, 0.6))
def test_whatever_comes_raw_is_kept_and_the_profile_is_no_longer_than_it(
    seed: int, share: float
) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 120))
    t = np.sort(rng.choice(5000, n, replace=False)).astype(np.float64)
    value = rng.normal(80.0, 10.0 ** rng.uniform(-2, 3), n)
    value[rng.random(n) < share] = np.nan
    quality = np.where(np.isfinite(value), 0, int(Quality.OVERFLOW)).astype(np.uint8)
    series = Series(np.round(t * 1e9).astype(np.int64), value, quality)
    run = Run(id="any", series={"a": series, "b": series})
    plan = Plan(
        title="any",
        oven=ChamberOven(kind="chamber", name="o", width_m=1, depth_m=1, height_m=1),
        product=Product(name="p"),
        recording=Recording(interval_s=1),
        channels=(channel("a"), channel("b", role=Role.AIR)),
    )
    kept = value.copy()
    profile = condition(run, plan)
    np.testing.assert_array_equal(value, kept)
    there = np.isfinite(profile.raw_c[:, 0])
    np.testing.assert_array_equal(profile.raw_c[there, 0], kept[np.isfinite(kept)])
    unbad = np.isfinite(profile.temp_c[:, 0])
    np.testing.assert_array_equal(profile.temp_c[unbad, 0], profile.raw_c[unbad, 0])
    assert np.all(np.diff(profile.time_s) > 0)
    for span in profile.spans:
        assert 0.0 <= span.from_s <= span.to_s <= (t[-1] - t[0]) + 1e-9
