"""When each channel will pass a temperature, with how sure one can be."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.modelling.departures import Departure, departure_at
from ovenwright.modelling.ensemble import Ensemble
from ovenwright.modelling.fitting import HORIZON, Fit, Sight
from ovenwright.modelling.heating import Heating, Line
from ovenwright.modelling.simulating import Simulation
from ovenwright.modelling.surroundings_ahead import EarlierCourse, draw_ahead

_AHEAD_STEPS = 36
_TOLERANCE_K = 2.0  # of a step; what is open ahead is far more
_QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, slots=True)
class Passing:
    """When a channel passes a temperature; times in the run's elapsed seconds.

    ``open_ended`` says that more than one draw in twenty doesn't pass within the horizon, at which
    the upper end then stands. ``passed`` says that it has happened already.
    """

    temp_c: float
    median_s: float
    interval_50: tuple[float, float]
    interval_90: tuple[float, float]
    share_that_passes: float = 1.0
    open_ended: bool = False
    passed: bool = False


@dataclass(frozen=True, slots=True)
class Refused:
    """A temperature of which no forecast can be given, with the reason."""

    temp_c: float
    reason: str


@dataclass(frozen=True, slots=True)
class Paths:
    """Drawn courses of one channel from now on.

    ``time_s`` (n, draws) run times of the steps, each draw's own; ``temp_c`` (n, draws).
    """

    channel: str
    time_s: FloatArray
    temp_c: FloatArray

    def band(self, at_s: FloatArray) -> FloatArray:
        """Return the 5, 25, 50, 75 and 95 % quantiles at times: (5, n)."""
        rows = [
            np.interp(at_s, self.time_s[:, i], self.temp_c[:, i])
            for i in range(self.time_s.shape[1])
        ]
        return np.asarray(np.quantile(np.stack(rows), _QUANTILES, axis=0))


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is foreseen for the channels of a run."""

    until_s: float
    paths: dict[str, Paths]
    refused: dict[str, str]
    rests_on: tuple[str, ...] = field(default=())


def look_ahead(
    fitted: Fit,
    *,
    seed: int = 1,
    earlier: tuple[EarlierCourse, ...] = (),
    planned: Line | None = None,
) -> Outlook:
    """Draw the courses of all channels of a fit from now on.

    Parameters
    ----------
    fitted : the fit
    seed : of the draws
    earlier : surroundings of earlier runs
    planned : surroundings to come, in the run's time
    """
    heating = fitted.heating
    if fitted.simulation is None:
        return Outlook(heating.until_s, {}, dict(fitted.refused))
    rng = np.random.default_rng(seed)
    draws = min(one.members for one in fitted.channels.values())
    courses = march_ahead(
        fitted.simulation, heating, draws, rng=rng, earlier=earlier, planned=planned
    )
    paths = {}
    for i, (name, channel) in enumerate(fitted.channels.items()):
        told = channel.departure()
        open_still = rng.normal(size=(channel.members, told.ahead.shape[0]))
        paths[name] = paths_of(
            heating,
            channel.sight,
            channel.ensemble,
            departure=drawn_departure(channel.sight, channel.ensemble, told, open_still),
            since_s=courses.since_s,
            sensed_c=courses.sensed_c[:, i * draws : (i + 1) * draws],
        )
    return Outlook(heating.until_s, paths, dict(fitted.refused), (courses.rests_on,))


@dataclass(frozen=True, slots=True)
class Courses:
    """Where members go from a moment on, as the model alone sees it.

    ``since_s`` (n,) since heating began, the first one that moment; ``around_c`` (n, draws) drawn
    surroundings; ``sensed_c`` (n, members) what the members' sensors show.
    """

    since_s: FloatArray
    around_c: FloatArray
    sensed_c: FloatArray
    rests_on: str


def march_ahead(
    simulation: Simulation,
    heating: Heating,
    draws: int,
    *,
    rng: np.random.Generator,
    earlier: tuple[EarlierCourse, ...] = (),
    planned: Line | None = None,
) -> Courses:
    """March members from now on through drawn surroundings; the simulation itself stays.

    Parameters
    ----------
    simulation : stands now; its members are whole groups of `draws`, which meet the same draws
    """
    elapsed = heating.elapsed_s
    steps_s = elapsed * np.exp(np.linspace(0.0, np.log(HORIZON), _AHEAD_STEPS))
    run_s = heating.start_s + steps_s
    given = None
    if planned is not None:
        given = np.interp(run_s, planned.time_s, planned.temp_c)
    ahead = draw_ahead(heating, run_s, draws, rng=rng, earlier=earlier, planned=given)
    around = np.tile(ahead.temp_c, (1, simulation.ensemble.members // draws))
    sensed = simulation.copy().advance(steps_s, around, steps_s)
    return Courses(steps_s, ahead.temp_c, sensed, ahead.rests_on)


def drawn_departure(
    sight: Sight, ensemble: Ensemble, told: Departure, open_still: FloatArray
) -> FloatArray:
    """Return departures at the sight's windows ahead, (a, m), from standard normal draws (m, a)."""
    rest = (told.open_factor @ open_still[:, :, None])[:, :, 0].T
    return np.asarray(departure_at(ensemble.departure, sight.log_ahead) + told.ahead + rest)


def paths_of(
    heating: Heating,
    sight: Sight,
    ensemble: Ensemble,
    *,
    departure: FloatArray,
    since_s: FloatArray,
    sensed_c: FloatArray,
) -> Paths:
    """Set the model's courses on the last reading and stretch their time by departures."""
    log_ahead = sight.log_ahead
    middles = 0.5 * (np.log(since_s[1:]) + np.log(since_s[:-1]))
    place = np.clip(np.searchsorted(log_ahead, middles) - 1, 0, log_ahead.size - 2)
    share = ((middles - log_ahead[place]) / (log_ahead[place + 1] - log_ahead[place]))[:, None]
    share = np.clip(share, 0.0, 1.0)
    at_steps = (1 - share) * departure[place] + share * departure[place + 1]
    stretched = np.diff(since_s)[:, None] * np.exp(-at_steps)
    time_s = heating.until_s + np.concatenate(
        [np.zeros((1, sensed_c.shape[1])), np.cumsum(stretched, axis=0)]
    )
    now_c = sight.start_c + sight.windows.rise_k[-1]
    return Paths(
        sight.core.name,
        time_s,
        _set_on(sensed_c, now_c, top_c=np.where(ensemble.moist, heating.boiling_c, np.inf)),
    )


def _set_on(course_c: FloatArray, now_c: float, *, top_c: FloatArray) -> FloatArray:
    """Set courses (n, m) on the last reading: shifted, or, below a plateau, its distance scaled.

    A moist body nears the boiling point whatever it is now, so what it lacks shrinks in proportion.
    """
    first = course_c[0]
    shifted = np.asarray(course_c - first + now_c)
    holds = np.isfinite(top_c) & (first < top_c - 2.0) & (now_c < top_c - 2.0)
    if not holds.any():
        return shifted
    top = np.where(holds, top_c, 0.0)
    ratio = np.where(holds, (top - now_c) / np.where(holds, top - first, 1.0), 1.0)
    below = top - (top - course_c) * ratio
    scaled = np.where(course_c < top, below, course_c)
    return np.asarray(np.where(holds, scaled, shifted))


def passing(
    outlook: Outlook, channel: str, temp_c: float, *, core: Line | None = None
) -> Passing | Refused:
    """Return when a channel passes a temperature.

    Parameters
    ----------
    outlook : from `look_ahead`
    channel : one with paths
    temp_c : the temperature
    core : the channel's readings; where they have passed already, that moment is the answer

    Returns
    -------
    the passing, or why there is none to foresee
    """
    if core is not None:
        done = crossed(core, temp_c)
        if done is not None:
            return Passing(temp_c, done, (done, done), (done, done), passed=True)
    if channel in outlook.refused:
        return Refused(temp_c, outlook.refused[channel])
    paths = outlook.paths[channel]
    at_s = crossing_times(paths, temp_c)
    share = float(np.mean(np.isfinite(at_s)))
    if share < 0.5:
        top = float(np.median(paths.temp_c.max(axis=0)))
        return Refused(
            temp_c,
            f"it is more likely than not that it never passes {temp_c:g} °C in surroundings as they "
            f"are foreseen: half of the courses end below {top:.0f} °C",
        )
    horizon = float(np.median(paths.time_s[-1]))
    q = np.quantile(
        np.where(np.isfinite(at_s), at_s, max(horizon, np.max(at_s[np.isfinite(at_s)]))), _QUANTILES
    )
    return Passing(
        temp_c=temp_c,
        median_s=float(q[2]),
        interval_50=(float(q[1]), float(q[3])),
        interval_90=(float(q[0]), float(q[4])),
        share_that_passes=share,
        open_ended=share < 0.95,
    )


def crossing_times(paths: Paths, temp_c: float) -> FloatArray:
    """Return when each draw passes a temperature, infinite where it doesn't: (draws,)."""
    above = paths.temp_c >= temp_c
    first = above.argmax(axis=0)
    some = above.any(axis=0)
    member = np.arange(first.size)
    low = np.maximum(first - 1, 0)
    rise = paths.temp_c[first, member] - paths.temp_c[low, member]
    share = np.where(
        rise > 0, (temp_c - paths.temp_c[low, member]) / np.where(rise > 0, rise, 1.0), 0.0
    )
    t0, t1 = paths.time_s[low, member], paths.time_s[first, member]
    at_s = t0 + np.clip(share, 0.0, 1.0) * (t1 - t0)
    return np.where(some, at_s, np.inf)


def crossed(core: Line, temp_c: float) -> float | None:
    """Return when readings passed a temperature for good, None where they have not."""
    above = core.temp_c >= temp_c
    if not above.any() or not bool(above[-3:].all()):
        return None
    below = np.flatnonzero(~above)
    i = int(below[-1]) + 1 if below.size else 0
    if i == 0:
        return float(core.time_s[0])
    a, b = core.temp_c[i - 1], core.temp_c[i]
    return float(
        core.time_s[i - 1] + (temp_c - a) / (b - a) * (core.time_s[i] - core.time_s[i - 1])
    )
