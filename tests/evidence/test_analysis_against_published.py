"""Analysis against published examples and rules: lag, sampling, lumped bodies, heat, surveys."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ovenwright.analysis.curve import Curve, cut
from ovenwright.analysis.draws import ChannelErrors, Draws
from ovenwright.analysis.extremes import find_highest
from ovenwright.analysis.levels import find_passage
from ovenwright.analysis.measures.energy import heat_taken_up
from ovenwright.analysis.surroundings import BodyHistory, biot_number, coefficient_within
from ovenwright.analysis.uniformity import Survey
from ovenwright.analysis.work import Arrhenius, Bigelow, add_up
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Body
from ovenwright.physics.water import latent_heat_j_kg


def curve_of(time_s: FloatArray, temp_c: FloatArray, interval_s: float) -> Curve:
    return cut(
        time_s, temp_c, from_s=float(time_s[0]), to_s=float(time_s[-1]), interval_s=interval_s
    )


def errors(*, lag_s: float = math.nan, count: int = 20_000) -> ChannelErrors:
    return ChannelErrors("a", (), Draws(count, seed=1), lag_s=lag_s)


# --- lag of a first-order sensor: closed solutions of tau dT/dt = T_true - T -------------------


def test_lag_on_a_ramp_bounds_the_true_moment() -> None:
    # 10 °C/min and tau 10 s: 1.667 K low in the end, 1.655 K after 5 tau (closed solution)
    rate, tau = 10.0 / 60.0, 10.0
    t = np.arange(0.0, 400.0)
    truth = 20.0 + rate * t
    shown = truth - rate * tau * (1.0 - np.exp(-t / tau))
    assert truth[-1] - shown[-1] == pytest.approx(1.667, abs=5e-4)
    assert truth[50] - shown[50] == pytest.approx(1.655, abs=5e-4)
    passage = find_passage(curve_of(t, shown, 1.0), 60.0, errors(lag_s=tau))
    true_moment = 40.0 / rate
    assert passage.at_s - true_moment == pytest.approx(tau, abs=1e-3)
    assert passage.draws_s.min() == pytest.approx(true_moment - 0.05 * tau, abs=0.01)
    assert np.percentile(passage.draws_s, 2.5) <= true_moment
    assert passage.draws_s.max() <= passage.at_s


def test_lag_on_a_sine_hides_no_more_of_the_peak_than_the_draws_allow() -> None:
    # period 60 s, tau 10 s: amplitude 0.6906 of the truth, 7.72 s late (closed solution)
    tau, w = 10.0, 2.0 * math.pi / 60.0
    gain, delay = 1.0 / math.hypot(1.0, w * tau), math.atan(w * tau) / w
    assert (gain, delay) == pytest.approx((0.6906, 7.72), abs=5e-3)
    t = np.arange(0.0, 600.0, 0.5)
    shown = 150.0 + 20.0 * gain * np.sin(w * (t - delay))
    top = find_highest(curve_of(t, shown, 0.5), errors(lag_s=tau))
    assert top.value_c == pytest.approx(150.0 + 20.0 * gain, abs=0.01)
    assert top.draws_c.max() == pytest.approx(170.0, abs=0.4)  # T + tau dT/dt is the truth
    assert top.draws_c.min() == pytest.approx(top.value_c, abs=0.05)


# --- sampling ----------------------------------------------------------------------------------


def test_a_step_between_two_readings_is_uncertain_by_the_interval_over_root_twelve() -> None:
    # a moment known only to lie in an interval: dt/sqrt(12) (JCGM 100:2008, 4.3.7)
    t = np.arange(0.0, 200.0, 4.0)
    y = np.where(t < 98.0, 20.0, 180.0)
    passage = find_passage(curve_of(t, y, 4.0), 100.0, errors())
    assert float(np.std(passage.draws_s)) == pytest.approx(4.0 / math.sqrt(12.0), rel=0.02)
    assert passage.at_s == pytest.approx(98.0)


def test_on_a_smooth_curve_a_straight_line_misplaces_a_moment_by_less_than_is_drawn() -> None:
    # error of a straight line at most dt^2 max|T''| / 8 (the usual interpolation bound)
    tau, dt = 20.0, 5.0
    for shift in np.linspace(0.0, dt, 11):
        t = np.arange(0.0, 120.0, dt) + shift
        y = 220.0 - 200.0 * np.exp(-t / tau)
        truth = -tau * math.log(120.0 / 200.0)
        passage = find_passage(curve_of(t, y, dt), 100.0, errors())
        allowed = float(np.abs(passage.draws_s - passage.at_s).max())
        assert abs(passage.at_s - truth) <= allowed
        assert allowed < 0.25 * dt


# --- lethality through the measures' own path ---------------------------------------------------


def test_printed_canning_example_integrated_along_straight_lines() -> None:
    # temperatures printed in Food Biochemistry and Food Processing 2e (2012), Table 38.4; the
    # table's own rule is the trapezoid (15.80 min). Straight lines between readings: 14.703 min
    # (computed; the exact rule is ours)
    printed_f = (62, 71, 99, 134, 171, 202, 231, 241, 247, 248, 250, 250, 231, 181, 137, 97)
    t = np.arange(0.0, 240.0 * len(printed_f), 240.0)
    y = (np.array(printed_f, dtype=np.float64) - 32.0) / 1.8
    work = add_up(curve_of(t, y, 240.0), Bigelow((250.0 - 32.0) / 1.8, 10.0), errors())
    assert work.total / 60.0 == pytest.approx(14.703, abs=5e-4)


def test_crust_browning_kinetics() -> None:
    # Zanoni, Peri & Bruno 1995 (abstract): k0 42000 1/s, Ea 64151 J/mol; half of the final
    # colour difference after 41.9 s at 250 °C (computed from them)
    t = np.arange(0.0, 42.0, 0.1)
    work = add_up(curve_of(t, np.full(t.size, 250.0), 0.1), Arrhenius(42_000.0, 64_151.0), errors())
    assert -math.expm1(-work.total * 41.9 / t[-1]) == pytest.approx(0.5, abs=1e-3)


# --- lumped bodies ------------------------------------------------------------------------------


def test_lumped_aluminium_gives_back_its_coefficient_and_biot_number() -> None:
    # Cengel & Ghajar, Heat and Mass Transfer, ch. 4 case: k 180, rho 2800, c 880, h 53, A 2 m2,
    # V 0.02 m3, 700 °C into 15 °C: 617.062 °C after 60 s, Bi 0.0029444
    body = Body(
        mass_kg=2800.0 * 0.02,
        heat_capacity_j_kg_k=880.0,
        area_m2=2.0,
        conductivity_w_m_k=180.0,
        volume_m3=0.02,
    )
    tau = body.mass_kg * 880.0 / (53.0 * 2.0)
    t = np.arange(0.0, 601.0)
    y = 15.0 + 685.0 * np.exp(-t / tau)
    assert y[60] == pytest.approx(617.062, abs=1e-3)
    half = 5
    slope = np.gradient(y, t)
    history = BodyHistory(
        t, y, slope, np.full(t.size, 15.0), body.mass_kg * 880.0 / 2.0, "air", half
    )
    h, scatter, _, reason = coefficient_within(history, 0.0, 600.0)
    assert not reason
    assert h == pytest.approx(53.0, rel=1e-3)
    assert scatter < 0.05
    assert biot_number(body, 53.0) == pytest.approx(0.0029444, rel=1e-4)


@pytest.mark.parametrize(
    ("diameter_m", "k", "rho", "c", "h", "tau_s", "biot"),
    [
        # Incropera & DeWitt example 5.1 (data seen in a reprint, result from memory): tau 1 s
        (7.06e-4, 20.0, 8500.0, 400.0, 400.0, 1.0, 2.35e-3),
        # Cengel example 4-1 (reprint): 1/tau 0.463 1/s, Bi 0.001
        (1.0e-3, 35.0, 8500.0, 320.0, 210.0, 1.0 / 0.463, 1.0e-3),
    ],
)
def test_bead_examples(
    *, diameter_m: float, k: float, rho: float, c: float, h: float, tau_s: float, biot: float
) -> None:
    area = math.pi * diameter_m**2
    volume = math.pi * diameter_m**3 / 6.0
    body = Body(
        mass_kg=rho * volume, heat_capacity_j_kg_k=c, area_m2=area, conductivity_w_m_k=k,
        volume_m3=volume,
    )  # fmt: skip
    per_slope = rho * volume * c / area
    assert per_slope / h == pytest.approx(tau_s, rel=5e-3)
    assert biot_number(body, h) == pytest.approx(biot, rel=5e-3)
    t = np.arange(0.0, 8.0, 0.02) * tau_s
    y = 200.0 - 175.0 * np.exp(-t / tau_s)
    history = BodyHistory(t, y, np.gradient(y, t), np.full(t.size, 200.0), per_slope, "gas", 2.0)
    found, _, _, _ = coefficient_within(history, 0.0, float(t[-1]))
    assert found == pytest.approx(h, rel=6e-3)


def test_slug_flux_is_density_heat_times_length_times_slope() -> None:
    # ASTM E457: q = rho c l dT/dt; 8954 x 384 x 0.010 x 2 K/s = 68 766.7 W/m2 (computed)
    per_slope = 8954.0 * 384.0 * 0.010
    t = np.arange(0.0, 30.0, 0.1)
    history = BodyHistory(
        t, 20.0 + 2.0 * t, np.full(t.size, 2.0), np.full(t.size, 900.0), per_slope, "gas", 0.5
    )
    _, _, flux, _ = coefficient_within(history, 0.0, 30.0)
    assert flux == pytest.approx(68_766.7, abs=0.1)


# --- heat ----------------------------------------------------------------------------------------


def test_heat_for_a_kilogram_of_bread() -> None:
    # 1.12 kg dough at 2.8 kJ/(kg K) over 70 K: 220 kJ; 0.12 kg of water evaporated: 271 kJ
    # (computed from the usual balance; latent heat 2256.5 kJ/kg at 100 °C, IAPWS)
    warming = heat_taken_up(mass_kg=1.12, heat_capacity_j_kg_k=2800.0, rise_k=70.0)
    assert warming / 1e3 == pytest.approx(220.0, abs=0.6)
    evaporating = heat_taken_up(
        mass_kg=1.12,
        heat_capacity_j_kg_k=2800.0,
        rise_k=0.0,
        water_lost_share=0.12 / 1.12,
        latent_heat_j_kg=float(latent_heat_j_kg(100.0)),
    )
    assert evaporating / 1e3 == pytest.approx(271.0, abs=0.6)


# --- chamber survey -------------------------------------------------------------------------------


def test_survey_terms_give_the_contributions_of_the_published_chamber_budget() -> None:
    # DKD-R 5-7 (07/2004): inhomogeneity is the largest difference from the reference place and
    # instability the largest departure from the mean of at least 30 min, each the half-width of a
    # rectangular distribution; its 252 °C example prints 462 mK and 346 mK, which are half-widths
    # of 0.8 K and 0.6 K (inferred from the printed contributions)
    t = np.arange(0.0, 1801.0, 30.0)
    beat = np.where(np.arange(t.size) % 2 == 0, 0.6, -0.6)
    beat[-1] = 0.0  # an even number of beats, so that the mean is the plateau
    rows = np.stack([252.0 + beat, 252.8 + 0.5 * beat, 251.6 + 0.2 * beat])
    found = Survey(
        subjects=(), time_s=t, temp_c=rows, start_s=0.0, setpoint_c=252.0, tolerance_k=5.0,
        doors_s=(),
    )  # fmt: skip
    from_reference = np.abs(found.means_c - found.means_c[0])
    assert float(from_reference.max()) / math.sqrt(3.0) == pytest.approx(0.462, abs=5e-4)
    assert float(found.fluctuations_k[0]) / math.sqrt(3.0) == pytest.approx(0.346, abs=5e-4)
