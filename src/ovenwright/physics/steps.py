"""Sums along a sampled history: the steps between samples, what counts, what is left out.

A step that touches a missing value (NaN), or is longer than ``max_gap_s``, counts for nothing:
totals are then lower bounds, and :func:`uncovered_time` says how much time was left out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray


def accumulate(
    time_s: FloatArray, rate_per_s: FloatArray, *, max_gap_s: float = np.inf
) -> FloatArray:
    """Sum up any rate by the trapezoid; steps with NaN or beyond `max_gap_s` count for nothing.

    Parameters
    ----------
    time_s : (n,) rising, seconds
    rate_per_s : (n,) or (n, m), per second
    max_gap_s : seconds

    Returns
    -------
    same shape as `rate_per_s`, starting at 0

    Raises
    ------
    OutOfRange : if times do not rise or the shapes do not fit
    """
    step_s = step_lengths(time_s, rate_per_s)
    return running_sum(step_s, 0.5 * (rate_per_s[:-1] + rate_per_s[1:]), max_gap_s)


def uncovered_time(
    time_s: FloatArray, temp_c: FloatArray, *, max_gap_s: float = np.inf
) -> FloatArray:
    """Seconds so far that count for nothing because a temperature is missing or too far away.

    Parameters
    ----------
    time_s : (n,) rising, seconds
    temp_c : (n,) or (n, m), NaN where missing
    max_gap_s : seconds

    Returns
    -------
    same shape as `temp_c`, seconds, starting at 0

    Raises
    ------
    OutOfRange : if times do not rise or the shapes do not fit
    """
    step_s = step_lengths(time_s, temp_c)
    known = np.isfinite(temp_c)
    lost = ~(known[:-1] & known[1:]) | _long(step_s, max_gap_s, np.ndim(temp_c))
    return _from_zero(np.cumsum(np.where(lost, _column(step_s, np.ndim(temp_c)), 0.0), axis=0))


def step_lengths(time_s: FloatArray, values: FloatArray) -> FloatArray:
    """Return (n - 1,) lengths of the steps, after a look at the shapes and the order of time.

    Raises
    ------
    OutOfRange : if times do not rise, or the shapes are not (n,) with (n,) or (n, m)
    """
    shape = np.shape(values)
    if np.ndim(time_s) != 1 or len(shape) not in {1, 2} or shape[0] != np.shape(time_s)[0]:
        raise OutOfRange(
            "shapes", got=(np.shape(time_s), shape), expected="time (n,), values (n,) or (n, m)"
        )
    if shape[0] == 0:
        raise OutOfRange("time_s", got="no sample", expected="at least one sample")
    step_s = np.diff(np.asarray(time_s, dtype=np.float64))
    if not bool(np.all(step_s > 0)):
        bad = int(np.flatnonzero(~(step_s > 0))[0])
        raise OutOfRange(
            "time_s", got=f"{time_s[bad]} then {time_s[bad + 1]}", expected="rising times"
        )
    return step_s


def _column(step_s: FloatArray, ndim: int) -> FloatArray:
    return step_s if ndim == 1 else step_s[:, np.newaxis]


def _long(step_s: FloatArray, max_gap_s: float, ndim: int) -> NDArray[np.bool_]:
    return _column(step_s, ndim) > max_gap_s


def _from_zero(totals: FloatArray) -> FloatArray:
    start = np.zeros((1, *totals.shape[1:]))
    return np.concatenate((start, totals), axis=0)


def running_sum(step_s: FloatArray, mean_rate: FloatArray, max_gap_s: float) -> FloatArray:
    """Sum up (n - 1,) or (n - 1, m) mean rates over their steps, starting at 0."""
    counted = np.isfinite(mean_rate)
    if np.isfinite(max_gap_s):
        counted &= ~_long(step_s, max_gap_s, mean_rate.ndim)
    part = np.where(counted, mean_rate * _column(step_s, mean_rate.ndim), 0.0)
    return _from_zero(np.cumsum(part, axis=0))


def above_zero(name: str, value: float, unit: str) -> None:
    """Refuse a parameter that is not above 0, NaN included."""
    if not value > 0:  # written so that NaN is refused too
        raise OutOfRange(name, got=value, expected=f"above 0 {unit}".rstrip())
