"""Curves to be drawn: what a fit makes of a channel's readings, and where a forecast sees it go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.modelling.fitting import Fit
from ovenwright.modelling.forecasting import Outlook
from ovenwright.modelling.heating import Line

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
_AHEAD_POINTS = 120


@dataclass(frozen=True, slots=True)
class Funnel:
    """One channel as seen so far, and the band it is foreseen in.

    ``seen_s``, ``seen_c`` (n,) readings; ``ahead_s`` (k,) times to come; ``band_c`` (5, k) the
    temperatures at `QUANTILES`. Times are the run's elapsed seconds.
    """

    name: str
    seen_s: FloatArray
    seen_c: FloatArray
    ahead_s: FloatArray
    band_c: FloatArray


@dataclass(frozen=True, slots=True)
class FittedCurve:
    """One channel and what the fitted bodies make of it.

    ``seen_s``, ``seen_c`` (n,) readings; ``grid_s`` (k,) times; ``band_c`` (5, k) what the bodies'
    sensors show at `QUANTILES`; ``miss_k`` (k,) reading minus median. The bodies' own departures
    from the model are left out, so that what the model cannot follow is seen.
    """

    name: str
    seen_s: FloatArray
    seen_c: FloatArray
    grid_s: FloatArray
    band_c: FloatArray
    miss_k: FloatArray


def funnel(outlook: Outlook, core: Line, *, to_s: float) -> Funnel | None:
    """Return a channel's funnel up to a time, None where nothing is foreseen of it."""
    paths = outlook.paths.get(core.name)
    if paths is None or to_s <= outlook.until_s:
        return None
    ahead_s = np.linspace(outlook.until_s, to_s, _AHEAD_POINTS)
    return Funnel(core.name, core.time_s, core.temp_c, ahead_s, paths.band(ahead_s))


def fitted_curves(fitted: Fit) -> tuple[FittedCurve, ...]:
    """Return the curves of every channel of a fit."""
    found = []
    for name, channel in fitted.channels.items():
        core = channel.sight.core
        grid_s = fitted.grid_s + fitted.heating.start_s
        course = channel.course_c - channel.course_c[0] + channel.sight.start_c
        band = np.asarray(np.quantile(course, QUANTILES, axis=1))
        seen_c = np.interp(grid_s, core.time_s, core.temp_c, left=np.nan, right=np.nan)
        found.append(
            FittedCurve(name, core.time_s, core.temp_c, grid_s, band, np.asarray(seen_c - band[2]))
        )
    return tuple(found)
