"""Exact solutions of heat conduction in a body that is put into surroundings of another warmth.

Constant properties, one initial temperature, constant surroundings. Symbols: Biot number
Bi = h L / k and Fourier number Fo = α t / L² with L the half thickness of a slab or the radius of
a cylinder or sphere (not volume over area); the ratio θ = (T − T∞)/(T₀ − T∞).
Bodies thick enough to count as endless, lumped bodies and moving fronts are in `half_space`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from scipy.special import j0, j1, jn_zeros

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.physics.arrays import FloatArray

BodyShape: TypeAlias = Literal["slab", "cylinder", "sphere"]

ONE_TERM_FROM_FO = 0.2
"""Below this the first term of the series alone is badly wrong."""

_MOST_TERMS = 4000
_NEGLIGIBLE = 40.0  # exp(-40) is below the last digit of a double
_LOWEST_FO = _NEGLIGIBLE / (np.pi * _MOST_TERMS) ** 2


class _Form(NamedTuple):
    """What one shape brings to the series."""

    brackets: Callable[[int, bool], tuple[FloatArray, FloatArray]]  # of the first n roots
    balance: Callable[[FloatArray, float, float], FloatArray]  # of z, Bi/(1+Bi), 1/(1+Bi)
    weight: Callable[[FloatArray], FloatArray]
    across: Callable[[FloatArray, FloatArray], FloatArray]  # of z and place
    mean: Callable[[FloatArray], FloatArray]  # volume mean of `across`


def _slab_brackets(n: int, above_one: bool) -> tuple[FloatArray, FloatArray]:  # noqa: ARG001
    start: FloatArray = np.pi * np.arange(n, dtype=np.float64)
    return start, np.asarray(start + np.pi / 2)


def _cylinder_brackets(n: int, above_one: bool) -> tuple[FloatArray, FloatArray]:  # noqa: ARG001
    return np.concatenate(([0.0], jn_zeros(1, n)[: n - 1])), jn_zeros(0, n)


def _sphere_brackets(n: int, above_one: bool) -> tuple[FloatArray, FloatArray]:
    start: FloatArray = np.pi * np.arange(n, dtype=np.float64)
    middle: FloatArray = start + np.pi / 2
    # 1 - z cot z rises through 1 at the middle, so Bi says which half holds the root
    return (middle, np.asarray(start + np.pi)) if above_one else (start, middle)


def _sphere_across(z: FloatArray, place: FloatArray) -> FloatArray:
    out: FloatArray = np.sinc(z * place / np.pi)
    return out


_FORMS: dict[str, _Form] = {
    "slab": _Form(
        _slab_brackets,
        lambda z, w, v: v * z * np.sin(z) - w * np.cos(z),
        lambda z: 4.0 * np.sin(z) / (2.0 * z + np.sin(2.0 * z)),
        lambda z, place: np.cos(z * place),
        lambda z: np.sin(z) / z,
    ),
    "cylinder": _Form(
        _cylinder_brackets,
        lambda z, w, v: v * z * j1(z) - w * j0(z),
        lambda z: 2.0 / z * j1(z) / (j0(z) ** 2 + j1(z) ** 2),
        lambda z, place: np.asarray(j0(z * place)),
        lambda z: 2.0 * j1(z) / z,
    ),
    "sphere": _Form(
        _sphere_brackets,
        lambda z, w, v: (v - w) * np.sin(z) - v * z * np.cos(z),
        lambda z: 4.0 * (np.sin(z) - z * np.cos(z)) / (2.0 * z - np.sin(2.0 * z)),
        _sphere_across,
        lambda z: 3.0 * (np.sin(z) - z * np.cos(z)) / z**3,
    ),
}
SHAPES: tuple[str, ...] = tuple(_FORMS)


def _form(shape: str) -> _Form:
    try:
        return _FORMS[shape]
    except KeyError:
        raise UnknownName("shape", str(shape), known=SHAPES) from None


def _checked_biot(biot: float) -> float:
    if not biot > 0:
        raise OutOfRange("biot", got=biot, expected="above 0, infinite where the face is held")
    return float(biot)


def roots(shape: BodyShape, biot: float, n: int) -> FloatArray:
    """First n roots of the boundary condition.

    Slab ``z tan z = Bi``, cylinder ``z J1(z) = Bi J0(z)``, sphere ``1 - z cot z = Bi``.

    Parameters
    ----------
    shape : "slab", "cylinder" or "sphere"
    biot : above 0; infinite where the surface is held at the surroundings' temperature
    n : how many, at least 1

    Returns
    -------
    (n,) rising

    Raises
    ------
    OutOfRange : if `biot` is not above 0 or `n` below 1
    UnknownName : if the shape is not known

    Source: CENGEL, table 4-2. Checked in tests/evidence/test_conduction.py.
    """
    form = _form(shape)
    biot = _checked_biot(biot)
    if n < 1:
        raise OutOfRange("n", got=n, expected="1 or more")
    # divided by 1 + Bi, so that an endless Bi is an ordinary number
    w, v = (1.0, 0.0) if np.isinf(biot) else (biot / (1.0 + biot), 1.0 / (1.0 + biot))
    low, high = form.brackets(n, biot > 1.0)
    if np.isinf(biot):
        return high
    sign = np.where(np.arange(n) % 2 == 0, -1.0, 1.0)  # of the balance at the lower ends
    for _ in range(200):
        middle = 0.5 * (low + high)
        if bool(np.all((middle <= low) | (middle >= high))):
            break
        left = np.sign(form.balance(middle, w, v)) == sign
        low, high = np.where(left, middle, low), np.where(left, high, middle)
    return np.asarray(0.5 * (low + high))


def first_root(shape: BodyShape, biot: float) -> tuple[float, float]:
    """First root and the weight of the first term, (z, C), as in printed one-term tables.

    Raises
    ------
    OutOfRange : if `biot` is not above 0
    UnknownName : if the shape is not known

    Source: CENGEL, table 4-2. Checked in tests/evidence/test_conduction.py.
    """
    z = roots(shape, biot, 1)
    return float(z[0]), float(_form(shape).weight(z)[0])


def _checked_place(position: float | FloatArray) -> FloatArray:
    place = np.asarray(position, dtype=np.float64)
    if not bool(np.all((place >= 0.0) & (place <= 1.0))):
        raise OutOfRange("position", got=position, expected="0 (centre) to 1 (surface)")
    return place


def first_term(
    shape: BodyShape, *, biot: float, fourier: float | FloatArray, position: float | FloatArray
) -> FloatArray:
    """Ratio θ by the first term of the series alone.

    Parameters
    ----------
    shape : "slab", "cylinder" or "sphere"
    biot : above 0, may be infinite
    fourier : any shape, 0.2 or above
    position : 0 at the centre to 1 at the surface; broadcasts with `fourier`

    Returns
    -------
    broadcast shape, 1

    Raises
    ------
    OutOfRange : if `fourier` is below 0.2, where one term is badly wrong: use `series_ratio`
    UnknownName : if the shape is not known

    Source: CENGEL, eqs. 4-23 to 4-25. Checked in tests/evidence/test_conduction.py.
    """
    form = _form(shape)
    fo = np.asarray(fourier, dtype=np.float64)
    if not bool(np.all(fo >= ONE_TERM_FROM_FO)):
        raise OutOfRange(
            "fourier",
            got=f"{float(np.min(fo)):.4g}",
            expected=f"{ONE_TERM_FROM_FO} or above",
            where="one-term solution",
            remedy="use the full series",
        )
    place = _checked_place(position)
    z = roots(shape, biot, 1)[0]
    return np.asarray(form.weight(z) * form.across(z, place) * np.exp(-z * z * fo))[()]


def _series(
    form: _Form, shape: BodyShape, biot: float, fo: FloatArray, across: Callable[..., FloatArray]
) -> FloatArray:
    """Sum the series for Fourier numbers at or above 0."""
    if not bool(np.all(fo >= 0.0)):
        raise OutOfRange("fourier", got=f"{float(np.min(fo)):.4g}", expected="0 or above")
    running = fo > 0.0
    smallest = float(np.min(fo, where=running, initial=np.inf))
    if smallest < _LOWEST_FO:
        raise OutOfRange(
            "fourier",
            got=f"{smallest:.3g}",
            expected=f"0, or {_LOWEST_FO:.1e} and above",
            where="series solution",
            remedy="so soon after the start only a skin is warm: use the half-space solution",
        )
    n = 1 if np.isinf(smallest) else int(np.sqrt(_NEGLIGIBLE / smallest) / np.pi) + 2
    z = roots(shape, biot, n)
    weight = form.weight(z)
    total: FloatArray = np.zeros(fo.shape)
    for i in range(n):
        total += weight[i] * across(z[i]) * np.exp(-z[i] * z[i] * fo)
    return np.where(running, total, 1.0)


def series_ratio(
    shape: BodyShape, *, biot: float, fourier: float | FloatArray, position: float | FloatArray
) -> FloatArray:
    """Ratio θ by the full series.

    Parameters
    ----------
    shape : "slab", "cylinder" or "sphere"
    biot : above 0, may be infinite
    fourier : any shape, 0, or about 2.6e-7 and above
    position : 0 at the centre to 1 at the surface; broadcasts with `fourier`

    Returns
    -------
    broadcast shape, 1

    Raises
    ------
    OutOfRange : if `biot`, `fourier` or `position` is outside what is said above
    UnknownName : if the shape is not known

    Source: CARSLAW1959, ch. 3, 7 and 9. Checked in tests/evidence/test_conduction.py.
    """
    form = _form(shape)
    biot = _checked_biot(biot)
    place = _checked_place(position)
    fo = np.asarray(fourier, dtype=np.float64)
    fo, place = np.broadcast_arrays(fo, place)
    return _series(form, shape, biot, fo, lambda z: form.across(z, place))[()]


def mean_ratio(shape: BodyShape, *, biot: float, fourier: float | FloatArray) -> FloatArray:
    """Volume mean of θ by the full series; 1 − θ_mean is the share of the heat taken up.

    Parameters
    ----------
    shape : "slab", "cylinder" or "sphere"
    biot, fourier : as for `series_ratio`

    Returns
    -------
    shape of `fourier`, 1

    Raises
    ------
    OutOfRange, UnknownName : as for `series_ratio`

    Source: CARSLAW1959, ch. 3, 7 and 9, each term averaged over the volume.
    """
    form = _form(shape)
    biot = _checked_biot(biot)
    fo = np.asarray(fourier, dtype=np.float64)
    return _series(form, shape, biot, fo, form.mean)[()]


def biot_number(*, coefficient_w_m2_k: float, length_m: float, conductivity_w_m_k: float) -> float:
    """Biot number h L / k.

    Raises
    ------
    OutOfRange : if a value is not above 0 (the coefficient may be infinite)
    """
    _positive(length_m=length_m, conductivity_w_m_k=conductivity_w_m_k)
    if not coefficient_w_m2_k > 0:
        raise OutOfRange("coefficient_w_m2_k", got=coefficient_w_m2_k, expected="above 0")
    return coefficient_w_m2_k * length_m / conductivity_w_m_k


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0 and np.isfinite(value)):
            raise OutOfRange(name, got=value, expected="a finite number above 0")


def series_temperature(
    shape: BodyShape,
    *,
    position: float | FloatArray,
    half_size_m: float,
    conductivity_w_m_k: float,
    density_kg_m3: float,
    heat_capacity_j_kg_k: float,
    coefficient_w_m2_k: float,
    start_c: float,
    surroundings_c: float,
    time_s: float | FloatArray,
) -> FloatArray:
    """Temperature inside a slab, cylinder or sphere, by the full series.

    Parameters
    ----------
    shape : "slab", "cylinder" or "sphere"
    position : 0 at the centre to 1 at the surface; broadcasts with `time_s`
    half_size_m : half thickness or radius, m
    conductivity_w_m_k, density_kg_m3, heat_capacity_j_kg_k : properties of the body
    coefficient_w_m2_k : surface coefficient; infinite where the surface is held
    start_c, surroundings_c : °C
    time_s : any shape, 0 or later, s

    Returns
    -------
    broadcast shape, °C

    Raises
    ------
    OutOfRange : if a value is not physical, or a time so short that the series will not do
    UnknownName : if the shape is not known

    Source: CARSLAW1959, ch. 3, 7 and 9. Checked in tests/evidence/test_conduction.py.
    """
    _positive(density_kg_m3=density_kg_m3, heat_capacity_j_kg_k=heat_capacity_j_kg_k)
    biot = biot_number(
        coefficient_w_m2_k=coefficient_w_m2_k,
        length_m=half_size_m,
        conductivity_w_m_k=conductivity_w_m_k,
    )
    diffusivity = conductivity_w_m_k / (density_kg_m3 * heat_capacity_j_kg_k)
    fourier = diffusivity * np.asarray(time_s, dtype=np.float64) / half_size_m**2
    ratio = series_ratio(shape, biot=biot, fourier=fourier, position=position)
    return surroundings_c + (start_c - surroundings_c) * ratio


def short_cylinder_temperature(
    *,
    radial_position: float | FloatArray,
    axial_position: float | FloatArray,
    radius_m: float,
    half_height_m: float,
    conductivity_w_m_k: float,
    density_kg_m3: float,
    heat_capacity_j_kg_k: float,
    coefficient_w_m2_k: float,
    start_c: float,
    surroundings_c: float,
    time_s: float | FloatArray,
) -> FloatArray:
    """Temperature inside a cylinder as high as it is, such as a can: cylinder times slab.

    Parameters
    ----------
    radial_position, axial_position : 0 at the centre to 1 at the face; broadcast with `time_s`
    radius_m, half_height_m : m
    conductivity_w_m_k and the rest : as for `series_temperature`

    Returns
    -------
    broadcast shape, °C

    Raises
    ------
    OutOfRange : as for `series_temperature`

    Source: CARSLAW1959, sec. 1.15 (product of one-dimensional solutions). Checked in
    tests/evidence/test_conduction.py.
    """
    parts: tuple[tuple[BodyShape, float | FloatArray, float], ...] = (
        ("cylinder", radial_position, radius_m),
        ("slab", axial_position, half_height_m),
    )
    ratio = np.asarray(1.0)
    for shape, position, size in parts:
        ratio = ratio * series_temperature(
            shape,
            position=position,
            half_size_m=size,
            conductivity_w_m_k=conductivity_w_m_k,
            density_kg_m3=density_kg_m3,
            heat_capacity_j_kg_k=heat_capacity_j_kg_k,
            coefficient_w_m2_k=coefficient_w_m2_k,
            start_c=1.0,
            surroundings_c=0.0,
            time_s=time_s,
        )
    return surroundings_c + (start_c - surroundings_c) * ratio


def brick_temperature(
    *,
    positions: tuple[float, float, float],
    half_sizes_m: tuple[float, float, float],
    conductivity_w_m_k: float,
    density_kg_m3: float,
    heat_capacity_j_kg_k: float,
    coefficient_w_m2_k: float,
    start_c: float,
    surroundings_c: float,
    time_s: float | FloatArray,
) -> FloatArray:
    """Temperature inside a brick: the product of three slabs.

    Parameters
    ----------
    positions : for each direction 0 at the centre to 1 at the face
    half_sizes_m : half the length in each direction, m
    conductivity_w_m_k and the rest : as for `series_temperature`

    Returns
    -------
    shape of `time_s`, °C

    Raises
    ------
    OutOfRange : as for `series_temperature`

    Source: CARSLAW1959, sec. 1.15. Checked in tests/evidence/test_conduction.py.
    """
    ratio = np.asarray(1.0)
    for position, size in zip(positions, half_sizes_m, strict=True):
        ratio = ratio * series_temperature(
            "slab",
            position=position,
            half_size_m=size,
            conductivity_w_m_k=conductivity_w_m_k,
            density_kg_m3=density_kg_m3,
            heat_capacity_j_kg_k=heat_capacity_j_kg_k,
            coefficient_w_m2_k=coefficient_w_m2_k,
            start_c=1.0,
            surroundings_c=0.0,
            time_s=time_s,
        )
    return surroundings_c + (start_c - surroundings_c) * ratio
