"""The members of a fit that go on with the run: where they stand, and how much each counts by now."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import logsumexp

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.modelling.departures import Misfit, departure_at, learn, log_likelihood, misfit
from ovenwright.modelling.fitting import ChannelFit, Fit, Sight
from ovenwright.modelling.forecasting import Courses, Paths, drawn_departure, paths_of
from ovenwright.modelling.heating import Heating

_NO_TIME_S = 1e-3
_STRIDE = 0.04  # of the heating: longest stretch marched at once, for the sake of what is in a tin
_TURNS = 4  # updates: departures are drawn anew at every fourth
_DRAWN_AGE = 0.01  # of the heating: or when they are as old as that
_ROWS = 80  # a while that members are read at is so much of the heating at least


class KeptChannel:
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


class KeptMembers:
    """The members of a fit, where they stand, and where they have been."""

    def __init__(self, fitted: Fit, seed: int) -> None:
        self.fit, self.simulation = fitted, fitted.simulation
        self.channels: dict[str, KeptChannel] = {}
        rng = np.random.default_rng(seed)
        begin = 0
        for name, one in fitted.channels.items():
            part = slice(begin, begin + one.members)
            self.channels[name] = KeptChannel(one, part, rng)
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
        from_s, to_s = simulation.time_s, known_s(heating)
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
        self, channel: KeptChannel, sight: Sight, heating: Heating, courses: Courses, *, anew: bool
    ) -> Paths:
        """Weigh a channel's members by all it shows, and set their courses on it from now on."""
        missed = self._missed(channel, sight)
        pick = channel.weigh(sight, missed)
        if anew:
            channel.learn(sight, missed, heating.elapsed_s)
        since_s, sensed_c = rest_of(
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

    def _missed(self, channel: KeptChannel, sight: Sight) -> Misfit:
        times, rows = self._rows_s, self._rows_c[:, channel.part]
        # past the last row they go on as between the last two
        place = np.clip(np.searchsorted(times, sight.at_s, side="right") - 1, 0, times.size - 2)
        share = ((sight.at_s - times[place]) / (times[place + 1] - times[place]))[:, None]
        model_k = (1.0 - share) * rows[place] + share * rows[place + 1] - rows[0]
        expected = departure_at(channel.ensemble.departure, sight.windows.mid)
        return misfit(sight.windows, model_k, expected)


def known_s(heating: Heating) -> float:
    """Return how far the surroundings are known: a sensor that lags has not told yet what is now."""
    return min(heating.elapsed_s, float(heating.around.time_s[-1]) - heating.start_s)


def rest_of(since_s: FloatArray, rows: FloatArray, now_s: float) -> tuple[FloatArray, FloatArray]:
    """Return what is left of rows from a moment on, with the row at that moment first."""
    later = since_s > now_s * (1.0 + 1e-9)
    i = min(max(int(np.argmax(later)) if later.any() else since_s.size - 1, 1), since_s.size - 1)
    share = (now_s - since_s[i - 1]) / (since_s[i] - since_s[i - 1])
    now = rows[i - 1] + min(max(share, 0.0), 1.0) * (rows[i] - rows[i - 1])
    if not later.any():  # the last stretch stays, so that there is a course at all
        later[-1] = True
        now_s = float(since_s[-1]) - 1e-3
    return np.concatenate(([now_s], since_s[later])), np.concatenate([now[None, :], rows[later]])
