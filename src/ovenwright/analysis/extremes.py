"""The highest and lowest reading of a curve, and what noise and lag do to them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.draws import ChannelErrors
from ovenwright.analysis.levels import boxcar, boxcar_held
from ovenwright.domain.arrays import FloatArray

_HALVES = (3, 10, 30, 100)  # readings to either side whose mean stands for the curve under noise
_GRID = 65
_BINS = 48


@dataclass(frozen=True, slots=True)
class Extreme:
    """The most extreme reading; ``noise_k`` is by how much noise alone makes it stand out."""

    value_c: float
    at_s: float
    draws_c: FloatArray
    noise_k: float


def find_highest(curve: Curve, errors: ChannelErrors) -> Extreme:
    """Find the highest reading and draw the true maximum behind it.

    The largest of many noisy readings stands above the curve it came from. That excess is drawn
    from its own law, the product of the readings' distribution functions, and taken off. A slow
    sensor can only have missed the top of a peak: readings plus rate times lag, with the lag
    drawn evenly from 0 to the time constant.
    """
    value = float(curve.temp_c[curve.top])
    draws = errors.true_at(value)
    excess, typical = _excess(curve, errors)
    draws = draws - excess + _missed(curve, errors)
    return Extreme(value, float(curve.time_s[curve.top]), draws, typical)


def find_lowest(curve: Curve, errors: ChannelErrors) -> Extreme:
    """Find the lowest reading and draw the true minimum behind it, as :func:`find_highest`."""
    value = float(curve.temp_c[curve.bottom])
    draws = errors.true_at(value)
    mirrored = curve.flipped()
    excess, typical = _excess(mirrored, errors)
    draws = draws + excess - _missed(mirrored, errors)
    return Extreme(value, float(curve.time_s[curve.bottom]), draws, typical)


def _excess(curve: Curve, errors: ChannelErrors) -> tuple[FloatArray, float]:
    """Draws (m,) of the highest noisy reading minus the highest point of the smooth curve."""
    sigma = errors.noise_k
    if sigma <= 0 or len(curve) < 2:
        return np.zeros(errors.count), 0.0
    smooth = _under_the_noise(curve, sigma)
    top = float(smooth.max())
    below = (smooth[smooth > top - 8.0 * sigma] - top) / sigma
    count, edge = np.histogram(below, bins=_BINS, range=(-8.0, 0.0))
    centre = 0.5 * (edge[1:] + edge[:-1])
    x = np.linspace(-4.0, 7.0, _GRID)
    chance = np.exp((log_ndtr(x[:, None] - centre[None, :]) * count).sum(axis=1))
    rising = np.concatenate(([True], np.diff(chance) > 0))
    share = errors.draws.share("highest", errors.name)
    drawn = np.interp(share, chance[rising], x[rising]) * sigma
    typical = float(np.interp(0.5, chance[rising], x[rising])) * sigma
    return drawn, max(typical, 0.0)


def _under_the_noise(curve: Curve, sigma: float) -> FloatArray:
    """Return the moving mean that best stands for the curve near its top.

    A wider mean sheds more noise; it is taken as long as it does not lower the top by more than
    the noise left in the narrowest one would explain.
    """
    if len(curve) <= 2 * _HALVES[0]:
        return curve.temp_c
    high = np.flatnonzero(curve.temp_c >= curve.temp_c[curve.top] - 12.0 * sigma)
    y = curve.temp_c[high[0] : high[-1] + 1]
    best = boxcar_held(y, _HALVES[0])
    least = float(best.max()) - 1.5 * sigma
    for half in _HALVES[1:]:
        if 2 * half >= y.size:
            break
        wider = boxcar_held(y, half)
        if float(wider.max()) < least:
            break
        best = wider
    return best


def _missed(curve: Curve, errors: ChannelErrors) -> FloatArray:
    """Draws (m,) of how far a lagging sensor stayed below the top, never below 0."""
    nothing = np.zeros(errors.count)
    lag = errors.lag_s
    if lag <= 0 or len(curve) < 5:
        return nothing
    top_s = float(curve.time_s[curve.top])
    wide = curve.within(top_s - 7.0 * lag, top_s + 7.0 * lag)
    if len(wide) < 3 or not wide.whole:
        return nothing
    interval = (wide.time_s[-1] - wide.time_s[0]) / (len(wide) - 1)
    half = int(min(max(math.ceil(0.5 * lag / interval), 1), (len(wide) - 1) // 2))
    slope = slopes(wide, half)
    smooth = boxcar(wide.temp_c, half if errors.noise_k > 0 else 0)
    # the slopes held at the ends of a window count only where the curve itself ends there
    near = np.abs(wide.time_s - top_s) <= 5.0 * lag
    usable = np.isfinite(slope) & near
    if not usable.any():
        return nothing
    # scatter of the slope, so that noise alone moves no plateau
    doubt = 2.0 * errors.noise_k * math.sqrt(2.0 / half) / ((half + 1) * interval)
    steep = np.sign(slope[usable]) * np.maximum(np.abs(slope[usable]) - doubt, 0.0)
    share = np.linspace(0.0, 1.0, 9)
    top = (smooth[usable][None, :] + share[:, None] * lag * steep[None, :]).max(axis=1)
    missed = np.maximum(top - top[0], 0.0)
    return np.asarray(np.interp(errors.late_s() / lag, share, missed), dtype=np.float64)


def slopes(curve: Curve, half: int) -> FloatArray:
    """Return (n,) slopes, K/s: mean of ``half`` readings after minus mean before, over their gap.

    Each mean has its own mean time, so uneven sampling does no harm. NaN where a window would
    leave the curve or reach across a hole. At both ends the window is one-sided and narrower.
    """
    n = len(curve)
    slope = np.full(n, math.nan)
    if n < 2 * half + 1 or half < 1:
        return slope
    t = curve.time_s - curve.time_s[0]
    y = curve.temp_c - curve.temp_c[0]
    sum_t = np.concatenate(([0.0], np.cumsum(t)))
    sum_y = np.concatenate(([0.0], np.cumsum(y)))
    i = np.arange(half, n - half)
    after_t = sum_t[i + half + 1] - sum_t[i + 1]
    before_t = sum_t[i] - sum_t[i - half]
    after_y = sum_y[i + half + 1] - sum_y[i + 1]
    before_y = sum_y[i] - sum_y[i - half]
    inner = (after_y - before_y) / (after_t - before_t)
    if not curve.whole:
        broken = np.concatenate(([0], np.cumsum(~curve.joined)))
        inner = np.where(broken[i + half] == broken[i - half], inner, math.nan)
    slope[half : n - half] = inner
    slope[:half], slope[n - half :] = inner[0], inner[-1]
    return slope
