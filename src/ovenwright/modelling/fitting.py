"""Fit bodies to a run: which members the readings speak for, and how much they tell.

First every member of a broad ensemble is weighed by each channel. Then each channel goes on with a
cast of its own: members drawn by their weight, nudged, and moved where the readings agree; the
readings count little at first and more from round to round.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.modelling.departures import (
    KNOTS,
    SIZE_SHARES,
    SIZES,
    Departure,
    Misfit,
    Windows,
    departure_at,
    learn,
    log_likelihood,
    misfit,
)
from ovenwright.modelling.ensemble import Ensemble, before, crossed, joined, nudged
from ovenwright.modelling.heating import Heating, Line, start_of
from ovenwright.modelling.observing import observe, refusal
from ovenwright.modelling.simulating import Simulation

HORIZON = 8.0
"""A forecast reaches so many times as far as what is known."""

KNOWN_SIZE = 0.4
"""Departures from what a record expects are so much smaller than from a bare model (our
choice)."""

PLACED = 0.15
"""Standard uncertainty of where a sensor was put, as a share of the half size: 5 to 10 mm in a loaf
(our choice)."""

CAST = 300
"""Members that stand for a channel."""

ROUNDS = 2
"""Nudges once all readings count."""

_MOST_ROUNDS = 6
_EFFECTIVE_SHARE = 0.35  # of the cast, in the first draw
Scale = tuple[FloatArray, FloatArray]  # sizes of departure, and how likely each is
_AHEAD_WINDOWS = 25
_GRID = 24  # times at which members are read on the way


@dataclass(frozen=True, slots=True)
class Sight:
    """One channel as the fit looks at it."""

    core: Line
    start_c: float
    at_s: FloatArray
    """(k,) since heating began, when the windows end."""
    windows: Windows
    log_ahead: FloatArray
    """(a,) ln(time) of windows ahead."""


@dataclass(frozen=True, slots=True)
class ChannelFit:
    """What the readings say of one channel: a cast of equally likely members.

    ``size`` (m,) the size of departure that goes with each; ``missed`` how the members miss the
    channel's windows beyond what a record expects; ``course_c`` (g, m) what the member's sensor
    shows at the fit's ``grid_s``; ``effective`` how many members of the broad
    ensemble the cast was drawn from; ``moved`` the share of nudges that were taken.
    """

    sight: Sight
    ensemble: Ensemble
    size: FloatArray
    missed: Misfit
    course_c: FloatArray
    effective: float
    moved: float

    def departure(self) -> Departure:
        """Return what the readings say of the members' departures, beyond a record's."""
        return learn(self.sight.windows, self.missed, self.size, self.sight.log_ahead)

    @property
    def members(self) -> int:
        """How many members."""
        return self.ensemble.members


@dataclass(frozen=True, slots=True)
class Fit:
    """A run fitted: what each channel says of its body, and where all members stand now.

    ``simulation`` holds the casts of all channels one after the other, in the order of
    ``channels``, standing at the moment up to which readings were used.
    """

    heating: Heating
    grid_s: FloatArray
    channels: dict[str, ChannelFit]
    simulation: Simulation | None
    refused: dict[str, str]


def fit(
    heating: Heating,
    ensemble: Ensemble,
    *,
    cast: int = CAST,
    rounds: int = ROUNDS,
    seed: int = 1,
    origins: tuple[str, ...] = (),
    all_channels: bool = False,
    sizes: FloatArray = SIZES,
    shares: FloatArray = SIZE_SHARES,
) -> Fit:
    """Fit bodies to what a run shows so far.

    Parameters
    ----------
    heating : what is known of the run
    ensemble : members from the priors, and from a product record where there is one
    cast : members that stand for each channel in the end
    rounds : of nudging once all readings count in full
    seed : of the draws
    origins : names of the record's channels that ``ensemble.origin`` counts; a member that comes
        from a channel of the same name counts double
    all_channels : fit channels too that can't carry a forecast, such as those that have stopped
        rising
    sizes, shares : of the departure of a real body from the model

    Returns
    -------
    `Fit`; channels that can't carry a fit are in `refused` with the reason
    """
    refused = {
        c.name: words
        for c in heating.cores
        if (words := refusal(c, heating, still_heated=not all_channels))
    }
    usable = [c for c in heating.cores if c.name not in refused]
    grid_s = heating.elapsed_s * np.linspace(0.0, 1.0, _GRID) ** 1.3
    if not usable:
        return Fit(heating, grid_s, {}, None, refused)
    rng = np.random.default_rng(seed)
    scale = (sizes, shares)
    sights = [look(core, heating) for core in usable]
    first = _simulated(ensemble, heating, grid_s)[1]
    picks, agreeds, effective = [], [], []
    heat = np.zeros(len(sights))  # how far each channel's readings count so far
    for i, sight in enumerate(sights):
        said = _said_before(ensemble, origins, sight.core.name)
        likely = _likelihood(sight, ensemble, grid_s, first, scale)[0]
        effective.append(_effective(said + likely))
        heat[i] = _further(said, likely, least=_EFFECTIVE_SHARE * cast)
        share = _shares(said + heat[i] * likely)
        picks.append(_spread_out(share, cast, rng))
        agreeds.append(likely[picks[-1]])
    now = joined([ensemble.take(pick) for pick in picks])
    agreed = np.concatenate(agreeds)
    moves: list[FloatArray] = []
    parts = [slice(i * cast, (i + 1) * cast) for i in range(len(sights))]
    settled = 0
    part_of = np.repeat(np.arange(len(sights)), cast)
    for turn in range(_MOST_ROUNDS + rounds):
        along = turn % 3 > 0
        tried = crossed(now, _groups(now, part_of), rng) if along else nudged(now, rng)
        odds = before(tried) - before(now) if along else 0.0
        tried_course = _simulated(tried, heating, grid_s)[1]
        tried_agreed = _agreement(
            sights, tried, parts=parts, grid_s=grid_s, course_c=tried_course, scale=scale
        )
        counted = np.repeat(heat, cast)
        taken = np.log(rng.random(now.members)) < counted * (tried_agreed - agreed) + odds
        now = _either(taken, tried, now)
        agreed = np.where(taken, tried_agreed, agreed)
        moves.append(np.array([taken[p].mean() for p in parts]))
        if bool(np.all(heat >= 1.0)):
            settled += 1
            if settled >= rounds:
                break
            continue
        order = np.arange(now.members)
        for i, part in enumerate(parts):
            if heat[i] >= 1.0:
                continue
            likely = agreed[part]
            more = _further(np.zeros(cast), likely, least=0.5 * cast, most=1.0 - heat[i])
            order[part] = part.start + _spread_out(_shares(more * likely), cast, rng)
            heat[i] = min(heat[i] + more, 1.0)
        now, agreed = now.take(order), agreed[order]
    simulation, course = _simulated(now, heating, grid_s)
    channels = {}
    for i, (sight, part) in enumerate(zip(sights, parts, strict=True)):
        mine = now.take(np.arange(part.start, part.stop))
        _, by_size, missed = _likelihood(sight, mine, grid_s, course[:, part], scale)
        odds = np.exp(by_size - logsumexp(by_size, axis=0))
        picked = (np.cumsum(odds, axis=0) < rng.random(cast)).sum(axis=0)
        channels[sight.core.name] = ChannelFit(
            sight=sight,
            ensemble=mine,
            size=sizes[np.minimum(picked, len(sizes) - 1)] * _known(mine),
            missed=missed,
            course_c=course[:, part],
            effective=effective[i],
            moved=float(np.mean([m[i] for m in moves])) if moves else 0.0,
        )
    return Fit(heating, grid_s, channels, simulation, refused)


def _groups(ensemble: Ensemble, part_of: IntArray) -> IntArray:
    """Return a number for each member's channel and family."""
    return np.asarray(part_of * (int(ensemble.family.max()) + 1) + ensemble.family)


def _shares(log_weight: FloatArray) -> FloatArray:
    return np.asarray(np.exp(log_weight - logsumexp(log_weight)))


def _effective(log_weight: FloatArray) -> float:
    share = _shares(log_weight)
    return float(1.0 / np.sum(share * share))


def _further(before: FloatArray, likely: FloatArray, *, least: float, most: float = 1.0) -> float:
    """Return how far likelihoods may count so that `least` members still have a say.

    Counting them little by little, and nudging in between, leads a cast to bodies that the first
    draw has only a few of (tempering; Del Moral, Doucet and Jasra 2006, J R Stat Soc B 68:411).
    """
    if _effective(before + most * likely) >= least:
        return most
    low, high = 0.0, most
    for _ in range(20):
        middle = 0.5 * (low + high)
        if _effective(before + middle * likely) >= least:
            low = middle
        else:
            high = middle
    return max(low, 0.02 * most)


def _said_before(ensemble: Ensemble, origins: tuple[str, ...], name: str) -> FloatArray:
    """Return log weights before the readings, members of a like-named channel counting double."""
    if not origins:
        return ensemble.log_weight
    alike = np.array([1.0 if origin == name else 0.0 for origin in origins])
    from_record = ensemble.origin >= 0
    bonus = np.zeros(ensemble.members)
    bonus[from_record] = alike[ensemble.origin[from_record]] * np.log(2.0)
    before = ensemble.log_weight[from_record]
    after = before + bonus[from_record]
    log_weight = ensemble.log_weight.copy()
    log_weight[from_record] = after - logsumexp(after) + logsumexp(before)
    return log_weight


def _simulated(
    ensemble: Ensemble, heating: Heating, grid_s: FloatArray
) -> tuple[Simulation, FloatArray]:
    simulation = Simulation(
        ensemble,
        start_s=0.0,
        start_c=float(np.clip(heating.start_c, 0.1, heating.boiling_c - 1.0)),
        boiling_c=heating.boiling_c,
    )
    time_s, around_c = past_surroundings(heating)
    return simulation, simulation.advance(time_s, around_c, grid_s)


def past_surroundings(heating: Heating, *, most: int = 400) -> tuple[FloatArray, FloatArray]:
    """Return the surroundings since heating began, thinned by means: (t,) s since then, (t,) °C."""
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


def look(core: Line, heating: Heating) -> Sight:
    """Lay out one channel for the fit."""
    at_s, seen = observe(core, heating)
    steps = np.linspace(0.0, np.log(HORIZON), _AHEAD_WINDOWS)
    log_ahead = np.log(heating.elapsed_s) + 0.5 * (steps[1:] + steps[:-1])
    return Sight(core, start_of(core, heating), at_s, seen, log_ahead)


def _likelihood(
    sight: Sight, ensemble: Ensemble, grid_s: FloatArray, course_c: FloatArray, scale: Scale
) -> tuple[FloatArray, FloatArray, Misfit]:
    """Return log likelihoods (m,), the same by size (sizes, m), and the misfit."""
    at_s = sight.at_s
    place = np.clip(np.searchsorted(grid_s, at_s, side="right") - 1, 0, grid_s.size - 2)
    share = ((at_s - grid_s[place]) / (grid_s[place + 1] - grid_s[place]))[:, None]
    model = (1.0 - share) * course_c[place] + share * course_c[place + 1] - course_c[0]
    expected = departure_at(ensemble.departure, sight.windows.mid)
    missed = misfit(sight.windows, model, expected)
    known = _known(ensemble)
    rows = [
        log_likelihood(sight.windows, missed, size * known) + np.log(share)
        for size, share in zip(*scale, strict=True)
    ]
    by_size = np.stack(rows) + _placed(sight.core, ensemble)
    return np.asarray(logsumexp(by_size, axis=0)), by_size, missed


def _placed(core: Line, ensemble: Ensemble) -> FloatArray:
    """Return the log likelihood (m,) of where the sensor was put, 0 where nobody said."""
    if core.position is None:
        return np.zeros(ensemble.members)
    off = (ensemble.value("position") - core.position) / PLACED
    return np.asarray(-0.5 * off * off)


def _known(ensemble: Ensemble) -> FloatArray:
    """Return by how much each member's departures are smaller for what a record knows of them."""
    return np.where(ensemble.origin >= 0, KNOWN_SIZE, 1.0)


def _agreement(
    sights: list[Sight],
    ensemble: Ensemble,
    *,
    parts: list[slice],
    grid_s: FloatArray,
    course_c: FloatArray,
    scale: Scale,
) -> FloatArray:
    """Return each member's log likelihood under the channel it stands for."""
    out = np.empty(ensemble.members)
    for sight, part in zip(sights, parts, strict=True):
        mine = ensemble.take(np.arange(part.start, part.stop))
        out[part] = _likelihood(sight, mine, grid_s, course_c[:, part], scale)[0]
    return out


def _spread_out(share: FloatArray, members: int, rng: np.random.Generator) -> IntArray:
    """Draw members by their share, each about as often as it deserves (systematic resampling)."""
    points = (np.arange(members) + rng.random()) / members
    return np.minimum(np.searchsorted(np.cumsum(share), points), share.size - 1)


def _either(first: BoolArray, one: Ensemble, other: Ensemble) -> Ensemble:
    """Return members of one where `first`, else of the other; they differ in place alone."""
    return replace(other, z=np.where(first, one.z, other.z))


def departure_so_far(channel: ChannelFit) -> FloatArray:
    """Return the mean departure (knots, m) at `KNOTS` that the readings show, a record's included."""
    sight = channel.sight
    told = learn(sight.windows, channel.missed, channel.size, KNOTS)
    return np.asarray(channel.ensemble.departure + told.ahead)
