"""Bodies thick enough to count as endless, bodies of one temperature, and moving fronts."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import erf, erfc, erfcx

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray

LUMPED_BELOW_BI = 0.1
"""A body counts as of one temperature while h (V/A) / k stays below this: the usual bound of the
lumped method (Holman; Incropera & DeWitt)."""


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0 and np.isfinite(value)):
            raise OutOfRange(name, got=value, expected="a finite number above 0")


def _not_below_zero(name: str, value: float | FloatArray) -> FloatArray:
    given = np.asarray(value, dtype=np.float64)
    if not bool(np.all(given >= 0.0)):
        raise OutOfRange(name, got=float(np.min(given)), expected="0 or above")
    return given


def _scaled(
    depth_m: float | FloatArray, time_s: float | FloatArray, diffusivity_m2_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return depth, sqrt(alpha t) and depth / (2 sqrt(alpha t)); at time 0 the depth is far."""
    _positive(diffusivity_m2_s=diffusivity_m2_s)
    depth = _not_below_zero("depth_m", depth_m)
    reach = np.sqrt(diffusivity_m2_s * _not_below_zero("time_s", time_s))
    depth, reach = np.broadcast_arrays(depth, reach)
    far = np.full(depth.shape, np.inf)
    np.divide(depth, 2.0 * reach, out=far, where=reach > 0.0)
    return depth, reach, far


def half_space_fixed(
    depth_m: float | FloatArray,
    time_s: float | FloatArray,
    *,
    diffusivity_m2_s: float,
    start_c: float,
    surface_c: float,
) -> FloatArray:
    """Temperature below a face that is brought to and held at a temperature.

    Parameters
    ----------
    depth_m, time_s : any shapes that broadcast, 0 or above; m and s
    diffusivity_m2_s : m²/s
    start_c, surface_c : °C

    Returns
    -------
    broadcast shape, °C

    Raises
    ------
    OutOfRange : if a value is not physical

    Source: CARSLAW1959, sec. 2.4. Checked in tests/evidence/test_half_space.py.
    """
    _, _, far = _scaled(depth_m, time_s, diffusivity_m2_s)
    return np.asarray(surface_c + (start_c - surface_c) * erf(far))[()]


def half_space_fixed_flux_w_m2(
    time_s: float | FloatArray,
    *,
    conductivity_w_m_k: float,
    diffusivity_m2_s: float,
    start_c: float,
    surface_c: float,
) -> FloatArray:
    """Heat flux into a face that is held at a temperature, W/m².

    Raises
    ------
    OutOfRange : if a value is not physical, or a time is not above 0

    Source: CARSLAW1959, sec. 2.4. Checked in tests/evidence/test_half_space.py.
    """
    _positive(conductivity_w_m_k=conductivity_w_m_k, diffusivity_m2_s=diffusivity_m2_s)
    time = np.asarray(time_s, dtype=np.float64)
    if not bool(np.all(time > 0.0)):
        raise OutOfRange("time_s", got=float(np.min(time)), expected="above 0")
    reach = np.sqrt(np.pi * diffusivity_m2_s * time)
    return np.asarray(conductivity_w_m_k * (surface_c - start_c) / reach)[()]


def half_space_flux(
    depth_m: float | FloatArray,
    time_s: float | FloatArray,
    *,
    flux_w_m2: float,
    conductivity_w_m_k: float,
    diffusivity_m2_s: float,
    start_c: float,
) -> FloatArray:
    """Temperature below a face that takes up a constant heat flux.

    Parameters
    ----------
    depth_m, time_s : any shapes that broadcast, 0 or above; m and s
    flux_w_m2 : into the body, W/m²
    conductivity_w_m_k, diffusivity_m2_s : W/m/K and m²/s
    start_c : °C

    Returns
    -------
    broadcast shape, °C

    Raises
    ------
    OutOfRange : if a value is not physical

    Source: CARSLAW1959, sec. 2.9. Checked in tests/evidence/test_half_space.py.
    """
    _positive(conductivity_w_m_k=conductivity_w_m_k)
    depth, reach, far = _scaled(depth_m, time_s, diffusivity_m2_s)
    fed = 2.0 * reach / np.sqrt(np.pi) * np.exp(-far * far) - depth * erfc(far)
    return np.asarray(start_c + flux_w_m2 / conductivity_w_m_k * fed)[()]


def half_space_convective(
    depth_m: float | FloatArray,
    time_s: float | FloatArray,
    *,
    coefficient_w_m2_k: float,
    conductivity_w_m_k: float,
    diffusivity_m2_s: float,
    start_c: float,
    surroundings_c: float,
) -> FloatArray:
    """Temperature below a face that meets surroundings through a surface coefficient.

    Parameters
    ----------
    depth_m, time_s : any shapes that broadcast, 0 or above; m and s
    coefficient_w_m2_k : W/m²/K
    conductivity_w_m_k, diffusivity_m2_s : W/m/K and m²/s
    start_c, surroundings_c : °C

    Returns
    -------
    broadcast shape, °C

    Raises
    ------
    OutOfRange : if a value is not physical

    Source: CARSLAW1959, sec. 2.7, in the scaled form that does not overflow. Checked in
    tests/evidence/test_half_space.py.
    """
    _positive(conductivity_w_m_k=conductivity_w_m_k, coefficient_w_m2_k=coefficient_w_m2_k)
    _, reach, far = _scaled(depth_m, time_s, diffusivity_m2_s)
    met = coefficient_w_m2_k * reach / conductivity_w_m_k
    # exp(hx/k + h²αt/k²) erfc(far + met) is exp(-far²) erfcx(far + met)
    with np.errstate(invalid="ignore"):
        held = np.where(np.isinf(far), 0.0, np.exp(-far * far) * erfcx(far + met))
    return np.asarray(start_c + (surroundings_c - start_c) * (erfc(far) - held))[()]


def contact_temperature(
    *, first_c: float, first_effusivity: float, second_c: float, second_effusivity: float
) -> float:
    """Temperature at the face of two thick bodies brought together, °C.

    Parameters
    ----------
    first_c, second_c : °C
    first_effusivity, second_effusivity : sqrt(k ρ c), J/(m² K √s)

    Raises
    ------
    OutOfRange : if an effusivity is not above 0

    Source: CARSLAW1959, sec. 2.15. Checked in tests/evidence/test_half_space.py.
    """
    _positive(first_effusivity=first_effusivity, second_effusivity=second_effusivity)
    weighed = first_effusivity * first_c + second_effusivity * second_c
    return weighed / (first_effusivity + second_effusivity)


def lumped_biot(
    *, coefficient_w_m2_k: float, volume_m3: float, area_m2: float, conductivity_w_m_k: float
) -> float:
    """Biot number of a lumped body, on volume over area; below 0.1 its warmth is one number.

    Raises
    ------
    OutOfRange : if a value is not above 0
    """
    _positive(
        coefficient_w_m2_k=coefficient_w_m2_k,
        volume_m3=volume_m3,
        area_m2=area_m2,
        conductivity_w_m_k=conductivity_w_m_k,
    )
    return coefficient_w_m2_k * (volume_m3 / area_m2) / conductivity_w_m_k


def lumped_time_constant_s(
    *, coefficient_w_m2_k: float, area_m2: float, mass_kg: float, heat_capacity_j_kg_k: float
) -> float:
    """Time constant m c / (h A) of a body of one temperature, s.

    Raises
    ------
    OutOfRange : if a value is not above 0
    """
    _positive(
        coefficient_w_m2_k=coefficient_w_m2_k,
        area_m2=area_m2,
        mass_kg=mass_kg,
        heat_capacity_j_kg_k=heat_capacity_j_kg_k,
    )
    return mass_kg * heat_capacity_j_kg_k / (coefficient_w_m2_k * area_m2)


def lumped_temperature(
    time_s: float | FloatArray, *, time_constant_s: float, start_c: float, surroundings_c: float
) -> FloatArray:
    """Temperature of a body of one temperature in constant surroundings.

    Parameters
    ----------
    time_s : any shape, 0 or later, s
    time_constant_s : from `lumped_time_constant_s`
    start_c, surroundings_c : °C

    Returns
    -------
    shape of `time_s`, °C

    Raises
    ------
    OutOfRange : if a time is below 0 or the time constant not above 0

    Source: CENGEL, eq. 4-4. Checked in tests/evidence/test_half_space.py.
    """
    _positive(time_constant_s=time_constant_s)
    time = _not_below_zero("time_s", time_s)
    left = np.exp(-time / time_constant_s)
    return np.asarray(surroundings_c + (start_c - surroundings_c) * left)[()]


def _falling_root(function: Callable[[float], float]) -> float:
    """Root of a function that falls from above 0 to below 0 on the positive axis."""
    low, high = 0.0, 1.0
    while function(high) > 0.0:
        low, high = high, 2.0 * high
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        low, high = (middle, high) if function(middle) > 0.0 else (low, middle)


def front_root(stefan: float) -> float:
    """Root λ of a moving front behind a held face, ``√π λ exp(λ²) erf(λ) = Ste``.

    The body ahead of the front is at the temperature of change. The front is at 2 λ √(α t).

    Parameters
    ----------
    stefan : c (T_face − T_change) / latent heat, above 0

    Raises
    ------
    OutOfRange : if `stefan` is not above 0

    Source: CARSLAW1959, sec. 11.2. Checked in tests/evidence/test_half_space.py.
    """
    _positive(stefan=stefan)
    return _falling_root(
        lambda x: stefan * float(np.exp(-x * x)) - float(np.sqrt(np.pi)) * x * float(erf(x))
    )


def front_root_two_phase(
    stefan: float, *, conductivity_ratio: float, diffusivity_ratio: float, far_ratio: float
) -> float:
    """Root λ of a moving front when the body ahead of it is not yet at the temperature of change.

    Parameters
    ----------
    stefan : c (T_face − T_change) / latent heat, of the body behind the front, above 0
    conductivity_ratio : ahead over behind
    diffusivity_ratio : behind over ahead
    far_ratio : (T_change − T_start) / (T_face − T_change), 0 or above

    Raises
    ------
    OutOfRange : if a value is not physical

    Source: CARSLAW1959, sec. 11.2. Checked in tests/evidence/test_half_space.py.
    """
    _positive(
        stefan=stefan, conductivity_ratio=conductivity_ratio, diffusivity_ratio=diffusivity_ratio
    )
    if not far_ratio >= 0:
        raise OutOfRange("far_ratio", got=far_ratio, expected="0 or above")
    spread = float(np.sqrt(diffusivity_ratio))

    def excess(x: float) -> float:
        # times exp(-x²) erf(x) over 1, so that x = 0 is an ordinary number
        ahead = conductivity_ratio * spread * far_ratio * float(erf(x)) / float(erfcx(spread * x))
        return stefan * (float(np.exp(-x * x)) - ahead) - float(np.sqrt(np.pi)) * x * float(erf(x))

    return _falling_root(excess)


def front_depth_m(
    time_s: float | FloatArray, *, root: float, diffusivity_m2_s: float
) -> FloatArray:
    """Depth of a moving front below the face, 2 λ √(α t), m.

    Raises
    ------
    OutOfRange : if a time is below 0 or another value not above 0
    """
    _positive(root=root, diffusivity_m2_s=diffusivity_m2_s)
    return np.asarray(2.0 * root * np.sqrt(diffusivity_m2_s * _not_below_zero("time_s", time_s)))[
        ()
    ]
