"""Thermocouples as a wire makes volts and an instrument reads them, from -50 to 400 °C.

The virtual oven keeps its own table so that a slip in the tool's physics can't hide behind the
same slip here. The inverse is a dense table of the forward function, no inverse polynomial.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange, UnknownName

LOW_C = -60.0
HIGH_C = 400.0

# NIST Monograph 175 (1993), reference functions, mV from °C, reference junction at 0 °C:
# below 0 °C, from 0 °C up (type J to 760 °C)
_BELOW: dict[str, tuple[float, ...]] = {
    "T": (
        0.0, 0.38748106364e-1, 0.44194434347e-4, 0.11844323105e-6, 0.20032973554e-7,
        0.90138019559e-9, 0.22651156593e-10, 0.36071154205e-12, 0.38493939883e-14,
        0.28213521925e-16, 0.14251594779e-18, 0.48768662286e-21, 0.10795539270e-23,
        0.13945027062e-26, 0.79795153927e-30,
    ),
    "K": (
        0.0, 0.39450128025e-1, 0.23622373598e-4, -0.32858906784e-6, -0.49904828777e-8,
        -0.67509059173e-10, -0.57410327428e-12, -0.31088872894e-14, -0.10451609365e-16,
        -0.19889266878e-19, -0.16322697486e-22,
    ),
    "J": (
        0.0, 0.50381187815e-1, 0.30475836930e-4, -0.85681065720e-7, 0.13228195295e-9,
        -0.17052958337e-12, 0.20948090697e-15, -0.12538395336e-18, 0.15631725697e-22,
    ),
    "N": (
        0.0, 0.26159105962e-1, 0.10957484228e-4, -0.93841111554e-7, -0.46412039759e-10,
        -0.26303357716e-11, -0.22653438003e-13, -0.76089300791e-16, -0.93419667835e-19,
    ),
    "E": (
        0.0, 0.58665508708e-1, 0.45410977124e-4, -0.77998048686e-6, -0.25800160843e-7,
        -0.59452583057e-9, -0.93214058667e-11, -0.10287605534e-12, -0.80370123621e-15,
        -0.43979497391e-17, -0.16414776355e-19, -0.39673619516e-22, -0.55827328721e-25,
        -0.34657842013e-28,
    ),
}  # fmt: skip
_ABOVE: dict[str, tuple[float, ...]] = {
    "T": (
        0.0, 0.38748106364e-1, 0.33292227880e-4, 0.20618243404e-6, -0.21882256846e-8,
        0.10996880928e-10, -0.30815758772e-13, 0.45479135290e-16, -0.27512901673e-19,
    ),
    "K": (
        -0.17600413686e-1, 0.38921204975e-1, 0.18558770032e-4, -0.99457592874e-7,
        0.31840945719e-9, -0.56072844889e-12, 0.56075059059e-15, -0.32020720003e-18,
        0.97151147152e-22, -0.12104721275e-25,
    ),
    "J": _BELOW["J"],
    "N": (
        0.0, 0.25929394601e-1, 0.15710141880e-4, 0.43825627237e-7, -0.25261169794e-9,
        0.64311819339e-12, -0.10063471519e-14, 0.99745338992e-18, -0.60863245607e-21,
        0.20849229339e-24, -0.30682196151e-28,
    ),
    "E": (
        0.0, 0.58665508710e-1, 0.45032275582e-4, 0.28908407212e-7, -0.33056896652e-9,
        0.65024403270e-12, -0.19197495504e-15, -0.12536600497e-17, 0.21489217569e-20,
        -0.14388041782e-23, 0.35960899481e-27,
    ),
}  # fmt: skip
_BUMP_K = (0.118597600000, -0.118343200000e-3, 0.126968600000e3)

WIRES: tuple[str, ...] = tuple(_ABOVE)


def emf_mv(temp_c: Any, wire: str) -> NDArray[np.float64]:
    """Voltage of a wire pair with its reference junction at 0 °C.

    Parameters
    ----------
    temp_c : any shape, °C, -60 to 400; NaN stays NaN
    wire : one of T, K, J, N, E

    Raises
    ------
    UnknownName : for another type
    OutOfRange : outside the range this oven can make

    Source: NIST Monograph 175 (1993), reference functions.
    """
    _known(wire)
    t = np.asarray(temp_c, dtype=np.float64)
    if bool(np.any((t < LOW_C) | (t > HIGH_C))):
        worst = float(t[(t < LOW_C) | (t > HIGH_C)].flat[0]) if t.ndim else float(t)
        raise OutOfRange(
            f"temperature of type {wire}", got=worst, expected=f"{LOW_C:g} to {HIGH_C:g} °C"
        )
    up = Polynomial(_ABOVE[wire])(t)
    if wire == "K":
        height, width, centre = _BUMP_K
        up = up + height * np.exp(width * (t - centre) ** 2)
    return np.asarray(np.where(t >= 0.0, up, Polynomial(_BELOW[wire])(t)), dtype=np.float64)


@cache
def _inverse_table(wire: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    grid = np.linspace(LOW_C, HIGH_C, 18_401)  # 0.025 K apart: straight lines err below 1e-7 K
    return emf_mv(grid, wire), grid


def read_c(emf: Any, wire: str) -> NDArray[np.float64]:
    """Temperature an instrument set to ``wire`` shows for a voltage referred to 0 °C.

    Beyond the table the instrument shows nothing: NaN.
    """
    _known(wire)
    volts, grid = _inverse_table(wire)
    return np.interp(np.asarray(emf, dtype=np.float64), volts, grid, left=np.nan, right=np.nan)


def _known(wire: str) -> None:
    if wire not in _ABOVE:
        raise UnknownName("thermocouple wire", wire, known=WIRES)
