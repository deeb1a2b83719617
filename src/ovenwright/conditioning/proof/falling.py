"""Time constant of a sensor from its fall after it was let go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import minimize_scalar

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.proof import NAN, TimeConstant
from ovenwright.errors import OutOfRange

_LEAST = 5  # readings on the fall
_MOST = 160
_KEEPS = tuple(0.3 + 0.04 * k for k in range(18))


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
    ``asymptote_standard_k`` to leave it free. The noise is taken as white noise and a part that
    lasts from reading to reading, both found from the residuals, so that neighbouring readings do
    not count as independent.

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
    if elapsed.size > _MOST:  # the rest tells nothing new and costs time
        some = np.unique(np.linspace(0, elapsed.size - 1, _MOST).round().astype(np.int64))
        elapsed, temp_c = elapsed[some], temp_c[some]
    step = float(np.median(np.diff(elapsed)))
    floor = float(np.hypot(max(noise_k, 1e-4), resolution_k / np.sqrt(12.0)))
    prior = (asymptote_c, asymptote_standard_k)

    fit = _fitted(elapsed, temp_c, np.eye(elapsed.size) * floor, prior)
    for _ in range(2):
        noise = _noise(fit.residual_k, step, elapsed, floor)
        fit = _fitted(elapsed, temp_c, _root(noise), prior)

    departure = float(np.std(fit.residual_k))
    if fit.rise_k * np.sign(temp_c[0] - asymptote_c) < 6.0 * floor:
        return _none(time_s.size, fit.level_c, "it hardly fell", departure)
    if fit.tau_s < 0.7 * step:
        return _none(
            time_s.size, fit.level_c, f"faster than readings every {step:.3g} s can show", departure
        )
    if float(elapsed[-1]) < 0.5 * fit.tau_s or fit.standard_s > 0.5 * fit.tau_s:
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


def _noise(residual: FloatArray, step_s: float, elapsed: FloatArray, floor_k: float) -> FloatArray:
    """Covariance of the noise (n, n): white, and a part that lasts, as a draught does.

    The share and the length of the lasting part are read from the residuals' autocovariance.
    Residuals of a fit look less alike than the noise is, as the fit took some of it; what it took
    of the lasting part is given back.
    """
    n = residual.size
    lags = np.arange(1.0, max(2.0, min(13.0, n // 3)))
    own = float(residual @ residual) / max(n - 3, 1)
    shared = np.array(
        [float(residual[k:] @ residual[:-k]) / max(n - k - 3, 1) for k in range(1, lags.size + 1)]
    )
    white, lasting, keep = own, 0.0, 0.0
    for _ in range(2):
        taken = 3.0 / n * (own + 2.0 * lasting * keep / (1.0 - keep)) if keep < 1.0 else 0.0
        best = np.inf
        for trial in _KEEPS:
            shape = np.power(trial, lags)
            size = max(float(shape @ (shared + taken)) / float(shape @ shape), 0.0)
            size = min(size, own + taken)
            left = float(np.sum((shared + taken - size * shape) ** 2))
            if left < best:
                best, lasting, keep = left, size, float(trial)
        white = own + taken - lasting
    white = max(white, (0.1 * floor_k) ** 2, 0.02 * own)
    apart = np.abs(elapsed[:, None] - elapsed[None, :]) / step_s
    out: FloatArray = lasting * np.power(keep, apart) + white * np.eye(n)
    # no less noise than the sensor showed at rest
    return out * max(1.0, floor_k**2 / (white + lasting))


def _root(noise: FloatArray) -> FloatArray:
    out: FloatArray = np.linalg.cholesky(noise).astype(np.float64)
    return out


def _fitted(
    elapsed: FloatArray, temp_c: FloatArray, root: FloatArray, prior: tuple[float, float]
) -> _Fit:
    """Least squares with the noise's lower root (n, n) and the asymptote as a prior observation."""

    def whitened(rows: FloatArray) -> FloatArray:
        out: FloatArray = solve_triangular(root, rows, lower=True, check_finite=False)
        return out

    ones = whitened(np.ones_like(elapsed))
    target = np.append(whitened(temp_c), prior[0] / prior[1])

    def linear(tau: float) -> tuple[FloatArray, FloatArray]:
        columns = np.stack([whitened(np.exp(-elapsed / tau)), ones], axis=1)
        rows = np.vstack([columns, [[0.0, 1.0 / prior[1]]]])
        found, *_ = np.linalg.lstsq(rows, target, rcond=None)
        return found, target - rows @ found

    def misfit(log_tau: float) -> float:
        _, left = linear(float(np.exp(log_tau)))
        return float(left @ left)

    step = float(np.median(np.diff(elapsed)))
    grid = np.log(np.geomspace(0.05 * step, 10.0 * elapsed[-1], 30))
    best = int(np.argmin([misfit(g) for g in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
    tau = float(np.exp(minimize_scalar(misfit, bounds=(low, high), method="bounded").x))
    (rise, level), _ = linear(tau)
    decay = np.exp(-elapsed / tau)
    slopes = whitened(
        np.stack([decay, np.ones_like(decay), rise * decay * elapsed / tau**2], axis=1)
    )
    rows = np.vstack([slopes, [[0.0, 1.0 / prior[1], 0.0]]])
    try:
        variance = float(np.linalg.inv(rows.T @ rows)[2, 2])
    except np.linalg.LinAlgError:
        variance = np.inf
    residual: FloatArray = temp_c - (level + rise * decay)
    return _Fit(tau, float(level), float(rise), residual, float(np.sqrt(max(variance, 0.0))))
