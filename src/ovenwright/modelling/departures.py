"""How far a real body may depart from a one-dimensional one, and how that departure goes on.

The model's rate of heating is taken to be wrong by a factor whose logarithm wanders along the
logarithm of time: a body that heated a fifth too slowly so far goes on so for a while, and the
longer ahead, the less is known. The wander has no scale of its own, so a test of two minutes and
one of two hours are treated alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray

KNOTS = np.linspace(np.log(5.0), np.log(5.0e4), 40)
"""Logarithms of seconds since heating began at which a product record keeps departures."""

REACH = 0.7
"""Over so much of ln(time) a departure is forgotten to 1/e: about a doubling of the time."""

SIZES = np.array([0.03, 0.06, 0.12, 0.18, 0.27, 0.45])
"""Sizes of the departure (standard deviation of the logarithm of the rate)."""

SIZE_SHARES = np.array([0.12, 0.14, 0.20, 0.22, 0.18, 0.14])
"""How likely each size is before the data: one-dimensional models of real, irregular bodies miss
heating rates by 10 to 40 % (common practice, no source)."""


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

    @property
    def build_up(self) -> FloatArray:
        """(k, k) matrix that turns departures in the windows into departures of the rise."""
        steps = np.maximum(np.diff(self.rise_k, prepend=0.0), 0.0)
        return np.tril(np.ones((steps.size, steps.size))) * steps


@dataclass(frozen=True, slots=True)
class Departure:
    """What the windows say of the departure, for one size of it."""

    factor: FloatArray  # (k, k) Cholesky factor of the covariance of the residual rise
    now_gain: FloatArray  # (k, k) residual rise -> departure in the windows
    ahead_gain: FloatArray  # (ahead, k) residual rise -> departure ahead
    ahead_factor: FloatArray  # (ahead, ahead) Cholesky factor of what stays open ahead

    def log_likelihood(self, residual_k: FloatArray) -> FloatArray:
        """Return the log likelihood of residual rises (k, m), up to a common constant."""
        scaled = np.linalg.solve(self.factor, residual_k)
        size = np.log(np.diag(self.factor)).sum()
        return np.asarray(-0.5 * np.einsum("km,km->m", scaled, scaled) - size)


def learn(windows: Windows, *, size: float, ahead: FloatArray) -> Departure:
    """Prepare what a residual rise tells about departures.

    Parameters
    ----------
    windows : of the channel
    size : standard deviation of the logarithm of the rate
    ahead : (a,) ln(time) of windows ahead
    """
    build = windows.build_up
    own = likeness(windows.mid, windows.mid) * size**2
    shared = likeness(ahead, windows.mid) * size**2
    whole = build @ own @ build.T + np.diag(windows.noise_k2)
    back = np.linalg.solve(whole, build)  # (k, k)
    now_gain = own @ back.T
    ahead_gain = shared @ back.T
    rest = likeness(ahead, ahead) * size**2 - ahead_gain @ build @ shared.T
    return Departure(
        factor=np.asarray(np.linalg.cholesky(whole), np.float64),
        now_gain=now_gain,
        ahead_gain=ahead_gain,
        ahead_factor=np.asarray(np.linalg.cholesky(rest + 1e-9 * np.eye(len(ahead))), np.float64),
    )


def departure_at(departure: FloatArray, log_time: FloatArray) -> FloatArray:
    """Read departures kept at `KNOTS` (knots, m) at other ln(time): (n, m)."""
    place = np.clip((log_time - KNOTS[0]) / (KNOTS[1] - KNOTS[0]), 0.0, len(KNOTS) - 1.000001)
    low = place.astype(np.intp)
    share = (place - low)[:, None]
    return np.asarray((1.0 - share) * departure[low] + share * departure[low + 1])
