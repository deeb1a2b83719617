"""How far a real body may depart from a one-dimensional one, and how that departure goes on.

The model's rate of heating is taken to be wrong by a factor whose logarithm wanders along the
logarithm of time: a body that heated a fifth too slowly so far goes on so for a while, and the
longer ahead, the less is known. The wander has no scale of its own, so a test of two minutes and
one of two hours are treated alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray, IntArray

KNOTS = np.linspace(np.log(5.0), np.log(5.0e4), 40)
"""Logarithms of seconds since heating began at which a product record keeps departures."""

REACH = 0.7
"""Over so much of ln(time) a departure is forgotten to 1/e: about a doubling of the time."""

SIZES = np.array([0.05, 0.12, 0.19, 0.28, 0.40, 0.58])
"""Sizes of the departure (standard deviation of the logarithm of the rate)."""

SIZE_SHARES = np.array([0.06, 0.14, 0.21, 0.24, 0.20, 0.15])
"""How likely each size is before the data: one-dimensional models of real, irregular bodies miss
heating rates by 10 to 40 %, and hardly one is nearly exact (common practice, no source)."""


def likeness(one: FloatArray, other: FloatArray) -> FloatArray:
    """Correlation of departures at two sets of ln(time): exponential in the distance."""
    return np.exp(-np.abs(one[:, None] - other[None, :]) / REACH)


@dataclass(frozen=True, slots=True)
class Windows:
    """The rise of a channel cut into windows of time.

    ``mid`` (k,) ln of each window's middle, seconds since the start; ``rise_k`` (k,) rise at each
    window's end; ``noise_k2`` (k,) variance of that rise from everything but the model.
    """

    mid: FloatArray
    rise_k: FloatArray
    noise_k2: FloatArray


@dataclass(frozen=True, slots=True)
class Misfit:
    """How members miss a channel's windows.

    ``residual_k`` (k, m) rise less the member's; ``step_k`` (k, m) what a departure of one in a
    window adds to the rise: the logarithmic mean of the two rises in it, with which the logarithm
    of their ratio times the step is exactly their difference.
    """

    residual_k: FloatArray
    step_k: FloatArray

    def take(self, pick: IntArray) -> Misfit:
        """Return the misfit of some members."""
        return Misfit(self.residual_k[:, pick], self.step_k[:, pick])


_LEAST_STEP_K = 0.02


def misfit(windows: Windows, model_k: FloatArray, expected: FloatArray) -> Misfit:
    """Hold members against windows.

    Parameters
    ----------
    windows : of the channel
    model_k : (k, m) rise of each member at the windows' ends
    expected : (k, m) departures that a record expects, 0 without one
    """
    steps = np.diff(model_k, axis=0, prepend=0.0) * np.exp(expected)
    residual = windows.rise_k[:, None] - np.cumsum(steps, axis=0)
    seen = np.maximum(np.diff(windows.rise_k, prepend=0.0), _LEAST_STEP_K)[:, None]
    own = np.maximum(steps, _LEAST_STEP_K)
    ratio = np.log(own / seen)
    near = np.abs(ratio) < 1e-3
    mean = np.where(near, 0.5 * (own + seen), (own - seen) / np.where(near, 1.0, ratio))
    return Misfit(residual, mean)


def _factors(windows: Windows, missed: Misfit, size: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (m, k, k) what departures add to the rise, and the Cholesky factor of its covariance."""
    count = windows.mid.size
    build = np.tril(np.ones((count, count))) * missed.step_k.T[:, None, :]
    own = likeness(windows.mid, windows.mid)
    whole = build @ own @ build.transpose(0, 2, 1) * (size * size)[:, None, None]
    whole += np.diag(windows.noise_k2)
    return build, np.asarray(np.linalg.cholesky(whole), np.float64)


def log_likelihood(windows: Windows, missed: Misfit, size: FloatArray) -> FloatArray:
    """Return the log likelihood of members (m,) up to a constant, for a size of departure each.

    The volume of the covariance is taken at the rise as it was seen: the readings are given, so a
    member gains nothing by steps so small that no departure could explain a rise.
    """
    _, factor = _factors(windows, missed, size)
    scaled = np.linalg.solve(factor, missed.residual_k.T[:, :, None])[:, :, 0]
    seen = np.maximum(np.diff(windows.rise_k, prepend=0.0), _LEAST_STEP_K)[:, None]
    sizes, back = np.unique(size, return_inverse=True)
    still = Misfit(np.zeros_like(seen), seen)
    volume = np.array(
        [np.log(np.diag(_factors(windows, still, np.array([one]))[1][0])).sum() for one in sizes]
    )
    return np.asarray(-0.5 * np.sum(scaled * scaled, axis=1) - volume[back])


@dataclass(frozen=True, slots=True)
class Departure:
    """Departures of members as the windows tell: now (k, m), ahead (a, m), and what stays open.

    ``open_factor`` (m, a, a) is the Cholesky factor of what the readings leave open ahead.
    """

    now: FloatArray
    ahead: FloatArray
    open_factor: FloatArray


def learn(windows: Windows, missed: Misfit, size: FloatArray, log_ahead: FloatArray) -> Departure:
    """Read from the misfit how much faster than its model each member heats, and go on with it.

    Parameters
    ----------
    windows : of the channel
    missed : of the members
    size : (m,) size of departure of each
    log_ahead : (a,) ln(time) of windows ahead
    """
    build, factor = _factors(windows, missed, size)
    variance = (size * size)[:, None, None]
    own = likeness(windows.mid, windows.mid)
    shared = likeness(log_ahead, windows.mid)
    inner = np.linalg.solve(factor, build)  # factor⁻¹ B
    scaled = np.linalg.solve(factor, missed.residual_k.T[:, :, None])
    told = inner.transpose(0, 2, 1) @ scaled * variance  # s² Bᵀ S⁻¹ r
    half = inner @ shared.T * variance
    left = likeness(log_ahead, log_ahead) * variance - half.transpose(0, 2, 1) @ half
    left += 1e-9 * np.eye(log_ahead.size)
    return Departure(
        now=(own @ told)[:, :, 0].T,
        ahead=(shared @ told)[:, :, 0].T,
        open_factor=np.asarray(np.linalg.cholesky(left), np.float64),
    )


def departure_at(departure: FloatArray, log_time: FloatArray) -> FloatArray:
    """Read departures kept at `KNOTS` (knots, m) at other ln(time): (n, m)."""
    place = np.clip((log_time - KNOTS[0]) / (KNOTS[1] - KNOTS[0]), 0.0, len(KNOTS) - 1.000001)
    low = place.astype(np.intp)
    share = (place - low)[:, None]
    return np.asarray((1.0 - share) * departure[low] + share * departure[low + 1])
