"""What a temperature history does: equivalent time, log reduction, extent of a reaction.

Temperature is a straight line between samples and each step is integrated as that line says. A
step that touches a missing temperature (NaN), or is longer than ``max_gap_s``, counts for nothing:
the totals are then lower bounds, and :func:`ovenwright.physics.steps.uncovered_time` says how much
time was left out.
"""

from __future__ import annotations

import numpy as np
from scipy.special import exp1

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.steps import above_zero, accumulate, running_sum, step_lengths

LN10 = float(np.log(10.0))
GAS_CONSTANT_J_MOL_K = 8.314462618  # CODATA 2018; exact in the SI of 2019
ZERO_CELSIUS_K = 273.15

# ten to this power is still a float64; hotter than that, the effect is beyond any doubt
_HIGHEST_POWER = 300.0
# three-point Gauss-Legendre on the unit interval
_GAUSS_AT = (0.5 - np.sqrt(0.15), 0.5, 0.5 + np.sqrt(0.15))
_GAUSS_WEIGHT = (5.0 / 18.0, 8.0 / 18.0, 5.0 / 18.0)


def rate(temp_c: FloatArray, *, reference_c: float, z_k: float) -> FloatArray:
    """Lethal rate: seconds at the reference temperature that one second here is worth.

    Parameters
    ----------
    temp_c : any shape, degrees Celsius
    reference_c : degrees Celsius
    z_k : kelvin, above 0; the rise that makes the rate ten times faster

    Returns
    -------
    same shape, dimensionless, ``10**((temp_c - reference_c) / z_k)``; NaN stays NaN

    Raises
    ------
    OutOfRange : if `z_k` is not above 0

    Source: Bigelow's thermal death time method as used for canned food; 9 CFR and FAO texts.
    """
    above_zero("z_k", z_k, "K")
    power = (np.asarray(temp_c, dtype=np.float64) - reference_c) / z_k
    return np.asarray(np.exp(LN10 * np.minimum(power, _HIGHEST_POWER)))


def equivalent_time(
    time_s: FloatArray,
    temp_c: FloatArray,
    *,
    reference_c: float,
    z_k: float,
    max_gap_s: float = np.inf,
) -> FloatArray:
    """Time at the reference temperature that would do the same lethal work, so far.

    Over a step the rate goes from r0 to r1 as an exponential, whose mean is the logarithmic mean
    of r0 and r1. The trapezoid takes the arithmetic mean, which is higher: the unsafe side.

    Parameters
    ----------
    time_s : (n,) rising, seconds
    temp_c : (n,) or (n, m) degrees Celsius, NaN where missing
    reference_c : degrees Celsius
    z_k : kelvin, above 0
    max_gap_s : steps longer than this count for nothing

    Returns
    -------
    same shape as `temp_c`, seconds at `reference_c`, starting at 0

    Raises
    ------
    OutOfRange : if `z_k` is not above 0, times do not rise or the shapes do not fit

    Source: F = integral of 10**((T - Tref)/z) dt; the closed form over a linear step is ours.
    Checked in tests/evidence/test_lethality_examples.py.
    """
    step_s = step_lengths(time_s, temp_c)
    worth = rate(temp_c, reference_c=reference_c, z_k=z_k)
    rise = np.diff(np.asarray(temp_c, dtype=np.float64), axis=0) * (LN10 / z_k)
    # (r1 - r0) / ln(r1/r0); near-level steps by its series, where the quotient loses digits
    steep = np.abs(rise) > 1e-3
    first = worth[:-1]
    with np.errstate(invalid="ignore"):  # NaN is dealt with in _running
        mean = (worth[1:] - first) / np.where(steep, rise, 1.0)
        level = first * (1.0 + rise * (0.5 + rise * (1.0 / 6.0 + rise / 24.0)))
    return running_sum(step_s, np.where(steep, mean, level), max_gap_s)


def equivalent_time_trapezoid(
    time_s: FloatArray,
    temp_c: FloatArray,
    *,
    reference_c: float,
    z_k: float,
    max_gap_s: float = np.inf,
) -> FloatArray:
    """Equivalent time by the trapezoid on the rate, to reproduce printed examples.

    On coarse data it reads high, by about (b dt)**2/12 on a ramp of r kelvin a second with
    b = ln(10) r/z; use :func:`equivalent_time` for a verdict. Parameters, return and errors as
    there.

    Source: the rule behind printed sums of lethal rates, for example Food Biochemistry and Food
    Processing 2e (2012), Table 38.4. Checked in tests/evidence/test_lethality_examples.py.
    """
    worth = rate(temp_c, reference_c=reference_c, z_k=z_k)
    return accumulate(time_s, worth, max_gap_s=max_gap_s)


def log_reduction(equivalent_s: FloatArray, *, d_s: float) -> FloatArray:
    """Decimal reductions that an equivalent time brings, survivors falling log-linearly.

    Parameters
    ----------
    equivalent_s : any shape, seconds at the temperature `d_s` belongs to
    d_s : decimal reduction time, seconds, above 0

    Returns
    -------
    same shape, log10

    Raises
    ------
    OutOfRange : if `d_s` is not above 0
    """
    above_zero("d_s", d_s, "s")
    return np.asarray(equivalent_s, dtype=np.float64) / d_s


def decimal_reduction_time(
    temp_c: FloatArray, *, d_s: float, reference_c: float, z_k: float
) -> FloatArray:
    """Decimal reduction time at another temperature, seconds, by Bigelow's straight line.

    Raises
    ------
    OutOfRange : if `d_s` or `z_k` is not above 0
    """
    above_zero("d_s", d_s, "s")
    return d_s / rate(temp_c, reference_c=reference_c, z_k=z_k)


def weibull_log_reduction(
    time_s: FloatArray,
    temp_c: FloatArray,
    *,
    delta_s: float,
    p: float,
    reference_c: float,
    z_k: float,
    max_gap_s: float = np.inf,
) -> FloatArray:
    """Decimal reductions so far, survivors falling on a Weibull curve (Mafart's form).

    The state form dy/dt = (p/delta) y**((p-1)/p) depends on what survived, not on the clock; put
    in terms of y**(1/p) it is a plain integral, so y = (integral of dt/delta(T))**p exactly, with
    delta(T) = `delta_s` 10**((`reference_c` - T)/`z_k`).

    Parameters
    ----------
    time_s : (n,) rising, seconds
    temp_c : (n,) or (n, m) degrees Celsius
    delta_s : time of the first decimal reduction at `reference_c`, seconds, above 0
    p : shape, above 0; below 1 the curve tails
    reference_c, z_k, max_gap_s : as in :func:`equivalent_time`

    Returns
    -------
    same shape as `temp_c`, log10, starting at 0

    Raises
    ------
    OutOfRange : if `delta_s`, `p` or `z_k` is not above 0, times do not rise, shapes do not fit

    Source: Mafart et al. 2002, Int J Food Microbiol 72:107 (from memory); state form after Peleg
    & Penchina 2000. Checked in tests/evidence/test_lethality_examples.py.
    """
    above_zero("delta_s", delta_s, "s")
    above_zero("p", p, "")
    at_reference = equivalent_time(
        time_s, temp_c, reference_c=reference_c, z_k=z_k, max_gap_s=max_gap_s
    )
    return np.asarray(np.power(at_reference / delta_s, p))


def weibull_from_two_times(
    first_log: float, first_s: float, second_log: float, second_s: float
) -> tuple[float, float]:
    """Scale (seconds) and shape of the Weibull curve through two points of (log10, time).

    Raises
    ------
    OutOfRange : if the second point does not lie beyond the first in both
    """
    if not (0 < first_log < second_log and 0 < first_s < second_s):
        raise OutOfRange(
            "points",
            got=((first_log, first_s), (second_log, second_s)),
            expected="above 0, the second beyond the first in both",
        )
    p = float(np.log(second_log / first_log) / np.log(second_s / first_s))
    return float(first_s * first_log ** (-1.0 / p)), p


def arrhenius_rate(temp_c: FloatArray, *, k0_per_s: float, activation_j_mol: float) -> FloatArray:
    """First-order rate constant k0 exp(-Ea/(R T)), 1/s.

    Parameters
    ----------
    temp_c : any shape, degrees Celsius, above absolute zero; NaN stays NaN
    k0_per_s : 1/s, above 0
    activation_j_mol : J/mol, above 0

    Returns
    -------
    same shape, 1/s

    Raises
    ------
    OutOfRange : if a parameter is not above 0 or a temperature is at or below absolute zero
    """
    above_zero("k0_per_s", k0_per_s, "1/s")
    above_zero("activation_j_mol", activation_j_mol, "J/mol")
    kelvin = _kelvin(temp_c)
    return np.asarray(k0_per_s * np.exp(-(activation_j_mol / GAS_CONSTANT_J_MOL_K) / kelvin))


def arrhenius_extent(
    time_s: FloatArray,
    temp_c: FloatArray,
    *,
    k0_per_s: float,
    activation_j_mol: float,
    max_gap_s: float = np.inf,
) -> FloatArray:
    """Share of a first-order reaction done so far, 1 - exp(-integral of k dt).

    Over a step the temperature is a straight line. Where ln k changes by less than 0.5 three Gauss
    points are used (relative error of the step below 1e-8); where it changes more, the closed form
    T exp(-E/T) - E E1(E/T) with E = Ea/R.

    Parameters
    ----------
    time_s : (n,) rising, seconds
    temp_c : (n,) or (n, m) degrees Celsius
    k0_per_s : 1/s, above 0
    activation_j_mol : J/mol, above 0
    max_gap_s : steps longer than this count for nothing

    Returns
    -------
    same shape as `temp_c`, 0 to 1

    Raises
    ------
    OutOfRange : if a parameter or temperature is out of range, times do not rise, shapes misfit

    Source: first-order Arrhenius law as used by Zanoni, Peri & Bruno 1995 for crust browning.
    Checked in tests/evidence/test_lethality_examples.py.
    """
    above_zero("k0_per_s", k0_per_s, "1/s")
    above_zero("activation_j_mol", activation_j_mol, "J/mol")
    step_s = step_lengths(time_s, temp_c)
    kelvin = _kelvin(temp_c)
    energy_k = activation_j_mol / GAS_CONSTANT_J_MOL_K
    first, last = kelvin[:-1], kelvin[1:]
    rise = last - first
    mean = np.zeros_like(rise)
    for place, weight in zip(_GAUSS_AT, _GAUSS_WEIGHT, strict=True):
        mean += weight * np.exp(-energy_k / (first + place * rise))
    with np.errstate(invalid="ignore"):
        steep = np.abs(energy_k * rise) > 0.5 * first * last
    if bool(np.any(steep)):
        low, high = first[steep], last[steep]
        whole = _exponential_integral(high, energy_k) - _exponential_integral(low, energy_k)
        mean[steep] = whole / (high - low)
    done = running_sum(step_s, k0_per_s * mean, max_gap_s)
    return np.asarray(-np.expm1(-done))


def heating_equivalent_time(
    heating_s: FloatArray,
    *,
    medium_c: float,
    start_c: float,
    f_s: float,
    j: float,
    reference_c: float,
    z_k: float,
) -> FloatArray:
    """Equivalent time of a heating curve that is one straight line in log(medium - product).

    The product follows T = Tm - j (Tm - T0) 10**(-t/f); cooling is not included.

    Parameters
    ----------
    heating_s : any shape, seconds since heating began, 0 or more
    medium_c : temperature of the heating medium, degrees Celsius
    start_c : temperature of the product at the start, below the medium
    f_s : time for the difference to fall tenfold, seconds, above 0
    j : lag factor, above 0
    reference_c, z_k : as in :func:`equivalent_time`

    Returns
    -------
    same shape as `heating_s`, seconds at `reference_c`

    Raises
    ------
    OutOfRange : if a parameter is out of the range given

    Source: exponential-integral form of the formula method; structure as reviewed in Stoforos
    2010, Food Eng Rev 2:1-16. Checked in tests/evidence/test_lethality_examples.py.
    """
    above_zero("z_k", z_k, "K")
    above_zero("f_s", f_s, "s")
    above_zero("j", j, "")
    if not medium_c > start_c:
        raise OutOfRange("medium_c", got=medium_c, expected=f"above start_c {start_c} °C")
    heating_s = np.asarray(heating_s, dtype=np.float64)
    if bool(np.any(heating_s < 0)):
        raise OutOfRange("heating_s", got=float(np.min(heating_s)), expected="0 s or more")
    b = LN10 / z_k
    at_start = b * j * (medium_c - start_c)
    at_end = at_start * np.power(10.0, -heating_s / f_s)
    worth = float(rate(np.asarray(medium_c), reference_c=reference_c, z_k=z_k))
    return np.asarray(worth * f_s / LN10 * (exp1(at_end) - exp1(at_start)))


def _exponential_integral(kelvin: FloatArray, energy_k: float) -> FloatArray:
    """Antiderivative of exp(-E/T) in T."""
    over = energy_k / kelvin
    return np.asarray(kelvin * np.exp(-over) - energy_k * exp1(over))


def _kelvin(temp_c: FloatArray) -> FloatArray:
    kelvin = np.asarray(temp_c, dtype=np.float64) + ZERO_CELSIUS_K
    if bool(np.any(kelvin <= 0)):
        raise OutOfRange(
            "temp_c", got=float(np.nanmin(temp_c)), expected="above absolute zero, -273.15 °C"
        )
    return kelvin
