"""Arithmetic of measurement uncertainty: budgets, propagation, Monte Carlo, intervals.

JCGM 100 is the Guide to the expression of uncertainty in measurement (2008), JCGM 101 its
supplement on Monte Carlo. Checked in tests/evidence/test_uncertainty_examples.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray

DIVISORS: Mapping[str, float] = MappingProxyType(
    {
        "normal": 1.0,
        "rectangular": math.sqrt(3.0),
        "triangular": math.sqrt(6.0),
        "arcsine": math.sqrt(2.0),
    }
)
"""Half-width over standard uncertainty; for "normal" the half-width is the standard uncertainty.

Source: JCGM 100, 4.3.7 and 4.3.9; JCGM 101, 6.4.6 for arcsine.
"""

RESOLUTION_DIVISOR = math.sqrt(12.0)
"""One step of a display over the standard uncertainty of rounding to it (JCGM 100, F.2.2.1)."""


def divisor(distribution: str) -> float:
    """Half-width of a distribution over its standard uncertainty.

    Raises
    ------
    OutOfRange : if the distribution is not in :data:`DIVISORS`
    """
    try:
        return DIVISORS[distribution]
    except KeyError:
        raise OutOfRange(
            "distribution", got=repr(distribution), expected=" or ".join(DIVISORS)
        ) from None


def combine(contributions: ArrayLike, correlation: ArrayLike | None = None) -> float:
    """Combine contributions c_i u_i into one standard uncertainty.

    Parameters
    ----------
    contributions : (k,) sensitivity times standard uncertainty, signed where correlated
    correlation : (k, k) correlation coefficients, none if left out

    Raises
    ------
    OutOfRange : if shapes do not fit or the correlation is no correlation matrix

    Source: JCGM 100, eq. 10 and 16.
    """
    parts = np.asarray(contributions, dtype=np.float64)
    if parts.ndim != 1:
        raise OutOfRange("contributions", got=parts.shape, expected="one row of numbers")
    if correlation is None:
        return float(np.sqrt(np.sum(parts**2)))
    r = np.asarray(correlation, dtype=np.float64)
    if r.shape != (parts.size, parts.size):
        raise OutOfRange("correlation", got=r.shape, expected=f"({parts.size}, {parts.size})")
    if not (np.allclose(r, r.T) and np.allclose(np.diag(r), 1.0) and bool(np.all(np.abs(r) <= 1))):
        raise OutOfRange("correlation", got=r.tolist(), expected="symmetric, 1 along the diagonal")
    variance = float(parts @ r @ parts)
    return math.sqrt(max(variance, 0.0))


def effective_degrees_of_freedom(contributions: ArrayLike, degrees_of_freedom: ArrayLike) -> float:
    """Degrees of freedom of a combined uncertainty, by Welch and Satterthwaite.

    Parameters
    ----------
    contributions : (k,) sensitivity times standard uncertainty, uncorrelated
    degrees_of_freedom : (k,) above 0, infinite where a contribution is known exactly

    Returns
    -------
    not truncated; infinite if every contribution's are, or all contributions are 0

    Raises
    ------
    OutOfRange : if shapes do not fit or a number of degrees of freedom is not above 0

    Source: JCGM 100, eq. G.2b.
    """
    parts = np.asarray(contributions, dtype=np.float64)
    dof = np.asarray(degrees_of_freedom, dtype=np.float64)
    if parts.shape != dof.shape or parts.ndim != 1:
        raise OutOfRange("degrees_of_freedom", got=dof.shape, expected=f"as many: {parts.shape}")
    if not bool(np.all(dof > 0)):
        raise OutOfRange("degrees_of_freedom", got=dof.tolist(), expected="above 0")
    largest = float(np.max(np.abs(parts), initial=0.0))
    if largest == 0.0:
        return math.inf
    scaled = parts / largest  # fourth powers of small numbers would underflow
    below = float(np.sum(scaled**4 / dof))
    return float(np.sum(scaled**2)) ** 2 / below if below > 0 else math.inf


def coverage_factor(probability: float, degrees_of_freedom: float = math.inf) -> float:
    """Factor k for an interval y ± k u that covers `probability`, from Student's t.

    Parameters
    ----------
    probability : above 0, below 1
    degrees_of_freedom : 1 or more; truncated to the next lower whole number

    Raises
    ------
    OutOfRange : if an argument is out of its range

    Source: JCGM 100, G.4.1 and Table G.2.
    """
    if not 0 < probability < 1:
        raise OutOfRange("probability", got=probability, expected="above 0 and below 1")
    if not degrees_of_freedom >= 1:
        raise OutOfRange("degrees_of_freedom", got=degrees_of_freedom, expected="1 or more")
    upper = 0.5 * (1.0 + probability)
    if math.isinf(degrees_of_freedom):
        return float(ndtri(upper))
    return float(stdtrit(math.floor(degrees_of_freedom), upper))


@dataclass(frozen=True, slots=True)
class Propagated:
    """A function's value and covariance, to first order.

    ``value`` (m,), ``covariance`` (m, m), ``sensitivity`` (m, k) partial derivatives.
    """

    value: FloatArray
    covariance: FloatArray
    sensitivity: FloatArray

    @property
    def standard(self) -> FloatArray:
        """Standard uncertainties, (m,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> FloatArray:
        """Correlation coefficients, (m, m)."""
        return np.asarray(self.covariance / np.outer(self.standard, self.standard))


def propagate(
    function: Callable[[FloatArray], ArrayLike],
    estimates: ArrayLike,
    covariance: ArrayLike,
) -> Propagated:
    """Propagate uncertainty through any smooth function, to first order.

    Derivatives are central differences over a thousandth of each standard uncertainty, carried
    to fourth order, so that a function linear over the uncertainty is handled to rounding.

    Parameters
    ----------
    function : takes (k,), returns a number or (m,)
    estimates : (k,)
    covariance : (k, k), or (k,) variances of independent inputs

    Raises
    ------
    OutOfRange : if shapes do not fit or a variance is negative

    Source: JCGM 100, 5.1.2 and 5.2.2; for several outputs JCGM 102, 6.2.
    """
    x = np.asarray(estimates, dtype=np.float64)
    v = np.asarray(covariance, dtype=np.float64)
    v = np.diag(v) if v.ndim == 1 else v
    if x.ndim != 1 or v.shape != (x.size, x.size):
        raise OutOfRange("covariance", got=v.shape, expected=f"({x.size}, {x.size})")
    if bool(np.any(np.diag(v) < 0)):
        raise OutOfRange("covariance", got=np.diag(v).tolist(), expected="variances of 0 or more")

    def at(point: FloatArray) -> FloatArray:
        return np.atleast_1d(np.asarray(function(point), dtype=np.float64))

    value = at(x)
    sensitivity = np.zeros((value.size, x.size))
    for i, u in enumerate(np.sqrt(np.diag(v))):
        if u == 0.0:
            continue  # carries no uncertainty, and a step of nothing has no derivative
        step = max(1e-3 * u, 1e-6 * abs(x[i]))
        moved = [x.copy() for _ in range(4)]
        for point, times in zip(moved, (-2.0, -1.0, 1.0, 2.0), strict=True):
            point[i] += times * step
        low2, low1, high1, high2 = (at(point) for point in moved)
        sensitivity[:, i] = (8.0 * (high1 - low1) - (high2 - low2)) / (12.0 * step)
    return Propagated(value, sensitivity @ v @ sensitivity.T, sensitivity)


def second_order_variance(
    function: Callable[[FloatArray], ArrayLike], estimates: ArrayLike, standard: ArrayLike
) -> float:
    """Variance that second-order terms add where first-order ones vanish or the curve bends.

    For independent inputs with symmetric distributions, as if normal. Derivatives are differences
    over one standard uncertainty, exact for polynomials of third degree.

    Parameters
    ----------
    function : takes (k,), returns a number
    estimates : (k,)
    standard : (k,) standard uncertainties

    Returns
    -------
    what is to be added to the first-order variance; may be negative

    Source: JCGM 100, note to 5.1.2.
    """
    x = np.asarray(estimates, dtype=np.float64)
    u = np.asarray(standard, dtype=np.float64)
    k = x.size

    def at(*moves: tuple[int, float]) -> float:
        point = x.copy()
        for i, times in moves:
            point[i] += times * u[i]
        return float(np.asarray(function(point)).reshape(()))

    base = at()
    # derivatives scaled by the uncertainties: g_i = f_i u_i, g_ij = f_ij u_i u_j and so on
    first = np.array([(at((i, 1.0)) - at((i, -1.0))) / 2.0 for i in range(k)])
    extra = 0.0
    for i in range(k):
        for j in range(k):
            if i == j:
                second = at((i, 1.0)) - 2.0 * base + at((i, -1.0))
                third = (
                    at((i, 2.0)) - 2.0 * at((i, 1.0)) + 2.0 * at((i, -1.0)) - at((i, -2.0))
                ) / 2.0
            else:
                pp, pm = at((i, 1.0), (j, 1.0)), at((i, 1.0), (j, -1.0))
                mp, mm = at((i, -1.0), (j, 1.0)), at((i, -1.0), (j, -1.0))
                second = (pp - pm - mp + mm) / 4.0
                bend_up = pp - 2.0 * at((i, 1.0)) + pm
                bend_down = mp - 2.0 * at((i, -1.0)) + mm
                third = (bend_up - bend_down) / 2.0
            extra += 0.5 * second**2 + first[i] * third
    return float(extra)


@dataclass(frozen=True, slots=True)
class StraightLine:
    """A straight line y = intercept + slope (x - origin) with its uncertainty."""

    origin: float
    intercept: float
    slope: float
    standard_intercept: float
    standard_slope: float
    correlation: float
    residual_standard: float
    sum_of_squares: float
    degrees_of_freedom: int

    def predict(self, x: float) -> tuple[float, float]:
        """Return the line at `x` and its standard uncertainty."""
        along = x - self.origin
        variance = (
            self.standard_intercept**2
            + (along * self.standard_slope) ** 2
            + 2.0 * along * self.standard_intercept * self.standard_slope * self.correlation
        )
        return self.intercept + self.slope * along, math.sqrt(max(variance, 0.0))


def straight_line_fit(
    x: ArrayLike, y: ArrayLike, *, origin: float = 0.0, common_standard: float = 0.0
) -> StraightLine:
    """Least-squares straight line, equal weights, uncertainty from the scatter.

    Parameters
    ----------
    x, y : (n,) three points or more
    origin : where the intercept is taken
    common_standard : standard uncertainty of an error that all `y` share; it moves the intercept

    Raises
    ------
    OutOfRange : if there are fewer than three points, shapes do not fit or all `x` are one

    Source: JCGM 100, H.3.2; the common error H.3.6.
    """
    a, b = np.asarray(x, dtype=np.float64) - origin, np.asarray(y, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape or a.size < 3:
        raise OutOfRange("x, y", got=(a.shape, b.shape), expected="three points or more, paired")
    n = a.size
    spread = float(np.sum((a - a.mean()) ** 2))
    if not spread > 0:
        raise OutOfRange("x", got=f"{n} times {x!r}", expected="two different values at least")
    slope = float(np.sum((a - a.mean()) * (b - b.mean()))) / spread
    intercept = float(b.mean() - slope * a.mean())
    left = float(np.sum((b - intercept - slope * a) ** 2))
    s2 = left / (n - 2)
    u_slope2 = s2 / spread
    u_intercept2 = s2 * float(np.sum(a**2)) / (n * spread) + common_standard**2
    covariance = -s2 * float(a.mean()) / spread
    norm = math.sqrt(u_slope2 * u_intercept2)
    return StraightLine(
        origin=origin,
        intercept=intercept,
        slope=slope,
        standard_intercept=math.sqrt(u_intercept2),
        standard_slope=math.sqrt(u_slope2),
        correlation=covariance / norm if norm > 0 else 0.0,
        residual_standard=math.sqrt(s2),
        sum_of_squares=left,
        degrees_of_freedom=n - 2,
    )


@dataclass(frozen=True, slots=True)
class Quantity:
    """An input quantity of a Monte Carlo calculation.

    ``scale`` is the standard deviation of "normal", the half-width of "rectangular", "triangular"
    and "arcsine", and the scale of "student" (estimate and standard uncertainty with
    ``degrees_of_freedom``, JCGM 101, 6.4.9).
    """

    distribution: str
    centre: float
    scale: float
    degrees_of_freedom: float = math.inf


def draw(generator: np.random.Generator, quantities: Sequence[Quantity], draws: int) -> FloatArray:
    """Draw independent input quantities.

    Parameters
    ----------
    generator : seeded by the caller
    quantities : k of them
    draws : number of trials

    Returns
    -------
    (draws, k)

    Raises
    ------
    OutOfRange : if a distribution is not known or a scale is negative

    Source: JCGM 101, 6.4 and annex C.
    """
    out = np.empty((draws, len(quantities)))
    for i, q in enumerate(quantities):
        if not q.scale >= 0:
            raise OutOfRange("scale", got=q.scale, expected="0 or more")
        out[:, i] = q.centre + q.scale * _unit_draws(generator, q, draws)
    return out


def _unit_draws(generator: np.random.Generator, q: Quantity, draws: int) -> FloatArray:
    match q.distribution:
        case "normal":
            return generator.standard_normal(draws)
        case "rectangular":
            return generator.uniform(-1.0, 1.0, draws)
        case "triangular":
            return generator.uniform(-0.5, 0.5, draws) + generator.uniform(-0.5, 0.5, draws)
        case "arcsine":
            return np.asarray(np.sin(generator.uniform(-np.pi, np.pi, draws)))
        case "student":
            return generator.standard_t(q.degrees_of_freedom, draws)
    raise OutOfRange(
        "distribution", got=repr(q.distribution), expected="student or " + " or ".join(DIVISORS)
    )


def symmetric_interval(samples: ArrayLike, probability: float = 0.95) -> tuple[float, float]:
    """Interval that leaves the same share of the draws out on each side.

    Parameters
    ----------
    samples : (m,) draws, two or more, no NaN
    probability : above 0, below 1

    Raises
    ------
    OutOfRange : if there are fewer than two draws, or the probability is out of range

    Source: JCGM 101, 7.7.2.
    """
    ordered, covered = _ordered(samples, probability)
    left = ordered.size - covered
    low = left // 2 if left % 2 == 0 else (left + 1) // 2
    low = min(max(low, 1), ordered.size - covered)
    return float(ordered[low - 1]), float(ordered[low + covered - 1])


def shortest_interval(samples: ArrayLike, probability: float = 0.95) -> tuple[float, float]:
    """Return the shortest interval that holds the share of the draws.

    Parameters, errors as for :func:`symmetric_interval`.

    Source: JCGM 101, 7.7.4.
    """
    ordered, covered = _ordered(samples, probability)
    widths = ordered[covered:] - ordered[: ordered.size - covered]
    at = int(np.argmin(widths))
    return float(ordered[at]), float(ordered[at + covered])


def _ordered(samples: ArrayLike, probability: float) -> tuple[FloatArray, int]:
    """Return the draws in order and how many steps of order the interval spans."""
    if not 0 < probability < 1:
        raise OutOfRange("probability", got=probability, expected="above 0 and below 1")
    ordered = np.sort(np.asarray(samples, dtype=np.float64).ravel())
    if ordered.size < 2 or bool(np.isnan(ordered[-1])):
        got = "NaN among them" if ordered.size >= 2 else f"{ordered.size} draws"
        raise OutOfRange("samples", got=got, expected="two draws or more, all numbers")
    return ordered, min(max(math.floor(probability * ordered.size + 0.5), 1), ordered.size - 1)
