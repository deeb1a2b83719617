"""Fit an ensemble of bodies to a run: which members the readings speak for, and how much they tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.modelling.departures import (
    KNOTS,
    SIZE_SHARES,
    SIZES,
    Departure,
    Windows,
    departure_at,
    learn,
)
from ovenwright.modelling.ensemble import Ensemble
from ovenwright.modelling.heating import Heating, Line, start_of
from ovenwright.modelling.observing import FIRST_SHARE, WINDOWS, observe, refusal
from ovenwright.modelling.priors import INDEX, KINDS, PARAMETERS, family_words
from ovenwright.modelling.simulating import Simulation

AHEAD_WINDOWS = 25
_GRID = 40  # times at which members are read on the way


@dataclass(frozen=True, slots=True)
class Posterior:
    """What the readings of one channel say of every member.

    ``log_weight`` (sizes, m) of size of departure and member together; ``residual_k`` (k, m) the
    channel's rise less the member's, less what a record expects of the departure; ``learnt`` one
    for each size.
    """

    core: Line
    start_c: float
    windows: Windows
    log_weight: FloatArray
    residual_k: FloatArray
    learnt: tuple[Departure, ...]
    log_ahead: FloatArray
    """(a,) ln(time) of windows ahead."""

    @property
    def share(self) -> FloatArray:
        """(sizes, m) posterior probabilities."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(weight / weight.sum())

    @property
    def effective(self) -> float:
        """Effective number of members."""
        share = self.share.sum(axis=0)
        return float(1.0 / np.sum(share * share))

    def draw(self, members: int, rng: np.random.Generator) -> tuple[IntArray, IntArray]:
        """Draw (size, member) pairs by their probability, evenly spread."""
        flat = self.share.ravel()
        points = (np.arange(members) + rng.random()) / members
        pick = np.minimum(np.searchsorted(np.cumsum(flat), points), flat.size - 1)
        pick = rng.permutation(pick)
        return np.divmod(pick, self.share.shape[1])


@dataclass(frozen=True, slots=True)
class Identified:
    """How far the readings narrowed one parameter of one channel.

    Widths are standard deviations in the coordinate in which the prior is one wide.
    """

    parameter: str
    unit: str
    words: str
    median: float
    interval_90: tuple[float, float]
    prior_90: tuple[float, float]
    kept: float
    """Posterior width over prior width; near 1 the readings told nothing."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A run fitted: the ensemble, where its members stand, and what each channel says of them."""

    heating: Heating
    ensemble: Ensemble
    simulation: Simulation
    grid_s: FloatArray
    """(g,) times since heating began at which members were read."""
    course_c: FloatArray
    """(g, m) what each member's sensor showed."""
    posteriors: dict[str, Posterior]
    refused: dict[str, str]


def fit(
    heating: Heating,
    ensemble: Ensemble,
    *,
    windows: int = WINDOWS,
    first: float = FIRST_SHARE,
    sizes: FloatArray = SIZES,
) -> Fit:
    """Weigh an ensemble by what the channels of a run show so far.

    All channels share the members; each weighs them for itself, for each sits at its own place in
    its own piece.

    Parameters
    ----------
    heating : what is known of the run
    ensemble : members from the priors, and from a product record where there is one
    windows, first : how finely the rise is looked at
    sizes : of the departure of a real body from the model

    Returns
    -------
    `Fit`; channels that can't carry a fit are in `refused` with the reason
    """
    refused = {c.name: words for c in heating.cores if (words := refusal(c, heating))}
    usable = [c for c in heating.cores if c.name not in refused]
    simulation = Simulation(
        ensemble,
        start_s=0.0,
        start_c=_inside(heating.start_c, heating.boiling_c),
        boiling_c=heating.boiling_c,
    )
    elapsed = heating.elapsed_s
    grid_s = elapsed * np.unique(
        np.concatenate([np.linspace(0.0, 1.0, _GRID), np.geomspace(0.5 * first, 1.0, windows)])
    )
    if not usable:
        return Fit(heating, ensemble, simulation, grid_s[:1], np.empty((1, 0)), {}, refused)
    time_s, around_c = past_surroundings(heating)
    course_c = simulation.advance(time_s, around_c, grid_s)
    posteriors = {
        core.name: weigh(
            core, heating, ensemble, grid_s, course_c, windows=windows, first=first, sizes=sizes
        )
        for core in usable
    }
    return Fit(heating, ensemble, simulation, grid_s, course_c, posteriors, refused)


def _inside(start_c: float, boiling_c: float) -> float:
    return float(np.clip(start_c, 0.1, boiling_c - 1.0))


def past_surroundings(heating: Heating, *, most: int = 600) -> tuple[FloatArray, FloatArray]:
    """Return the surroundings since heating began, thinned by means: (t,) s since then and (t,) °C."""
    line = heating.around
    keep = line.time_s >= heating.start_s
    time_s, temp_c = line.time_s[keep] - heating.start_s, line.temp_c[keep]
    if time_s.size > most:
        cut = np.array_split(np.arange(time_s.size), most)
        time_s = np.array([time_s[c].mean() for c in cut])
        temp_c = np.array([temp_c[c].mean() for c in cut])
    if time_s.size < 2:
        last = float(line.temp_c[-1])
        return np.array([0.0, max(heating.elapsed_s, 1.0)]), np.array([last, last])
    return time_s, temp_c


def weigh(
    core: Line,
    heating: Heating,
    ensemble: Ensemble,
    grid_s: FloatArray,
    course_c: FloatArray,
    *,
    windows: int = WINDOWS,
    first: float = FIRST_SHARE,
    sizes: FloatArray = SIZES,
) -> Posterior:
    """Weigh every member by one channel.

    Parameters
    ----------
    core : the channel
    heating : of which run
    ensemble : the members, with their weights before this channel is looked at
    grid_s, course_c : (g,) and (g, m), what the members' sensors showed
    windows, first, sizes : as in `fit`
    """
    at_s, seen = observe(core, heating, windows=windows, first=first)
    place = np.clip(np.searchsorted(grid_s, at_s, side="right") - 1, 0, grid_s.size - 2)
    share = ((at_s - grid_s[place]) / (grid_s[place + 1] - grid_s[place]))[:, None]
    start = course_c[0]
    model = (1.0 - share) * course_c[place] + share * course_c[place + 1] - start
    residual = seen.rise_k[:, None] - model
    if np.any(ensemble.origin >= 0):
        residual = residual - seen.build_up @ departure_at(ensemble.departure, seen.mid)
    log_now = np.log(max(heating.elapsed_s - core.lag_s, 0.5 * heating.elapsed_s))
    steps = np.linspace(0.0, np.log(HORIZON), AHEAD_WINDOWS)
    log_ahead = log_now + 0.5 * (steps[1:] + steps[:-1])
    learnt = tuple(learn(seen, size=float(s), ahead=log_ahead) for s in sizes)
    before = ensemble.log_weight[None, :] + np.log(SIZE_SHARES[: len(sizes)])[:, None]
    log_weight = before + np.stack([one.log_likelihood(residual) for one in learnt])
    return Posterior(core, start_of(core, heating), seen, log_weight, residual, learnt, log_ahead)


HORIZON = 8.0
"""A forecast reaches so many times as far as what is known."""


def identified(
    fitted: Fit, channel: str, *, draws: int = 400, seed: int = 0
) -> tuple[Identified, ...]:
    """Return how far a channel's readings narrowed each parameter, within its likeliest kind.

    Raises
    ------
    KeyError : for a channel without a fit
    """
    posterior = fitted.posteriors[channel]
    weight = posterior.share.sum(axis=0)
    family = likeliest_family(fitted, channel)
    mine = np.flatnonzero(fitted.ensemble.family == family)
    share = weight[mine] / weight[mine].sum()
    pick = mine[np.random.default_rng(seed).choice(mine.size, size=draws, p=share)]
    kind = KINDS[family // 2]
    out = []
    for i, parameter in enumerate(PARAMETERS):
        if parameter.name == "water_kg_m3" and not kind.moist:
            continue
        if parameter.name in ("sleeve_j_m2_k", "gap_w_m2_k", "gap_emissivity") and family % 2 == 0:
            continue
        prior = kind.priors[parameter.name]
        z = fitted.ensemble.z[i, pick]
        low, middle, high = (float(v) for v in prior.value(np.quantile(z, [0.05, 0.5, 0.95])))
        first, last = (float(v) for v in prior.value(np.array([-1.6449, 1.6449])))
        out.append(
            Identified(
                parameter.name,
                parameter.unit,
                parameter.words,
                middle,
                (low, high),
                (first, last),
                float(min(np.std(z), 1.0)),
            )
        )
    return tuple(out)


def likeliest_family(fitted: Fit, channel: str) -> int:
    """Return the family that one channel speaks for most."""
    weight = fitted.posteriors[channel].share.sum(axis=0)
    return int(np.argmax(np.bincount(fitted.ensemble.family, weights=weight)))


def kind_shares(fitted: Fit, channel: str) -> dict[str, float]:
    """Return how likely each kind of body is after the readings, in words."""
    weight = fitted.posteriors[channel].share.sum(axis=0)
    sums = np.bincount(fitted.ensemble.family, weights=weight)
    return {family_words(i): float(s) for i, s in enumerate(sums) if s > 0.01}


def value_of(fitted: Fit, name: str) -> FloatArray:
    """Return one parameter of every member of a fit, in its own unit."""
    assert name in INDEX  # noqa: S101  # a name of this package
    return fitted.ensemble.value(name)


def departure_so_far(posterior: Posterior, sizes: IntArray, members: IntArray) -> FloatArray:
    """Return the mean departure at `KNOTS` (knots, n) that the readings show beyond the record's."""
    out = np.empty((KNOTS.size, members.size))
    for i, one in enumerate(posterior.learnt):
        here = np.flatnonzero(sizes == i)
        if here.size == 0:
            continue
        now = one.now_gain @ posterior.residual_k[:, members[here]]
        place = posterior.windows.mid
        for column, member in enumerate(here):
            out[:, member] = np.interp(KNOTS, place, now[:, column])
    return out
