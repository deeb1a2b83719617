"""Does it conform, and how sure is that: probability of conformity, guard bands, risks.

JCGM 106 is Evaluation of measurement data: the role of measurement uncertainty in conformity
assessment (2012). Checked in tests/evidence/test_conformity_examples.py.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray


def probability_of_conformity(
    value: ArrayLike,
    standard_uncertainty: ArrayLike,
    lower: float | None = None,
    upper: float | None = None,
) -> FloatArray:
    """Probability that the true value lies within the limits, its spread being normal.

    Parameters
    ----------
    value : any shape
    standard_uncertainty : same shape or one number, 0 or more; at 0 the answer is 0 or 1
    lower, upper : tolerance limits, None where there is none

    Returns
    -------
    shape of `value`, 0 to 1

    Raises
    ------
    OutOfRange : if there is no limit, limits are reversed or an uncertainty is negative

    Source: JCGM 106, eq. 7 and 7.3 to 7.4.
    """
    lower_limit, upper_limit = _limits(lower, upper)
    y = np.asarray(value, dtype=np.float64)
    u = np.asarray(standard_uncertainty, dtype=np.float64)
    if not bool(np.all(u >= 0)):
        raise OutOfRange("standard_uncertainty", got=u.tolist(), expected="0 or more")
    safe = np.where(u > 0, u, 1.0)
    below = ndtr((upper_limit - y) / safe)
    spread = below - ndtr((lower_limit - y) / safe)
    known = np.where((y >= lower_limit) & (y <= upper_limit), 1.0, 0.0)
    return np.asarray(np.where(u > 0, spread, known))


def probability_from_samples(
    samples: ArrayLike, lower: float | None = None, upper: float | None = None
) -> float:
    """Probability of conformity from Monte Carlo draws of the value.

    With c of m draws conforming, the answer is (c + 1/2)/(m + 1): close to c/m, but never 0 or 1,
    because m draws cannot show a probability nearer to certainty than about 1/(2m). A draw that is
    NaN, a value that could not be evaluated, counts as not conforming.

    Parameters
    ----------
    samples : (m,) one draw or more
    lower, upper : tolerance limits, None where there is none; a draw on a limit conforms

    Raises
    ------
    OutOfRange : if there is no draw, no limit, or limits are reversed

    Source: JCGM 101, 7.5 for the draws; (c + 1/2)/(m + 1) is the mean of Jeffreys' beta
    distribution for a share (from memory).
    """
    conforming = int(np.count_nonzero(_conforming(samples, lower, upper)))
    return (conforming + 0.5) / (np.size(samples) + 1.0)


def joint_probability_from_samples(
    samples: ArrayLike, lower: float | None = None, upper: float | None = None
) -> float:
    """Probability that all of several values conform at once, from draws that belong together.

    Parameters
    ----------
    samples : (m, k) draws, row i of all k values from one trial
    lower, upper : tolerance limits

    Raises
    ------
    OutOfRange : as for :func:`probability_from_samples`
    """
    all_conform = np.all(_conforming(samples, lower, upper), axis=-1)
    share = (int(np.count_nonzero(all_conform)) + 0.5) / (np.size(all_conform) + 1.0)
    return float(share)


def acceptance_limits(
    lower: float | None, upper: float | None, guard: float
) -> tuple[float | None, float | None]:
    """Limits moved inwards by a guard band.

    Parameters
    ----------
    lower, upper : tolerance limits, None where there is none
    guard : width of the band, in the unit of the limits, 0 or more

    Returns
    -------
    (lower, upper); crossed where the band leaves no room, then nothing can be accepted

    Raises
    ------
    OutOfRange : if `guard` is negative

    Source: JCGM 106, 8.3.2.
    """
    if not guard >= 0:
        raise OutOfRange("guard", got=guard, expected="0 or more")
    return (
        None if lower is None else lower + guard,
        None if upper is None else upper - guard,
    )


@dataclass(frozen=True, slots=True)
class Risk:
    """Shares of all items: accepted though bad, rejected though good, and bad before any test."""

    consumer: float
    producer: float
    nonconforming: float


def global_risk(
    prior: Callable[[FloatArray], FloatArray],
    *,
    support: tuple[float, float],
    standard_uncertainty: float,
    limits: tuple[float | None, float | None],
    acceptance: tuple[float | None, float | None],
    points: int = 4000,
) -> Risk:
    """Risks of a decision rule over a whole production, before anything is measured.

    Parameters
    ----------
    prior : probability density of the items' true values, vectorised
    support : range outside of which the density is negligible
    standard_uncertainty : of the measurement, normal, above 0
    limits : tolerance limits (lower, upper), None where there is none
    acceptance : acceptance limits (lower, upper)
    points : nodes of the midpoint rule on each side of a limit

    Raises
    ------
    OutOfRange : if the uncertainty is not above 0 or there is no limit

    Source: JCGM 106, eq. 19 and 20, clause 9.5.
    """
    if not standard_uncertainty > 0:
        raise OutOfRange("standard_uncertainty", got=standard_uncertainty, expected="above 0")
    lower, upper = _limits(*limits)
    accept_lower, accept_upper = _limits(*acceptance)
    low, high = support
    edges = sorted({low, high, *(e for e in (lower, upper) if low < e < high)})
    consumer = producer = bad = 0.0
    nodes, weights = np.polynomial.legendre.leggauss(64)
    for start, stop in itertools.pairwise(edges):
        # panels of 64 Gauss points; the limits are edges, so every panel is smooth
        panels = np.linspace(start, stop, max(points // 64, 1) + 1)
        half = 0.5 * np.diff(panels)[:, np.newaxis]
        at = (panels[:-1, np.newaxis] + half + half * nodes).ravel()
        mass = (half * weights).ravel() * prior(at)
        accepted = ndtr((accept_upper - at) / standard_uncertainty) - ndtr(
            (accept_lower - at) / standard_uncertainty
        )
        if lower <= 0.5 * (start + stop) <= upper:
            producer += float(np.sum(mass * (1.0 - accepted)))
        else:
            consumer += float(np.sum(mass * accepted))
            bad += float(np.sum(mass))
    return Risk(consumer=consumer, producer=producer, nonconforming=bad)


def _limits(lower: float | None, upper: float | None) -> tuple[float, float]:
    if lower is None and upper is None:
        raise OutOfRange("limits", got="none", expected="a lower or an upper limit")
    low = -math.inf if lower is None else lower
    high = math.inf if upper is None else upper
    if math.isnan(low) or math.isnan(high) or low > high:
        raise OutOfRange("limits", got=(lower, upper), expected="numbers, lower below upper")
    return low, high


def _conforming(samples: ArrayLike, lower: float | None, upper: float | None) -> NDArray[np.bool_]:
    low, high = _limits(lower, upper)
    y = np.asarray(samples, dtype=np.float64)
    if y.size == 0:
        raise OutOfRange("samples", got="no draw", expected="one draw or more")
    return (y >= low) & (y <= high)  # False for NaN, as it must be
