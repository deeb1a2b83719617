"""Time constant of a sensor from its fall after it was let go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.proof import NAN, TimeConstant
from ovenwright.errors import OutOfRange

_LEAST = 5  # readings on the fall
_MOST_CORRELATION = 0.9


@dataclass(frozen=True, slots=True)
class _Fit:
    tau_s: float
    level_c: float
    rise_k: float
    residual_k: FloatArray
    standard_s: float


def time_constant(
    time_s: FloatArray,
    temp_c: FloatArray,
    *,
    asymptote_c: float,
    asymptote_standard_k: float,
    noise_k: float,
    resolution_k: float = 0.0,
) -> TimeConstant:
    """Fit a first-order fall, T∞ + A exp(−t/τ), to readings that were taken after letting go.

    The asymptote is a parameter of the fit, held by what is known of it beforehand: pass a large
    ``asymptote_standard_k`` to leave it free. The noise is taken as a first-order autoregression
    whose correlation is found from the residuals, so that neighbouring readings do not count as
    independent.

    Parameters
    ----------
    time_s : (n,) rising, seconds
    temp_c : (n,) degrees Celsius, on the fall only
    asymptote_c, asymptote_standard_k : where it falls to, and how well that is known, above 0
    noise_k : noise of single readings
    resolution_k : step of the readings

    Returns
    -------
    the time constant; ``value_s`` is NaN with a reason where the readings can't tell it

    Raises
    ------
    OutOfRange : if the arrays differ in length, or the asymptote's uncertainty is not above 0

    Source: solution of the lumped heat balance (Incropera and DeWitt, ch. 5); generalised least
    squares with a prior observation; Gauss–Newton covariance. Checked in
    tests/evidence/test_touch_time_constants.py.
    """
    if time_s.shape != temp_c.shape:
        raise OutOfRange("temp_c", got=temp_c.shape, expected=f"{time_s.shape}")
    if not asymptote_standard_k > 0:
        raise OutOfRange("asymptote_standard_k", got=asymptote_standard_k, expected="above 0 K")
    known = np.isfinite(temp_c)
    time_s, temp_c = time_s[known], temp_c[known]
    if time_s.size < _LEAST:
        return _none(time_s.size, asymptote_c, "too few readings on the fall")
    elapsed = time_s - time_s[0]
    step = float(np.median(np.diff(elapsed)))
    floor = float(np.hypot(max(noise_k, 1e-4), resolution_k / np.sqrt(12.0)))
    prior = (asymptote_c, asymptote_standard_k)

    fit = _fitted(elapsed, temp_c, np.zeros(elapsed.size - 1), floor, prior)
    for _ in range(2):
        correlation = _correlation(fit.residual_k)
        lags = np.diff(elapsed) / step
        spread = max(float(np.sqrt(np.sum(fit.residual_k**2) / max(elapsed.size - 3, 1))), floor)
        fit = _fitted(elapsed, temp_c, correlation**lags, spread, prior)

    departure = float(np.std(fit.residual_k))
    seen = float(elapsed[-1])
    if fit.rise_k < 6.0 * floor:
        return _none(time_s.size, fit.level_c, "it hardly fell", departure)
    if fit.tau_s < 0.7 * step:
        return _none(
            time_s.size, fit.level_c, f"faster than readings every {step:.3g} s can show", departure
        )
    if seen < 0.5 * fit.tau_s or fit.standard_s > 0.5 * fit.tau_s:
        return _none(time_s.size, fit.level_c, "too little of the fall was seen", departure)
    return TimeConstant(
        value_s=fit.tau_s,
        standard_s=fit.standard_s,
        asymptote_c=fit.level_c,
        departure_k=departure,
        readings=int(time_s.size),
    )


def _none(count: int, level_c: float, reason: str, departure_k: float = NAN) -> TimeConstant:
    return TimeConstant(NAN, NAN, level_c, departure_k, int(count), reason)


def _correlation(residual: FloatArray) -> float:
    """Correlation of neighbours, with the downward bias of short records put right."""
    whole = float(np.sum(residual**2))
    if whole <= 0:
        return 0.0
    lag = float(np.sum(residual[1:] * residual[:-1])) / whole
    # a fit of three numbers leaves neighbours looking less alike than they are
    lag += (1.0 + 3.0 * max(lag, 0.0)) / residual.size
    return float(np.clip(lag, 0.0, _MOST_CORRELATION))


def _whitened(rows: FloatArray, correlation: FloatArray) -> FloatArray:
    """Turn an autoregression of unit spread into independent rows (Prais–Winsten)."""
    out = rows.copy()
    shape = (-1,) + (1,) * (rows.ndim - 1)
    out[1:] = (rows[1:] - correlation.reshape(shape) * rows[:-1]) / np.sqrt(
        1.0 - correlation.reshape(shape) ** 2
    )
    return out


def _fitted(
    elapsed: FloatArray,
    temp_c: FloatArray,
    correlation: FloatArray,
    spread_k: float,
    prior: tuple[float, float],
) -> _Fit:
    target = np.append(_whitened(temp_c, correlation) / spread_k, prior[0] / prior[1])

    def linear(tau: float) -> tuple[FloatArray, FloatArray]:
        columns = np.stack([np.exp(-elapsed / tau), np.ones_like(elapsed)], axis=1)
        rows = np.vstack([_whitened(columns, correlation) / spread_k, [[0.0, 1.0 / prior[1]]]])
        found, *_ = np.linalg.lstsq(rows, target, rcond=None)
        return found, target - rows @ found

    def misfit(log_tau: float) -> float:
        _, left = linear(float(np.exp(log_tau)))
        return float(left @ left)

    grid = np.log(np.geomspace(0.05 * np.median(np.diff(elapsed)) + 1e-3, 10.0 * elapsed[-1], 40))
    coarse = np.array([misfit(g) for g in grid])
    best = int(np.argmin(coarse))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
    tau = float(np.exp(minimize_scalar(misfit, bounds=(low, high), method="bounded").x))
    (rise, level), _ = linear(tau)
    decay = np.exp(-elapsed / tau)
    slopes = np.stack([decay, np.ones_like(decay), rise * decay * elapsed / tau**2], axis=1)
    rows = np.vstack(
        [_whitened(slopes, correlation) / spread_k, [[0.0, 1.0 / prior[1], 0.0]]],
    )
    try:
        standard = float(np.sqrt(np.linalg.inv(rows.T @ rows)[2, 2]))
    except np.linalg.LinAlgError:
        standard = float("inf")
    residual: FloatArray = temp_c - (level + rise * decay)
    return _Fit(tau, float(level), float(rise), residual, standard)
