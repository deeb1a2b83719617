"""Survival curves that are not straight: a shoulder before, a tail behind, a soft start.

The log-linear and the Weibull form are in :mod:`ovenwright.physics.lethality`; these are for
kinetics that a challenge study gave in another form.
"""

from __future__ import annotations

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.lethality import LN10
from ovenwright.physics.steps import above_zero, running_sum, step_lengths


def softplus_weibull_log_reduction(
    time_s: FloatArray,
    temp_c: FloatArray,
    *,
    steepness_per_k: float,
    critical_c: float,
    shape: float,
    max_gap_s: float = np.inf,
) -> FloatArray:
    """Decimal reductions so far in Peleg's form, y = b(T) t**n with b = ln(1 + exp(k (T - Tc))).

    In state form y = (integral of b(T)**(1/n) dt)**n, with t in seconds; the integral is a
    trapezoid with one midpoint a step (Simpson's rule), since b is smooth in T.

    Raises
    ------
    OutOfRange : if `steepness_per_k` or `shape` is not above 0, times do not rise, shapes misfit

    Source: Peleg & Penchina 2000, Crit Rev Food Sci Nutr 40:159 (from memory).
    """
    above_zero("steepness_per_k", steepness_per_k, "1/K")
    above_zero("shape", shape, "")
    step_s = step_lengths(time_s, temp_c)

    def speed(at_c: FloatArray) -> FloatArray:
        softened = np.logaddexp(0.0, steepness_per_k * (at_c - critical_c))
        return np.asarray(np.power(softened, 1.0 / shape))

    ends = speed(np.asarray(temp_c, dtype=np.float64))
    middle = speed(0.5 * (temp_c[:-1] + temp_c[1:]))
    mean = (ends[:-1] + 4.0 * middle + ends[1:]) / 6.0
    return np.asarray(np.power(running_sum(step_s, mean, max_gap_s), shape))


def shouldered_log_reduction(
    equivalent_s: FloatArray, *, d_s: float, shoulder_s: float = 0.0, residual_log: float = np.inf
) -> FloatArray:
    """Decimal reductions with a shoulder before and a tail after the log-linear fall.

    The four-parameter form of Geeraerd has both its states driven by the same k(T), so on the
    axis K = ln(10) times equivalent time over D it has a closed solution.

    Parameters
    ----------
    equivalent_s : any shape, seconds at the temperature `d_s` belongs to
    d_s : decimal reduction time of the falling part, seconds, above 0
    shoulder_s : length of the shoulder at that temperature, seconds, 0 or more
    residual_log : decimal reductions after which survivors no longer fall, above 0

    Returns
    -------
    same shape, log10

    Raises
    ------
    OutOfRange : if a parameter is out of the range given

    Source: Geeraerd, Herremans & Van Impe 2000, Int J Food Microbiol 59:185 (from memory), with
    kmax = ln(10)/D.
    """
    above_zero("d_s", d_s, "s")
    above_zero("residual_log", residual_log, "")
    if not shoulder_s >= 0:
        raise OutOfRange("shoulder_s", got=shoulder_s, expected="0 s or more")
    fallen = LN10 * np.asarray(equivalent_s, dtype=np.float64) / d_s
    start = LN10 * shoulder_s / d_s  # ln(1 + C0)
    # ln of (e^K + e^start - 1) / e^start without overflow: C0 = e^start - 1
    grown = fallen + np.log1p(np.exp(-fallen) * np.expm1(min(start, 700.0))) - start
    survivors = np.exp(-grown)
    tail = 10.0**-residual_log if np.isfinite(residual_log) else 0.0
    if tail == 0.0:
        return np.asarray(grown / LN10)
    return np.asarray(-np.log10(tail + (1.0 - tail) * survivors))
