"""Why one place is later than another, on bodies whose difference is known."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.domain.arrays import FloatArray
from ovenwright.errors import TooLittleData
from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import draw_prior
from ovenwright.modelling.explaining import Explained, explain, pair_up, passed_s
from ovenwright.modelling.fitting import fit
from ovenwright.modelling.heating import Heating, Line, begin
from ovenwright.physics.body_march import march
from ovenwright.physics.body_marched import Marched
from ovenwright.physics.body_parameters import BodyParameters
from ovenwright.physics.body_surroundings import Surroundings

TIME_S: FloatArray = np.arange(0.0, 1500.0, 5.0)
KNOWN = {"heat_capacity_j_m3_k": 2.2e6, "half_size_m": 0.012, "shape": 1.0, "position": 0.0005}


def marched(air_c: float, h: float, start_c: float) -> Marched:
    """Bake a dry cylinder of 12 mm radius; walls as warm as the air."""
    body = BodyParameters(
        half_size_m=0.012,
        shape=1.0,
        conductivity_w_m_k=0.3,
        heat_capacity_j_m3_k=2.2e6,
        coefficient_w_m2_k=h,
        emissivity=0.8,
    )
    around = Surroundings(TIME_S, np.full(TIME_S.size, air_c))
    return march(body, around, start_c=start_c, out_times_s=TIME_S)


def baked(*, air_c: float, h: float, start_c: float = 25.0) -> FloatArray:
    return np.asarray(marched(air_c, h, start_c).temp_c[:, 0, 0])


def truth_kj_m2(air_c: float) -> float:
    return float(marched(air_c, 12.0, 25.0).heat_j_m2[-1, 0]) / 1e3


def place(name: str, core_c: FloatArray, air_c: float) -> Heating:
    air = Line("air " + name, TIME_S, np.full(TIME_S.size, air_c), noise_k=0.1)
    return begin("two places", air, (Line(name, TIME_S, core_c),), until_s=1495.0, load_in_s=0.0)


def told(slow: Heating, other: Heating, temp_c: float) -> Explained:
    prior = draw_prior(1500, seed=1, knots=len(KNOTS), kinds="dry", known=KNOWN)
    pair = pair_up(fit(slow, prior, cast=100, all_channels=True), other)
    parts = [("first half", 0.0, 750.0), ("second half", 750.0, 1495.0)]
    return explain(pair, temp_c, zones=parts)


@pytest.fixture(scope="module")
def cooler() -> Explained:
    """The same body in air of 170 and of 200 °C."""
    slow = place("right", baked(air_c=170.0, h=12.0), 170.0)
    other = place("left", baked(air_c=200.0, h=12.0), 200.0)
    return told(slow, other, 120.0)


def test_cooler_surroundings_are_named_first_with_the_delay_that_was_seen(
    cooler: Explained,
) -> None:
    # only the air differs, so all of the delay is the surroundings'
    first = cooler.held[0]
    assert first.factor == "surroundings"
    assert cooler.late_s > 60.0
    assert first.interval_90[0] <= cooler.late_s <= first.interval_90[1] or (
        abs(first.median_s - cooler.late_s) < 0.15 * cooler.late_s
    )
    assert "cooler at the slower place" in cooler.part_at


def test_what_did_not_differ_is_not_blamed(cooler: Explained) -> None:
    by = {h.factor: h for h in cooler.held}
    for factor in ("size", "sensor place", "start temperature"):
        assert abs(by[factor].median_s) < 0.15 * cooler.late_s


def test_the_cooler_place_took_up_less_heat(cooler: Explained) -> None:
    for stretch in cooler.stretches:
        assert stretch.around_k == pytest.approx(30.0)
    assert cooler.stretches[0].slow_kj_m2[1] < cooler.stretches[0].other_kj_m2[1]


def test_heat_taken_up_is_what_the_body_that_was_recorded_took_up(cooler: Explained) -> None:
    # by the conductor that made the readings: capacity is known, so only the fit can be off. Bodies
    # of a cast may stay a few kelvin short of the core, as real ones depart from the model, and
    # have taken up as much less: by what is said of nine in ten, and by the middle, nearly
    low, whole, high = (sum(s.slow_kj_m2[i] for s in cooler.stretches) for i in range(3))
    assert low < truth_kj_m2(170.0) < high
    assert whole == pytest.approx(truth_kj_m2(170.0), rel=0.08)


def test_weaker_exchange_is_told_from_surroundings() -> None:
    slow = place("right", baked(air_c=190.0, h=8.0), 190.0)
    other = place("left", baked(air_c=190.0, h=15.0), 190.0)
    why = told(slow, other, 120.0)
    assert why.held[0].factor == "exchange"
    # radiation and what the model can't follow may take a part, never most of it
    assert why.held[0].median_s > 0.5 * why.late_s
    assert why.part_at == ""


def test_a_colder_start_costs_time() -> None:
    slow = place("right", baked(air_c=190.0, h=12.0, start_c=5.0), 190.0)
    other = place("left", baked(air_c=190.0, h=12.0, start_c=30.0), 190.0)
    why = told(slow, other, 120.0)
    start = next(h for h in why.held if h.factor == "start temperature")
    assert start.clear
    assert start.median_s == pytest.approx(why.late_s, rel=0.3)


def test_a_level_that_was_never_passed_is_refused_with_what_to_do() -> None:
    one = place("right", baked(air_c=170.0, h=12.0), 170.0)
    other = place("left", baked(air_c=200.0, h=12.0), 200.0)
    assert passed_s(one, 190.0) is None
    with pytest.raises(TooLittleData, match="never seen to pass 190") as refused:
        told(one, other, 190.0)
    assert "--pass" in str(refused.value.remedy)
