"""A forecast kept up to date: fitted members go on with the run and are weighed by what it shows.

A fit takes seconds, and a forecast is wanted at every new second. So the members of a fit are marched
over what is new only, and each counts by how much likelier everything seen by now is under it than
what the fit had seen was (iterated importance sampling; Chopin 2002, Biometrika 89:539). As the
members answer the readings of the fit already, these weights lead to the very answer that a fit of
today would give, as long as enough members have a say. Courses ahead are kept too; they are set on the last reading
anew each time, with departures as they are known by then.

`KeptForecast.update` is quick and never fits. What takes long is handed out by `work` and may be
done anywhere, as in another process, before `adopt` takes it in::

    kept = KeptForecast(grounds, prepare(heating, grounds))
    outlook = kept.update(later)
    if (work := kept.work()) is not None:
        kept.adopt(work.do())
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.modelling.departures import (
    Misfit,
    departure_at,
    learn,
    log_likelihood,
    misfit,
)
from ovenwright.modelling.ensemble import Ensemble
from ovenwright.modelling.fitting import ChannelFit, Fit, Sight, fit, look
from ovenwright.modelling.forecasting import (
    Courses,
    Outlook,
    Paths,
    drawn_departure,
    march_ahead,
    paths_of,
)
from ovenwright.modelling.heating import Heating
from ovenwright.modelling.observing import refusal
from ovenwright.modelling.simulating import Simulation
from ovenwright.modelling.surroundings_ahead import EarlierCourse

MEMBERS = 200
"""That stand for each channel."""

LEAST_SAY = 0.5
"""Share of the members that must have a say; with fewer a fit is due."""

_FIT_AGE, _LOOK_AGE, _LOOK_LEAST = 1.15, 1.05, 1.01  # of the heating then
_STRAYED = 0.01  # a reading that fewer draws than this foresaw, on either side
_NOISES = 3.0
_AROUND_K, _AROUND_SHARE = 3.0, 0.03  # of their rise: surroundings wander by so much without news
_MOVED_S, _MOVED_SHARE = 2.0, 0.01  # heating began otherwise than the fit took it
_TURNS, _DRAWN_AGE = (
    4,
    0.01,
)  # departures are drawn anew every fourth update or hundredth of the heating
_ROWS = 80  # a while that members are read at is so much of the heating at least
_NO_TIME_S = 1e-3
_STRIDE = 0.04  # of the heating: longest stretch marched at once, for the sake of what is in a tin


@dataclass(frozen=True, slots=True)
class Grounds:
    """What fits of a run start from.

    ``ensemble`` members from priors or a record, ``cast`` how many stand for each channel,
    ``seed`` of the draws, ``origins`` channels of the record, ``earlier`` surroundings of earlier runs.
    """

    ensemble: Ensemble
    cast: int = MEMBERS
    seed: int = 1
    origins: tuple[str, ...] = ()
    earlier: tuple[EarlierCourse, ...] = ()


@dataclass(frozen=True, slots=True)
class Fresh:
    """Courses ahead from ``since_s`` of heating on, of a new fit or, without one, of the members kept."""

    fit: Fit | None
    courses: Courses | None
    since_s: float


@dataclass(frozen=True, slots=True)
class Work:
    """Something long that is due, and ``why`` in words; plain data, to be done in any process.

    Members are fitted anew, or, where ``simulation`` is one, marched ahead from where it stands.
    """

    why: str
    heating: Heating
    grounds: Grounds
    simulation: Simulation | None

    @property
    def fits(self) -> bool:
        """Whether it is a fit."""
        return self.simulation is None

    def do(self) -> Fresh:
        """Do it; takes seconds."""
        if self.simulation is None:
            return prepare(self.heating, self.grounds)
        courses = _ahead(self.simulation, self.heating, self.grounds)
        return Fresh(None, courses, self.heating.elapsed_s)


def prepare(heating: Heating, grounds: Grounds) -> Fresh:
    """Fit a run as it stands and march the members ahead; takes seconds."""
    fitted = fit(
        heating, grounds.ensemble, cast=grounds.cast, seed=grounds.seed, origins=grounds.origins
    )
    simulation = fitted.simulation
    courses = None if simulation is None else _ahead(simulation, heating, grounds)
    return Fresh(fitted, courses, heating.elapsed_s)


def _ahead(simulation: Simulation, heating: Heating, grounds: Grounds) -> Courses:
    rng = np.random.default_rng(grounds.seed)
    return march_ahead(simulation, heating, grounds.cast, rng=rng, earlier=grounds.earlier)


class _Channel:
    """One channel's members: how likely each was at the fit, and the draws that stay with it."""

    def __init__(self, fitted: ChannelFit, part: slice, rng: np.random.Generator) -> None:
        self.ensemble, self.size, self.part = fitted.ensemble, fitted.size, part
        sight = fitted.sight
        self._likely_then = log_likelihood(sight.windows, fitted.missed, fitted.size)
        self._open_still = rng.normal(size=(fitted.members, sight.log_ahead.size))
        self.effective = float(fitted.members)
        self.drawn_s = -np.inf
        self.log_ahead, self.departure = sight.log_ahead, np.zeros(0)

    def weigh(self, sight: Sight, missed: Misfit) -> IntArray:
        """Return members as often as they deserve by now, (m,)."""
        log_weight = log_likelihood(sight.windows, missed, self.size) - self._likely_then
        share = np.asarray(np.exp(log_weight - logsumexp(log_weight)))
        self.effective = float(1.0 / np.sum(share * share))
        middles = (np.arange(share.size) + 0.5) / share.size
        return np.minimum(np.searchsorted(np.cumsum(share), middles), share.size - 1)

    def learn(self, sight: Sight, missed: Misfit, now_s: float) -> None:
        """Draw the members' departures ahead anew, from all that the channel shows."""
        told = learn(sight.windows, missed, self.size, sight.log_ahead)
        self.log_ahead, self.drawn_s = sight.log_ahead, now_s
        self.departure = drawn_departure(sight, self.ensemble, told, self._open_still)


class _Members:
    """The members of a fit, where they stand, and where they have been."""

    def __init__(self, fitted: Fit, seed: int) -> None:
        self.fit, self.simulation = fitted, fitted.simulation
        self.channels: dict[str, _Channel] = {}
        rng = np.random.default_rng(seed)
        begin = 0
        for name, one in fitted.channels.items():
            part = slice(begin, begin + one.members)
            self.channels[name] = _Channel(one, part, rng)
            begin = part.stop
        self._rows_s = fitted.grid_s
        self._rows_c = np.concatenate(
            [np.zeros((fitted.grid_s.size, 0)), *(c.course_c for c in fitted.channels.values())],
            axis=1,
        )

    @property
    def rows(self) -> int:
        """At how many moments it is kept where the members were."""
        return self._rows_s.size

    def as_begun(self, heating: Heating) -> Heating:
        """Return a run as it stands, with heating begun when and where the fit takes it to have."""
        begun = self.fit.heating
        return replace(heating, start_s=begun.start_s, start_c=begun.start_c)

    def march_on(self, heating: Heating) -> None:
        """March the members as far as their surroundings are known, and read their sensors."""
        simulation = self.simulation
        if simulation is None:
            return
        line, start_s = heating.around, heating.start_s
        from_s, to_s = simulation.time_s, _known_s(heating)
        if to_s - from_s < _NO_TIME_S:
            return
        since_s = line.time_s - start_s
        inside = (since_s > from_s) & (since_s < to_s)
        time_s = np.concatenate(([from_s], since_s[inside], [to_s]))
        around_c = np.interp(time_s, since_s, line.temp_c)
        strides = int(np.ceil((to_s - from_s) / (_STRIDE * to_s)))
        out_s = np.linspace(from_s, to_s, strides + 1)[1:]
        sensed = simulation.advance(time_s, around_c, out_s)
        for at_s, row in zip(out_s, sensed, strict=True):
            self._keep(float(at_s), row)

    def _keep(self, at_s: float, row: FloatArray) -> None:
        """Keep a row, in place of the newest one where that stands close to the one before."""
        times, rows = self._rows_s, self._rows_c
        if times[-1] - times[-2] < at_s / _ROWS:
            times, rows = times[:-1], rows[:-1]
        self._rows_s = np.append(times, at_s)
        self._rows_c = np.concatenate([rows, row[None, :]])

    def to_learn(self, now_s: float) -> set[str]:
        """Return the channels whose departures are to be drawn anew: some at each update, in turn."""
        oldest = sorted(self.channels, key=lambda name: self.channels[name].drawn_s)
        turn = oldest[: -(-len(oldest) // _TURNS)]
        old = (n for n in oldest if self.channels[n].drawn_s < (1.0 - _DRAWN_AGE) * now_s)
        return {*turn, *old}

    def draw(
        self, channel: _Channel, sight: Sight, heating: Heating, courses: Courses, *, anew: bool
    ) -> Paths:
        """Weigh a channel's members by all it shows, and set their courses on it from now on."""
        missed = self._missed(channel, sight)
        pick = channel.weigh(sight, missed)
        if anew:
            channel.learn(sight, missed, heating.elapsed_s)
        since_s, sensed_c = _from(
            courses.since_s, courses.sensed_c[:, channel.part][:, pick], heating.elapsed_s
        )
        return paths_of(
            heating,
            replace(sight, log_ahead=channel.log_ahead),
            channel.ensemble.take(pick),
            departure=channel.departure[:, pick],
            since_s=since_s,
            sensed_c=sensed_c,
        )

    def _missed(self, channel: _Channel, sight: Sight) -> Misfit:
        times, rows = self._rows_s, self._rows_c[:, channel.part]
        # past the last row they go on as between the last two
        place = np.clip(np.searchsorted(times, sight.at_s, side="right") - 1, 0, times.size - 2)
        share = ((sight.at_s - times[place]) / (times[place + 1] - times[place]))[:, None]
        model_k = (1.0 - share) * rows[place] + share * rows[place + 1] - rows[0]
        expected = departure_at(channel.ensemble.departure, sight.windows.mid)
        return misfit(sight.windows, model_k, expected)


class KeptForecast:
    """Keeps a forecast up to date from reading to reading.

    Its memory is that of one fit: the members, where they stand, and where they were at some
    hundred times at most.

    Parameters
    ----------
    grounds : what fits start from
    fresh : from `prepare`
    """

    def __init__(self, grounds: Grounds, fresh: Fresh) -> None:
        if fresh.fit is None:
            raise TypeError("a kept forecast begins with a fit")
        self._grounds = grounds
        self._due: tuple[str, bool] | None = None
        self._out = False
        self._members = _Members(fresh.fit, grounds.seed)
        self._heating = fresh.fit.heating
        self._fresh = fresh
        self._foreseen: dict[str, Paths] | None = None
        self.fits = self.looks = 1

    @property
    def effective(self) -> Mapping[str, float]:
        """How many members of each channel have a say."""
        return {name: one.effective for name, one in self._members.channels.items()}

    @property
    def rows(self) -> int:
        """At how many moments it is kept where the members were."""
        return self._members.rows

    # what takes long ----------------------------------------------------------------------

    def work(self) -> Work | None:
        """Return what is due since the last update; None while something is being done already."""
        if self._due is None or self._out:
            return None
        why, fits = self._due
        self._due, self._out = None, True
        members = self._members
        if fits or members.simulation is None:
            return Work(why, self._heating, self._grounds, None)
        now = members.as_begun(self._heating)
        return Work(why, now, self._grounds, members.simulation.copy())

    def give_up(self) -> None:
        """Forget work that was handed out and came to nothing."""
        self._out = False

    def adopt(self, fresh: Fresh) -> None:
        """Take in what was worked out; the next update catches up with what has come since."""
        self._out, self._due = False, None
        self._fresh, self._foreseen = fresh, None
        self.looks += 1
        if fresh.fit is not None:
            self._members = _Members(fresh.fit, self._grounds.seed)
            self.fits += 1

    # what is quick ------------------------------------------------------------------------

    def update(self, heating: Heating) -> Outlook:
        """Go on to what is known now and say what is foreseen.

        Parameters
        ----------
        heating : the same run as it stands now; nothing later is in it
        """
        self._heating = heating
        members, courses = self._members, self._fresh.courses
        now = members.as_begun(heating)
        members.march_on(now)
        refused = {core.name: words for core in now.cores if (words := refusal(core, now))}
        usable = {core.name: core for core in now.cores if core.name not in refused}
        paths: dict[str, Paths] = {}
        worn, strayed = [], []
        anew = members.to_learn(now.elapsed_s)
        for name, channel in members.channels.items():
            if name not in usable or courses is None:
                continue
            sight = look(usable[name], now)
            paths[name] = members.draw(channel, sight, now, courses, anew=name in anew)
            if channel.effective < LEAST_SAY * channel.size.size:
                worn.append(name)
            if self._strayed(name, sight):
                strayed.append(name)
        new = sorted(usable.keys() - members.channels.keys())
        refused |= {n: members.fit.refused.get(n, "it is about to be fitted") for n in new}
        self._due = self._fit_due(heating, new, worn, strayed) or self._look_due(now)
        if self._foreseen is None:
            self._foreseen = paths
        rests_on = () if courses is None else (courses.rests_on,)
        return Outlook(heating.until_s, paths, refused, rests_on)

    # what is due --------------------------------------------------------------------------

    def _fit_due(
        self, heating: Heating, new: list[str], worn: list[str], strayed: list[str]
    ) -> tuple[str, bool] | None:
        begun = self._members.fit.heating
        moved_s = abs(heating.start_s - begun.start_s)
        if moved_s > max(_MOVED_S, _MOVED_SHARE * heating.elapsed_s):
            return "heating began otherwise than was taken", True
        if new:
            return f"{', '.join(new)} can be looked ahead on now", True
        if strayed:
            return f"{', '.join(strayed)} left what was foreseen", True
        if worn:
            return f"few members explain {', '.join(worn)} by now", True
        if self._members.channels and heating.elapsed_s >= _FIT_AGE * begun.elapsed_s:
            return "the fit has grown old", True
        return None

    def _strayed(self, name: str, sight: Sight) -> bool:
        """Whether a channel shows what hardly any draw foresaw when courses were last marched."""
        if self._foreseen is None or name not in self._foreseen:
            return False
        foreseen = _at(self._foreseen[name], self._heating.until_s)
        low, high = np.quantile(foreseen, [_STRAYED, 1.0 - _STRAYED])
        margin = _NOISES * float(np.sqrt(sight.windows.noise_k2[-1]))
        now_c = sight.start_c + float(sight.windows.rise_k[-1])
        return bool(now_c < low - margin or now_c > high + margin)

    def _look_due(self, now: Heating) -> tuple[str, bool] | None:
        """Whether courses ahead must be marched anew: they are old, or the surroundings left them."""
        courses, looked_s = self._fresh.courses, self._fresh.since_s
        if courses is None:
            return None
        if now.elapsed_s < _LOOK_LEAST * looked_s:
            return None
        _, around = _from(courses.since_s, courses.around_c, _known_s(now))
        low, high = np.quantile(around[0], [_STRAYED, 1.0 - _STRAYED])
        now_c = float(now.around.temp_c[-1])
        margin = max(_AROUND_K, _AROUND_SHARE * (now_c - now.start_c))
        if now_c < low - margin or now_c > high + margin:
            return "the surroundings left what was foreseen", False
        if now.elapsed_s >= _LOOK_AGE * looked_s:
            return "the look ahead has grown old", False
        return None


def _known_s(heating: Heating) -> float:
    """Return how far the surroundings are known: a sensor that lags has not told yet what is now."""
    return min(heating.elapsed_s, float(heating.around.time_s[-1]) - heating.start_s)


def _from(since_s: FloatArray, rows: FloatArray, now_s: float) -> tuple[FloatArray, FloatArray]:
    """Return what is left of rows from a moment on, with the row at that moment first."""
    later = since_s > now_s * (1.0 + 1e-9)
    i = min(max(int(np.argmax(later)) if later.any() else since_s.size - 1, 1), since_s.size - 1)
    share = (now_s - since_s[i - 1]) / (since_s[i] - since_s[i - 1])
    now = rows[i - 1] + min(max(share, 0.0), 1.0) * (rows[i] - rows[i - 1])
    if not later.any():  # the last stretch stays, so that there is a course at all
        later[-1] = True
        now_s = float(since_s[-1]) - 1e-3
    return np.concatenate(([now_s], since_s[later])), np.concatenate([now[None, :], rows[later]])


def _at(paths: Paths, at_s: float) -> FloatArray:
    """Return every draw's temperature at a moment, (draws,)."""
    count, draws = paths.time_s.shape
    i = np.clip((paths.time_s <= at_s).sum(axis=0), 1, count - 1)
    draw = np.arange(draws)
    before, after = paths.time_s[i - 1, draw], paths.time_s[i, draw]
    share = np.clip((at_s - before) / (after - before), 0.0, 1.0)
    low = paths.temp_c[i - 1, draw]
    return np.asarray(low + share * (paths.temp_c[i, draw] - low))
