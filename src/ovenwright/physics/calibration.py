"""Corrections from a calibration certificate, between its points and beyond them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray, N, as_given

GROWTH_K_K = 0.004
"""Least slope by which an unknown correction is let wander beyond the last point, K per K: the
proportional part of IEC 60584-1 class 1."""


def correction(
    temp_c: N,
    at_c: ArrayLike,
    correction_k: ArrayLike,
    expanded_k: ArrayLike,
    coverage: float | ArrayLike,
    *,
    growth_k_k: float = GROWTH_K_K,
) -> tuple[N, N]:
    """Correction to add to an indicated temperature, and its standard uncertainty.

    Between two points both are taken as straight lines; points of one certificate share their
    causes, so their uncertainties are not allowed to average out. Outside, the correction of the
    end point is held and the uncertainty grows with the distance d from it as
    ``sqrt(u_end² + (s d)² / 3)``: the correction may have wandered anywhere within ± s d, with s
    the steepest slope between neighbouring points of the certificate, and at least `growth_k_k`.

    Parameters
    ----------
    temp_c : any shape, indicated temperature, °C; NaN stays NaN
    at_c : (p,) indicated temperatures of the certificate's points, °C, any order, no two alike
    correction_k : (p,) true minus indicated, K
    expanded_k : (p,) expanded uncertainty, K, not below 0
    coverage : coverage factor of `expanded_k`, above 0; one number or (p,)
    growth_k_k : least slope outside, K per K, not below 0

    Returns
    -------
    correction, standard uncertainty : same shape as `temp_c`, K

    Raises
    ------
    OutOfRange : if the points are none, not finite, of unequal number or twice at one temperature

    Source: JCGM100, 4.3.1 (expanded uncertainty over coverage factor) and 4.3.7 (rectangular
    bound); the rule outside is this package's own.
    """
    at = np.atleast_1d(np.asarray(at_c, dtype=np.float64))
    value = np.atleast_1d(np.asarray(correction_k, dtype=np.float64))
    expanded = np.atleast_1d(np.asarray(expanded_k, dtype=np.float64))
    factor = np.asarray(coverage, dtype=np.float64)
    if not (at.ndim == 1 and at.size > 0 and at.shape == value.shape == expanded.shape):
        raise OutOfRange(
            "certificate points",
            got=f"{at.size} temperatures, {value.size} corrections, {expanded.size} uncertainties",
            expected="the same number of each, at least one",
        )
    if factor.ndim and factor.shape != at.shape:
        raise OutOfRange(
            "coverage", got=f"{factor.size} factors", expected=f"one number or {at.size} of them"
        )
    if not bool(np.all(np.isfinite(at) & np.isfinite(value) & np.isfinite(expanded))):
        raise OutOfRange("certificate points", got="NaN or infinite", expected="finite numbers")
    if not bool(np.all(expanded >= 0)):
        raise OutOfRange("expanded_k", got=float(expanded.min()), expected="0 K or above")
    if not bool(np.all((factor > 0) & np.isfinite(factor))):
        raise OutOfRange("coverage", got=float(np.min(factor)), expected="a finite number above 0")
    if not growth_k_k >= 0:
        raise OutOfRange("growth_k_k", got=growth_k_k, expected="0 or above")
    order = np.argsort(at)
    at, value = at[order], value[order]
    standard: FloatArray = (expanded / factor)[order]
    gaps = np.diff(at)
    if not bool(np.all(gaps > 0)):
        twice = float(at[1:][gaps <= 0][0])
        raise OutOfRange(
            "certificate points", got=f"two points at {twice:g} °C", expected="one at each"
        )
    steepest = float(np.max(np.abs(np.diff(value) / gaps))) if at.size > 1 else 0.0
    given = np.asarray(temp_c, dtype=np.float64)
    beyond = np.maximum(np.maximum(at[0] - given, given - at[-1]), 0.0)
    wander = max(steepest, growth_k_k) * beyond / np.sqrt(3.0)
    held = np.asarray(np.interp(given, at, value), dtype=np.float64)
    doubt = np.asarray(np.hypot(np.interp(given, at, standard), wander), dtype=np.float64)
    return as_given(temp_c, held), as_given(temp_c, doubt)
