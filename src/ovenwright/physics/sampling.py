"""How often to read a sensor so that nothing that matters happens between two readings.

Four rules give the longest interval that will do, a fifth the shortest that makes sense:

change
    Readings joined by straight lines miss a bending curve by at most (dt²/8) max|T''|. A sudden
    change of size A seen through one time constant bends by at most A/τ², through two by at most
    A/(τ₁ τ₂).
time
    A moment read off without interpolation, as a stop rule does while recording, is late by up
    to dt.
lethality
    The trapezoid rule on an exponential rate reads too high, which is the unsafe side.
sensor
    Much below a tenth of the sensor's own time constant no information is left, only noise.

Sources: the interpolation bound is the standard one for a twice differentiable function; that a
signal should be read in a tenth of its rise time or less is in Kopetz, Real-Time Systems (2nd ed.,
1.3.1). The usual 0.25 to 0.5 s for fast changes and 2 to 3 s for slow bakes is common practice,
no source; checked against it in tests/evidence/test_sampling_interval.py.
"""

from __future__ import annotations

import math

from ovenwright.errors import OutOfRange

MAX_COEFFICIENT_W_M2_K = 48.0
"""Upper end of what a multi-zone tunnel oven gave over 186 to 225 °C, radiation included (Baik,
Grabowski, Trigui, Marcotte and Castaigne 1999, J Food Sci 64(4):688-694, abstract)."""

POROUS_DIFFUSIVITY_M2_S = 4.80e-7
"""Baked crumb at 70 % pores (Zanoni, Peri and Gianotti 1995, J Food Eng 26(4):497-510, abstract);
no food in our tables lets heat through faster."""

WET_DIFFUSIVITY_M2_S = 1.66e-7
"""Water at 90 °C by the Choi and Okos (1986) polynomials; a wet food without pores is slower."""

WET_SHARE = 0.6
"""Wet-basis moisture from which a food is taken to be free of pores (our choice)."""

CRUMB_CONDUCTIVITY_W_M_K = 0.2
"""Cold dough and dry crust in the model of Purlis and Salvadori 2009 (from memory)."""

PRACTICAL_S = (
    *(0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 15.0, 20.0),
    *(30.0, 60.0),
)
"""Intervals that instruments can usually be set to (common practice, no source)."""

# first root squared of the conduction series at infinite Biot number, and volume over surface
_SHAPES = {
    "slab": ((math.pi / 2.0) ** 2, 1.0),
    "brick": ((math.pi / 2.0) ** 2, 1.0),
    "cylinder": (2.404825557695773**2, 2.0),
    "sphere": (math.pi**2, 3.0),
}


def _above_zero(**numbers: float) -> None:
    for name, value in numbers.items():
        if not (value > 0 and math.isfinite(value)):  # written so that NaN is refused too
            raise OutOfRange(name, got=value, expected="a finite number above 0")


def change_interval_s(
    *, step_k: float, time_constants_s: tuple[float, ...], error_k: float
) -> float:
    """Longest interval at which straight lines stay within ``error_k`` of a change (rule change).

    Parameters
    ----------
    step_k : size of the sudden change, above 0
    time_constants_s : one or two, what the change passes through on its way to the reading
    error_k : what may be missed, above 0

    Returns
    -------
    seconds

    Raises
    ------
    OutOfRange : if a number is not above 0, or there are not one or two time constants
    """
    return math.sqrt(8.0 * error_k / _bend_k_s2(step_k, time_constants_s, error_k))


def change_error_k(
    *, interval_s: float, step_k: float, time_constants_s: tuple[float, ...]
) -> float:
    """Return a bound on what straight lines between readings miss of a change, in K.

    With one time constant this is the exact worst case; with two the interpolation bound, and
    never more than the change itself.
    """
    _above_zero(interval_s=interval_s)
    bend = _bend_k_s2(step_k, time_constants_s, 1.0)
    if len(time_constants_s) == 2:
        return min(step_k, bend * interval_s**2 / 8.0)
    x = interval_s / time_constants_s[0]
    slope = -math.expm1(-x) / x  # of the chord from the step on
    return step_k * (1.0 + slope * math.log(slope) - slope)


def _bend_k_s2(step_k: float, time_constants_s: tuple[float, ...], error_k: float) -> float:
    _above_zero(step_k=step_k, error_k=error_k)
    if len(time_constants_s) not in {1, 2}:
        raise OutOfRange("time_constants_s", got=time_constants_s, expected="one or two numbers")
    for value in time_constants_s:
        _above_zero(time_constant_s=value)
    first, second = time_constants_s[0], time_constants_s[-1]
    return step_k / (first * second)


def lateness_interval_s(*, process_s: float, share: float) -> float:
    """Longest interval at which a moment is late by no more than a share of the process."""
    _above_zero(process_s=process_s, share=share)
    return share * process_s


def lethality_interval_s(*, rate_k_s: float, z_k: float, share: float) -> float:
    """Longest interval at which the trapezoid rule reads a ramp's lethality high by ``share``.

    On a ramp the rule's answer is larger than the true one by x coth(x) − 1, x = ln10 r dt/(2 z);
    for small x that is x²/3, so that one percent gives dt = 0.150 z/r.

    Parameters
    ----------
    rate_k_s : heating rate, above 0
    z_k : rise that makes the lethal rate ten times faster, above 0
    share : of the lethality, above 0; 0.01 for 1 %

    Returns
    -------
    seconds

    Raises
    ------
    OutOfRange : if a number is not above 0
    """
    _above_zero(rate_k_s=rate_k_s, z_k=z_k, share=share)
    x = math.sqrt(3.0 * share)
    for _ in range(60):  # Newton from below the root, on a convex function
        slope = 1.0 / math.tanh(x) - x / math.sinh(x) ** 2
        step = (_excess(x) - share) / slope
        x -= step
        if abs(step) < 1e-14 * x:
            break
    return 2.0 * z_k * x / (math.log(10.0) * rate_k_s)


def trapezoid_excess(*, interval_s: float, rate_k_s: float, z_k: float) -> float:
    """Share by which the trapezoid rule reads the lethality of a ramp too high."""
    _above_zero(interval_s=interval_s, rate_k_s=rate_k_s, z_k=z_k)
    return _excess(math.log(10.0) * rate_k_s * interval_s / (2.0 * z_k))


def _excess(x: float) -> float:
    if x < 1e-3:
        return x * x / 3.0
    return math.inf if x > 300.0 else x / math.tanh(x) - 1.0


def sensor_floor_s(time_constant_s: float) -> float:
    """Shortest interval that still tells something new (rule sensor)."""
    _above_zero(time_constant_s=time_constant_s)
    return time_constant_s / 10.0


def change_rate_k_s(*, step_k: float, time_constants_s: tuple[float, ...]) -> float:
    """Return a bound on the rate of a change seen through its slowest time constant."""
    _bend_k_s2(step_k, time_constants_s, 1.0)
    return step_k / max(time_constants_s)


def product_time_constant_s(
    *,
    shape: str,
    half_size_m: float,
    diffusivity_m2_s: float,
    conductivity_w_m_k: float,
    coefficient_w_m2_k: float,
) -> float:
    """Time constant of the inside of a heated solid.

    The resistance of the inside and that of the surface add up: L²/(ζ∞² α) + L²/(m Bi α), with m
    1, 2, 3 for slab, cylinder, sphere. Exact for a very small and a very large Biot number, at
    most a tenth too long between (checked against the exact roots).

    Parameters
    ----------
    shape : "slab", "brick", "cylinder" or "sphere"; a brick is taken as its thinnest slab
    half_size_m : half thickness or radius
    diffusivity_m2_s, conductivity_w_m_k : of the solid
    coefficient_w_m2_k : from the surroundings to the surface, radiation included

    Returns
    -------
    seconds

    Raises
    ------
    OutOfRange : if a number is not above 0 or the shape is not known
    """
    _above_zero(
        half_size_m=half_size_m,
        diffusivity_m2_s=diffusivity_m2_s,
        conductivity_w_m_k=conductivity_w_m_k,
        coefficient_w_m2_k=coefficient_w_m2_k,
    )
    if shape not in _SHAPES:
        raise OutOfRange("shape", got=repr(shape), expected=", ".join(_SHAPES))
    root_squared, volume = _SHAPES[shape]
    biot = coefficient_w_m2_k * half_size_m / conductivity_w_m_k
    return half_size_m**2 / diffusivity_m2_s * (1.0 / root_squared + 1.0 / (volume * biot))


def surface_time_constant_s(
    *, diffusivity_m2_s: float, conductivity_w_m_k: float, coefficient_w_m2_k: float
) -> float:
    """Time after which a thick solid's surface feels its inside: (k/h)²/α.

    Source: the half space with convection, whose surface temperature depends on h² α t/k² alone
    (Carslaw and Jaeger, Conduction of Heat in Solids).
    """
    _above_zero(
        diffusivity_m2_s=diffusivity_m2_s,
        conductivity_w_m_k=conductivity_w_m_k,
        coefficient_w_m2_k=coefficient_w_m2_k,
    )
    return (conductivity_w_m_k / coefficient_w_m2_k) ** 2 / diffusivity_m2_s


def body_time_constant_s(
    *, mass_kg: float, heat_capacity_j_kg_k: float, area_m2: float, coefficient_w_m2_k: float
) -> float:
    """Time constant of a body that heats evenly: m c/(h A)."""
    _above_zero(
        mass_kg=mass_kg,
        heat_capacity_j_kg_k=heat_capacity_j_kg_k,
        area_m2=area_m2,
        coefficient_w_m2_k=coefficient_w_m2_k,
    )
    return mass_kg * heat_capacity_j_kg_k / (area_m2 * coefficient_w_m2_k)


def assumed_diffusivity_m2_s(moisture: float | None) -> float:
    """Diffusivity to count on where none is known: the fastest a food of that moisture can be."""
    if moisture is not None and moisture >= WET_SHARE:
        return WET_DIFFUSIVITY_M2_S
    return POROUS_DIFFUSIVITY_M2_S


def practical_interval_s(interval_s: float) -> float:
    """Return the next shorter interval that instruments can usually be set to."""
    _above_zero(interval_s=interval_s)
    fitting = [p for p in PRACTICAL_S if p <= interval_s * (1.0 + 1e-9)]
    return max(fitting, default=PRACTICAL_S[0])


def scan_count(*, duration_s: float, interval_s: float) -> int:
    """Return how many times all channels are read, first and last included."""
    _above_zero(duration_s=duration_s, interval_s=interval_s)
    return math.floor(duration_s / interval_s * (1.0 + 1e-12)) + 1


def battery_life_s(*, capacity_mah: float, draw_ma: float, usable_share: float) -> float:
    """Return how long a battery lasts at a steady draw."""
    _above_zero(capacity_mah=capacity_mah, draw_ma=draw_ma)
    if not 0.0 <= usable_share <= 1.0:
        raise OutOfRange("usable_share", got=usable_share, expected="0 to 1")
    return capacity_mah * usable_share / draw_ma * 3600.0
