"""A forecast kept up to date: fitted members go on with the run and are weighed by what it shows.

A fit takes seconds, and a forecast is wanted at every new second. So the members of a fit are marched
over what is new only, and each counts by how much likelier everything seen by now is under it than
what the fit had seen was (iterated importance sampling; Chopin 2002, Biometrika 89:539). As the
members answer the readings of the fit already, these weights lead to the very answer that a fit of
today would give, as long as enough members have a say. Courses ahead are kept too; they are set on
the last reading anew each time, with departures as they are known by then.

`KeptForecast.update` is quick and never fits. What takes long is handed out by `work` and may be
done anywhere, as in another process, before `adopt` takes it in::

    kept = KeptForecast(grounds, prepare(heating, grounds))
    outlook = kept.update(later)
    if (work := kept.work()) is not None:
        kept.adopt(work.do())
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.modelling.ensemble import Ensemble
from ovenwright.modelling.fitting import Fit, Sight, fit, look
from ovenwright.modelling.forecasting import (
    Courses,
    Outlook,
    Paths,
    march_ahead,
)
from ovenwright.modelling.heating import Heating
from ovenwright.modelling.kept_members import KeptMembers, known_s, rest_of
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
        self._members = KeptMembers(fresh.fit, grounds.seed)
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
            self._members = KeptMembers(fresh.fit, self._grounds.seed)
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
        _, around = rest_of(courses.since_s, courses.around_c, known_s(now))
        low, high = np.quantile(around[0], [_STRAYED, 1.0 - _STRAYED])
        now_c = float(now.around.temp_c[-1])
        margin = max(_AROUND_K, _AROUND_SHARE * (now_c - now.start_c))
        if now_c < low - margin or now_c > high + margin:
            return "the surroundings left what was foreseen", False
        if now.elapsed_s >= _LOOK_AGE * looked_s:
            return "the look ahead has grown old", False
        return None


def _at(paths: Paths, at_s: float) -> FloatArray:
    """Return every draw's temperature at a moment, (draws,)."""
    count, draws = paths.time_s.shape
    i = np.clip((paths.time_s <= at_s).sum(axis=0), 1, count - 1)
    draw = np.arange(draws)
    before, after = paths.time_s[i - 1, draw], paths.time_s[i, draw]
    share = np.clip((at_s - before) / (after - before), 0.0, 1.0)
    low = paths.temp_c[i - 1, draw]
    return np.asarray(low + share * (paths.temp_c[i, draw] - low))
