"""Members drawn from the priors, nudged, marched."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import kstest

from ovenwright.errors import OutOfRange
from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import before, crossed, draw_prior, joined, nudged
from ovenwright.modelling.priors import KINDS, PARAMETERS, Law
from ovenwright.modelling.simulating import Simulation


def test_nudging_leaves_the_prior_as_it_is() -> None:
    ensemble = draw_prior(4096, seed=2, knots=KNOTS.size)
    rng = np.random.default_rng(3)
    moved = ensemble
    for _ in range(5):
        moved = nudged(moved, rng)
    assert not np.allclose(moved.z, ensemble.z)
    for row in moved.z:
        assert kstest(row, "norm").pvalue > 1e-4
    again = nudged(ensemble, np.random.default_rng(3))
    assert np.abs(np.corrcoef(again.z[0], ensemble.z[0])[0, 1]) > 0.8


def test_moves_along_differences_leave_the_prior_as_it_is_where_prior_odds_decide() -> None:
    now = draw_prior(4096, seed=2, knots=KNOTS.size, known={"half_size_m": 0.02})
    rng = np.random.default_rng(3)
    taken = []
    for _ in range(12):
        tried = crossed(now, now.family, rng)
        yes = np.log(rng.random(now.members)) < before(tried) - before(now)
        now = replace(now, z=np.where(yes, tried.z, now.z))
        taken.append(yes.mean())
    assert np.mean(taken) > 0.1
    for row in now.z[1:]:
        assert kstest(row, "norm").pvalue > 1e-4
    assert now.value("half_size_m") == pytest.approx(np.full(4096, 0.02))


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.name)
def test_priors_have_their_stated_middle_and_invert(kind: Any) -> None:
    for name, prior in kind.priors.items():
        assert prior.source, name
        middle = float(prior.value(np.array(0.0)))
        if prior.law is Law.LOGNORMAL:
            assert middle == pytest.approx(prior.a)
            assert prior.coordinate(2.0 * prior.a) == pytest.approx(np.log(2.0) / prior.b)
        if prior.law is Law.UNIFORM:
            assert middle == pytest.approx(0.5 * (prior.a + prior.b))
        assert np.all(np.diff(prior.value(np.linspace(-3, 3, 50))) > 0)


def test_kinds_are_as_wanted_and_known_parameters_stay() -> None:
    moist = draw_prior(500, seed=1, knots=3, kinds="moist", known={"half_size_m": 0.03})
    assert moist.moist.all()
    assert moist.value("half_size_m") == pytest.approx(np.full(500, 0.03))
    moved = nudged(moist, np.random.default_rng(1))
    assert moved.value("half_size_m") == pytest.approx(np.full(500, 0.03))
    assert not draw_prior(500, seed=1, knots=3, dry_only=True).moist.any()


def test_what_stands_around_is_as_it_is_known() -> None:
    for known in (True, False):
        bodies = draw_prior(64, seed=1, knots=KNOTS.size, in_sleeve=known)
        assert bool(np.all(bodies.sleeved == known))


def test_what_can_not_be_is_refused() -> None:
    with pytest.raises(OutOfRange, match="kind"):
        draw_prior(10, seed=1, knots=3, kinds="stone")
    with pytest.raises(OutOfRange, match="boiling"):
        draw_prior(10, seed=1, knots=3, kinds="moist", dry_only=True)
    with pytest.raises(OutOfRange, match="known"):
        draw_prior(10, seed=1, knots=3, known={"half_size_m": -1.0})


def test_a_lumped_member_follows_the_exact_exponential() -> None:
    # a metal ball so small that it heats evenly: T = Ta + (T0 - Ta) exp(-3 h t / (c R)), exact
    ensemble = draw_prior(64, seed=4, knots=3, kinds="metal")
    bare = np.flatnonzero(~ensemble.sleeved)
    z = ensemble.z.copy()
    index = {p.name: i for i, p in enumerate(PARAMETERS)}
    z[index["shape"]] = 12.0  # a sphere
    z[index["emissivity"]] = -30.0  # no radiation to speak of
    z[index["unseen_share"]] = -30.0
    z[index["half_size_m"]] = 1.5
    z[index["coefficient_w_m2_k"]] = 3.0  # 60 W/m²/K, beside which the radiation left is below 1 %
    members = replace(ensemble, z=z).take(bare)
    h, c, r = (
        members.value(n) for n in ("coefficient_w_m2_k", "heat_capacity_j_m3_k", "half_size_m")
    )
    simulation = Simulation(members, start_s=0.0, start_c=20.0, boiling_c=100.0)
    at = np.linspace(0.0, 600.0, 13)
    seen = simulation.advance(np.array([0.0, 600.0]), np.array([200.0, 200.0]), at)
    exact = 200.0 - 180.0 * np.exp(-3.0 * h * at[:, None] / (c * r))
    # evenly heated bodies only; beyond that the exact lumped answer is no answer
    biot = h * r / members.value("conductivity_w_m_k")
    even = biot < 0.02
    assert even.sum() >= 5
    assert np.abs(seen - exact)[:, even].max() < 180.0 * 0.02


def test_stopping_on_the_way_changes_little_and_members_keep_their_place() -> None:
    ensemble = draw_prior(120, seed=5, knots=3)
    time_s, around = np.array([0.0, 900.0]), np.array([30.0, 230.0])
    at = np.linspace(0.0, 900.0, 31)
    whole = Simulation(ensemble, start_s=0.0, start_c=25.0, boiling_c=100.0)
    straight = whole.advance(time_s, around, at)
    first = Simulation(ensemble, start_s=0.0, start_c=25.0, boiling_c=100.0)
    first.advance(time_s, around, at[:16])
    pick = np.array([7, 99, 7, 3])
    rest = first.take(pick).advance(time_s, around, at[15:])
    assert np.abs(rest[-1] - straight[-1][pick]).max() < 4.0
    assert joined([ensemble, ensemble]).members == 240
