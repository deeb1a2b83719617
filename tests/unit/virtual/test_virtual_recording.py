"""A whole run: plausible bread, faults where they were planted, truth worked out right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ovenwright import virtual
from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.virtual import scenarios
from ovenwright.virtual.emf import emf_mv, read_c
from ovenwright.virtual.faults import (
    Drift,
    Dropout,
    FailingJunction,
    Fault,
    ReversedLeads,
    ShortedLeads,
    Spikes,
    Stuck,
    SwappedLeads,
)
from ovenwright.virtual.instrument import NO_READING, OVER_RANGE, tolerance_k
from ovenwright.virtual.recording import Recording
from ovenwright.virtual.scenario import ModuleSpec, Scenario, SensorSpec


@pytest.fixture(scope="module")
def ostrel() -> Recording:
    return virtual.record(scenarios.ostrel_tin_bread(), seed=1)


def short(planted: tuple[Fault, ...] = (), **change: object) -> Scenario:
    """A quick passage through the same oven, for what needs no bread."""
    base = scenarios.ostrel_tin_bread(wrong_type=None, dropout=None, faults=planted, fine=False)
    quick = replace(
        base,
        oven=scenarios.ostrel_tunnel(bake_min=5.0),
        product=scenarios.rye_tin_loaf(fine=False),
        lead_s=40.0,
        tail_s=40.0,
    )
    return replace(quick, **change)  # type: ignore[arg-type]


# -- the demo run ---------------------------------------------------------------------------------


def test_rye_loaf_bakes_like_bread(ostrel: Recording) -> None:
    exit_at = ostrel.load_out_s
    for lane in ("left", "centre", "right"):
        assert ostrel.true_temperature(f"core {lane}", 0.0) == pytest.approx(29.0, abs=0.5)
        # lean and rye cores end at 95 to 98 °C, plateau from about 80 to 85 % of the bake on, 60 °C
        # at about half (common practice, no source)
        core = f"core {lane}"
        assert 96.0 < ostrel.true_temperature(core, exit_at) < 99.0
        half = (ostrel.true_crossing(core, 60.0) - ostrel.load_in_s) / (exit_at - ostrel.load_in_s)
        assert 0.45 < half < 0.62
        assert ostrel.true_maximum(core) < ostrel.boiling_c + 0.11
    for loaf in ostrel.products:
        # about 10 % when done, over 12 to 15 % overbaked (common practice, no source)
        assert 0.10 < loaf.loss_share < 0.13
        assert loaf.mass_start_kg - loaf.mass_end_kg == pytest.approx(loaf.water_lost_kg, rel=1e-9)
        assert abs(loaf.energy_error) < 1e-6
        # 0.22 MJ/kg to warm and 0.27 MJ/kg to evaporate 0.12 kg of water per kg of bread (thermal
        # balance of 1.12 kg dough, cp 2.8 kJ/kg/K, 70 K), with tin and crust beside
        assert 0.4e6 < loaf.heat_taken_j / loaf.mass_end_kg < 0.65e6
        assert np.all(loaf.coldest_c <= loaf.centre_c + 1e-9)
    # a crust is well above boiling and below the oven
    assert 120.0 < ostrel.true_maximum("surface left") < 190.0


def test_weak_burner_shows_in_zone_3(ostrel: Recording) -> None:
    def split(role: str, zone: str) -> float:
        return ostrel.true_zone_mean(f"{role} left", zone) - ostrel.true_zone_mean(
            f"{role} right", zone
        )

    assert split("air", "zone 3") > 10.0
    assert split("surface", "zone 3") > 4.0
    assert abs(split("air", "zone 1")) < 2.0
    later = ostrel.true_crossing("core right", 95.0) - ostrel.true_crossing("core left", 95.0)
    assert 2.0 < later < 60.0
    mended = virtual.record(scenarios.ostrel_tin_bread(weak_share=1.0, fine=False), seed=1)
    assert mended.true_zone_mean("air left", "zone 3") == pytest.approx(
        mended.true_zone_mean("air right", "zone 3"), abs=1.5
    )


def test_wrong_type_reads_as_the_functions_say(ostrel: Recording) -> None:
    i = ostrel.index("core left")
    at = int(ostrel.load_out_s / 2.0)
    true = ostrel.junction_c[at, i]
    volts = emf_mv(true, "K") - emf_mv(ostrel.reference_true_c[at, 0], "K")
    shown = float(read_c(volts + emf_mv(ostrel.reference_c[at, 0], "T"), "T"))
    assert float(ostrel.reading_c[at, i]) == pytest.approx(shown, abs=1.8)
    assert true - ostrel.reading_c[at, i] > 2.0
    # in the room it can't be told
    assert ostrel.reading_c[0, i] == pytest.approx(ostrel.tip_c[0, i], abs=1.6)


def test_planted_faults_are_listed(ostrel: Recording) -> None:
    kinds = {(p.channel, p.kind, p.from_s, p.to_s) for p in ostrel.planted}
    assert ("core left", "WrongType", 0.0, float(ostrel.time_s[-1])) in kinds
    assert ("surface right", "Dropout", 1500.0, 1540.0) in kinds
    gone = ostrel.mark[:, ostrel.index("surface right")] == NO_READING
    assert gone.sum() == 20
    assert ostrel.time_s[gone][[0, -1]].tolist() == [1500.0, 1538.0]
    assert np.isnan(ostrel.reading_c[gone, ostrel.index("surface right")]).all()
    assert np.isfinite(np.delete(ostrel.reading_c, ostrel.index("surface right"), axis=1)).all()


def test_record_spans_room_oven_room(ostrel: Recording) -> None:
    assert ostrel.time_s[0] == 0.0
    assert ostrel.load_out_s - ostrel.load_in_s == pytest.approx(34 * 60.0)
    assert ostrel.time_s[-1] == pytest.approx(ostrel.load_out_s + 360.0)
    air = ostrel.index("air left")
    assert ostrel.tip_c[:60, air] == pytest.approx(26.0, abs=0.3)
    assert ostrel.tip_c[-60:, air] == pytest.approx(26.0, abs=0.3)
    assert [z.name for z in ostrel.zones] == ["zone 1", "zone 2", "zone 3", "zone 4"]
    assert ostrel.zones[2].from_s == pytest.approx(240.0 + 2040.0 / 2)


# -- truth by brute force against closed forms ------------------------------------------------------


def test_equivalent_time_is_the_exact_integral_of_the_straight_pieces(ostrel: Recording) -> None:
    t, y = ostrel.fine_time_s, ostrel.truth("core centre")
    b = np.log(10.0) / 7.0
    rise = b * np.diff(y)
    rate = np.exp(b * (y - 70.0))
    growth = np.where(np.abs(rise) > 1e-9, np.expm1(rise) / np.where(rise == 0, 1, rise), 1.0)
    exact = float(np.sum(rate[:-1] * growth * np.diff(t)))
    assert ostrel.true_equivalent_time("core centre", 70.0, 7.0) == pytest.approx(exact, rel=1e-6)
    logs = ostrel.true_log_reduction("core centre", d_ref_s=20.0, reference_c=70.0, z_k=7.0)
    assert logs == pytest.approx(exact / 20.0, rel=1e-6)


def test_truth_of_simple_quantities(ostrel: Recording) -> None:
    name = "core right"
    at = ostrel.true_crossing(name, 60.0)
    assert ostrel.true_temperature(name, at) == pytest.approx(60.0, abs=1e-9)
    back = ostrel.true_crossing("reference body", 180.0, rising=False)
    up = ostrel.true_crossing("reference body", 180.0)
    assert ostrel.true_time_above("reference body", 180.0) == pytest.approx(back - up, abs=0.3)
    assert np.isnan(ostrel.true_crossing(name, 150.0))
    low, high = ostrel.true_minimum(name), ostrel.true_maximum(name)
    assert low < ostrel.true_mean(name) < high
    # 1 - exp(-k t) at a rate that temperature does not change
    extent = ostrel.true_extent(name, rate_per_s=1e-3, activation_j_mol=0.0, from_s=0, to_s=500)
    assert extent == pytest.approx(1 - np.exp(-0.5), rel=1e-9)
    with pytest.raises(UnknownName):
        ostrel.true_maximum("core attic")
    with pytest.raises(UnknownName):
        ostrel.truth(name, at="guess")
    with pytest.raises(OutOfRange):
        ostrel.true_equivalent_time(name, 70.0, float("nan"))
    with pytest.raises(OutOfRange):
        ostrel.true_mean(name, from_s=1e6)


# -- seeds, scans -----------------------------------------------------------------------------------


def test_same_seed_same_recording_other_seed_another() -> None:
    one, same, other = (virtual.record(short(), seed=s) for s in (3, 3, 4))
    assert np.array_equal(one.reading_c, same.reading_c)
    assert not np.array_equal(one.reading_c, other.reading_c)
    assert one.class_errors != other.class_errors


@pytest.mark.parametrize("interval_s", [2.0, 4.0])
def test_scan_by_scan_is_the_same_run(interval_s: float) -> None:
    faults = (
        FailingJunction("air left", 60.0, every_s=20.0),
        Spikes("core left", 50.0, 300.0, count=4),
        Stuck("surface left", 100.0, 160.0),
        Dropout("core right", 90.0, 20.0),
    )
    scenario = short(faults, interval_s=interval_s)
    whole = virtual.record(scenario, seed=9)
    scans = list(virtual.iterate(scenario, seed=9))
    assert np.array_equal([s.time_s for s in scans], whole.time_s)
    assert np.array_equal(np.array([s.reading_c for s in scans]), whole.reading_c, equal_nan=True)
    assert np.array_equal(np.array([s.mark for s in scans]), whole.mark)
    assert np.array_equal(np.array([s.reference_c for s in scans]), whole.reference_c)


# -- the chain from tip to number -------------------------------------------------------------------


def clean(**change: object) -> SensorSpec:
    plain = SensorSpec(
        "probe",
        "air",
        tolerance="",
        noise_k=0.0,
        resolution_k=0.0,
        time_constant_s=0.0,
        module="still",
    )
    return replace(plain, **change)  # type: ignore[arg-type]


def one_channel(sensor: SensorSpec, faults: tuple[Fault, ...] = (), **module: object) -> Recording:
    still = ModuleSpec("still", rise_k=0.0, lag_s=0.0, offset_k=0.0)
    scenario = short(
        sensors=(sensor,),
        faults=faults,
        product=None,
        modules=(replace(still, **module),),  # type: ignore[arg-type]
    )
    return virtual.record(scenario, seed=2)


def test_perfect_chain_reads_the_truth() -> None:
    run = one_channel(clean())
    assert np.abs(run.reading_c - run.tip_c).max() < 1e-5


def test_reference_junction_error_passes_through_the_emf() -> None:
    """1 K too high at the terminals is 0.870 K at 100 °C, 0.766 K at 200 °C for type T.

    Source: ratios of sensitivity from NIST Monograph 175's reference functions.
    """
    run = one_channel(clean(), offset_k=1.0)
    error = (run.reading_c - run.tip_c)[:, 0]
    near = np.abs(run.tip_c[:, 0] - 200.0) < 3.0
    assert near.any()
    assert error[near].mean() == pytest.approx(0.766, abs=0.01)


def test_slow_junction_lags_a_ramp_by_rate_times_time_constant() -> None:
    run = virtual.record(short(), seed=1)
    body = run.index("reference body")
    assert run.channels[body].time_constant_s == 2.0
    rate = np.gradient(run.tip_c[:, body], run.fine_time_s)
    steady = slice(100, 140)
    lag = (run.tip_c - run.junction_c)[steady, body]
    assert lag == pytest.approx(2.0 * rate[steady], rel=0.05)


def test_class_error_stays_within_tolerance_over_many_draws() -> None:
    for seed in range(200):
        chain = virtual.instrument.Instrument(
            (clean(tolerance="IEC 60584-1 class 1"),),
            (ModuleSpec("still"),),
            (),
            seed=seed,
            end_s=1.0,
        )
        at = np.linspace(-40.0, 350.0, 79)
        bound = tolerance_k(at, wire="T", name="IEC 60584-1 class 1")
        assert np.all(np.abs(chain.class_error_k(0, at)) <= bound + 1e-12)


@pytest.mark.parametrize(
    ("wire", "name", "at_c", "bound_k"),
    [
        ("T", "IEC 60584-1 class 1", 100.0, 0.5),
        ("T", "IEC 60584-1 class 1", 250.0, 1.0),
        ("K", "IEC 60584-1 class 1", 250.0, 1.5),
        ("K", "IEC 60584-1 class 2", 400.0, 3.0),
        ("K", "ASTM E230 special", 100.0, 1.1),
        ("Pt100", "IEC 60751 class A", 200.0, 0.55),
    ],
)
def test_tolerances_are_the_standards(wire: str, name: str, at_c: float, bound_k: float) -> None:
    """IEC 60584-1:2013, ASTM E230 Table 1, IEC 60751: printed or worked from the printed rule."""
    assert float(tolerance_k(np.array(at_c), wire=wire, name=name)) == pytest.approx(bound_k)


def test_resolution_and_noise() -> None:
    run = one_channel(clean(resolution_k=0.5, noise_k=0.3))
    assert run.reading_c * 2 == pytest.approx(np.round(run.reading_c * 2))
    fine = one_channel(clean(noise_k=0.3))
    room = fine.time_s < 30.0
    assert (fine.reading_c - fine.tip_c)[room].std() == pytest.approx(0.3, rel=0.6)


def test_reversed_leads_mirror_about_the_terminals() -> None:
    # true 50 °C, terminals at 25 °C: type T swapped at the instrument shows -1.34 °C (worked out from
    # NIST Monograph 175's reference functions)
    run = one_channel(clean(), (ReversedLeads("probe"),))
    true, shown = run.tip_c[:, 0], run.reading_c[:, 0]
    order = np.argsort(true)
    at_50 = np.interp(50.0, true[order], shown[order])
    assert at_50 == pytest.approx(-1.34, abs=0.3)
    hot = true > 150.0
    assert np.all(np.isnan(shown[hot]) | (shown[hot] < 0.0))
    assert np.all(run.mark[np.isnan(run.reading_c)] == OVER_RANGE)


def test_shorted_leads_show_the_terminals() -> None:
    run = one_channel(clean(), (ShortedLeads("probe", 100.0),))
    after = run.time_s >= 100.0
    assert run.reading_c[after, 0] == pytest.approx(25.0, abs=1e-3)


def test_other_faults_do_what_they_say() -> None:
    faults = (
        SwappedLeads("core left", "air left"),
        Stuck("surface left", 100.0, 200.0),
        Drift("core right", 40.0, 360.0),
        Spikes("core centre", 50.0, 300.0, count=5, size_k=60.0),
        FailingJunction("air right", 100.0, every_s=15.0),
    )
    broken, sound = (virtual.record(short(f), seed=5) for f in (faults, ()))
    left, air = broken.index("core left"), broken.index("air left")
    assert broken.reading_c[:, left] == pytest.approx(sound.reading_c[:, air], abs=1.0)
    held = (broken.time_s >= 100.0) & (broken.time_s <= 200.0)
    assert np.unique(broken.reading_c[held, broken.index("surface left")]).size == 1
    crept = broken.reading_c - sound.reading_c
    assert crept[-1, broken.index("core right")] == pytest.approx(
        0.1 * (broken.time_s[-1] - 40.0), abs=0.11
    )
    jumps = np.abs(crept[:, broken.index("core centre")])
    assert np.sum(jumps > 30.0) == 5
    wild = crept[:, broken.index("air right")]
    assert np.nanmax(np.abs(wild[broken.time_s < 100.0])) < 0.11
    assert np.isnan(wild).any()
    assert np.nanstd(wild[broken.time_s > 100.0]) > 5.0


def test_misplaced_probe_feels_another_place() -> None:
    base = scenarios.ostrel_tin_bread(wrong_type=None, dropout=None, fine=False)
    sensors = tuple(replace(s, off_r_m=0.015) if s.name == "core left" else s for s in base.sensors)
    run = virtual.record(replace(base, sensors=sensors), seed=1)
    at = run.true_crossing("core left", 60.0, at="ideal")
    assert run.true_temperature("core left", at) > 62.0
    assert run.true_crossing("core centre", 60.0) == run.true_crossing(
        "core centre", 60.0, at="ideal"
    )
    assert [p.kind for p in run.planted] == ["Misplaced"]


# -- chambers and draws -----------------------------------------------------------------------------


def test_survey_heats_soaks_and_recovers() -> None:
    run = virtual.record(scenarios.ostrel_coatings_survey(failing="P3 back left low"), seed=1)
    assert len(run.names) == 9
    soak = {name: run.true_mean(name, from_s=4000.0, to_s=5300.0) for name in run.names}
    assert np.mean(list(soak.values())) == pytest.approx(200.0, abs=6.0)
    assert 2.0 < max(soak.values()) - min(soak.values()) < 12.0
    assert run.true_minimum(run.names[0], from_s=5400.0, to_s=5500.0) < 170.0
    assert run.true_temperature(run.names[0], 6500.0) == pytest.approx(soak[run.names[0]], abs=5.0)
    bad = run.index("P3 back left low")
    broken = (run.mark[:, bad] == OVER_RANGE) & (run.time_s > 4200.0)
    assert broken.any()
    assert not (run.mark[run.time_s < 4200.0] != 0).any()


def test_chamber_air_sensor_sees_the_walls_and_stays_where_it_is() -> None:
    base = replace(scenarios.ostrel_coatings_survey(), stay_s=600.0, tail_s=0.0)
    seeing = replace(base.sensors[0], wall_share=0.5, time_constant_s=0.0)
    run = virtual.record(replace(base, sensors=(seeing,)), seed=1)
    # while it heats the walls are far behind the air
    late = run.fine_time_s > 400.0
    assert np.all(run.junction_c[late, 0] < run.tip_c[late, 0] - 3.0)
    with pytest.raises(OutOfRange, match="another point"):
        virtual.record(replace(base, sensors=(replace(seeing, off_lane=0.1),)), seed=1)


def test_random_surveys_differ() -> None:
    one, two = scenarios.random_survey(1), scenarios.random_survey(2)
    assert one == scenarios.random_survey(1)
    assert one.oven != two.oven
    assert one.sensors[0].time_constant_s != two.sensors[0].time_constant_s


def test_brackets_cure_and_the_thick_flange_lags() -> None:
    run = virtual.record(scenarios.ostrel_bracket_cure(), seed=1)
    web, flange = (run.true_crossing(f"{w} centre", 180.0) for w in ("web", "flange"))
    assert run.load_in_s < web < flange < run.load_out_s
    assert run.true_time_above("flange front left low", 180.0) > 600.0
    assert all(abs(p.energy_error) < 1e-6 for p in run.products)
    assert run.true_maximum("web centre") < 215.0


def test_random_scenarios_differ_and_run() -> None:
    one, two = scenarios.random_scenario(1), scenarios.random_scenario(2)
    assert one == scenarios.random_scenario(1)
    assert one.pressure_kpa != two.pressure_kpa
    assert one.oven != two.oven
    run = virtual.record(two, seed=2)
    assert run.planted == ()
    assert 90.0 < run.true_maximum("core centre") < run.boiling_c + 0.2
    rough = scenarios.random_scenario(3, sound=False)
    assert len(rough.faults) == 1
    assert any(s.set_as == "T" and s.wire == "K" for s in rough.sensors)


@pytest.mark.parametrize(
    ("change", "error"),
    [
        ({"interval_s": 3.0}, OutOfRange),
        ({"product_step_s": 3.0}, OutOfRange),
        ({"sensors": ()}, OutOfRange),
        ({"faults": (Dropout("attic", 10.0),)}, UnknownName),
        ({"modules": (ModuleSpec("other"),)}, UnknownName),
    ],
)
def test_scenario_refuses_nonsense(change: dict[str, object], error: type[Exception]) -> None:
    with pytest.raises(error):
        short(**change)  # type: ignore[arg-type]


def test_fault_after_the_end_is_refused() -> None:
    with pytest.raises(OutOfRange, match="length of the record"):
        virtual.record(short((Dropout("core left", 1e5),)), seed=1)


def test_sensor_refuses_nonsense() -> None:
    for change in (
        {"role": "roof"},
        {"wire": "Z"},
        {"lane": "upper"},
        {"wire": "Pt100", "set_as": "T"},
        {"class_error": (0.9, 0.3)},
        {"time_constant_s": -1.0},
    ):
        with pytest.raises((OutOfRange, UnknownName)):
            clean(**change)
