"""Thermocouples: EMF from temperature, temperature from EMF, and readings under the wrong type.

The forward function is the ITS-90 reference function itself. The inverse is read from tables of
cubic Hermite cells that are made, once per type and only when asked for, by inverting that same
function; it therefore agrees with the forward function to far better than the published inverse
polynomials do (those are off by up to 0.06 K).
"""

from __future__ import annotations

import numpy as np

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.physics.arrays import FloatArray, N, as_given
from ovenwright.physics.thermocouple_curve import (
    backward,
    forward,
    furthest_out,
    inverse_of,
)
from ovenwright.physics.thermocouple_tables import PIECES, Piece

KINDS: tuple[str, ...] = tuple(PIECES)
"""The letter-designated types this module knows."""

_HAIR_K = 1e-6  # what a round trip may lose at the very end of a range


def _pieces(kind: str) -> tuple[Piece, ...]:
    try:
        return PIECES[kind]
    except KeyError:
        raise UnknownName("thermocouple type", str(kind), known=KINDS) from None


def temperature_range_c(kind: str) -> tuple[float, float]:
    """Lowest and highest temperature of the reference function, °C.

    For type B the inverse starts at 250 °C only, see `emf_range_mv`.

    Raises
    ------
    UnknownName : if `kind` is not one of B E J K N R S T
    """
    pieces = _pieces(kind)
    return pieces[0].low_c, pieces[-1].high_c


def emf_range_mv(kind: str) -> tuple[float, float]:
    """Lowest and highest EMF, reference junction at 0 °C, that `temperature` can read, mV.

    Raises
    ------
    UnknownName : if `kind` is not one of B E J K N R S T
    """
    _pieces(kind)
    inverse = inverse_of(kind)
    return inverse.low_mv, inverse.high_mv


def _in_range_c(temp_c: FloatArray, kind: str, *, name: str) -> FloatArray:
    low, high = temperature_range_c(kind)
    with np.errstate(invalid="ignore"):
        held: FloatArray = np.clip(temp_c, low, high)
        far = np.abs(held - temp_c) > _HAIR_K
    if bool(np.any(far)):
        raise OutOfRange(
            name,
            got=f"{furthest_out(temp_c, low, high):.7g} °C",
            expected=f"{low:g} to {high:g} °C",
            where=f"type {kind} thermocouple",
            remedy="check the unit and the sensor type, or mark such readings as missing",
        )
    return held


def emf(temp_c: N, kind: str) -> N:
    """EMF of a thermocouple whose reference junction is at 0 °C.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN
    kind : one of B E J K N R S T

    Returns
    -------
    same shape, mV

    Raises
    ------
    OutOfRange : if a value lies outside the type's reference function
    UnknownName : if `kind` is not known

    Source: NIST-M175. Checked in tests/evidence/test_thermocouple_tables.py.
    """
    _pieces(kind)
    given = np.asarray(temp_c, dtype=np.float64)
    return as_given(
        temp_c, forward(_in_range_c(given, kind, name="temperature"), kind, slope=False)
    )


def sensitivity(temp_c: N, kind: str) -> N:
    """Slope of the reference function, µV/K.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN
    kind : one of B E J K N R S T

    Returns
    -------
    same shape, µV/K

    Raises
    ------
    OutOfRange : if a value lies outside the type's reference function
    UnknownName : if `kind` is not known

    Source: derivative of NIST-M175. Checked in tests/evidence/test_thermocouple_tables.py.
    """
    _pieces(kind)
    given = np.asarray(temp_c, dtype=np.float64)
    slope = forward(_in_range_c(given, kind, name="temperature"), kind, slope=True)
    return as_given(temp_c, slope * 1e3)


def temperature(emf_mv: N, kind: str, reference_c: float | FloatArray = 0.0) -> N:
    """Temperature of the measuring junction from the EMF at the terminals.

    The EMF that a reference junction at `reference_c` stands for is added before reading; adding
    temperatures instead of voltages is wrong.

    Parameters
    ----------
    emf_mv : any shape, mV at the terminals; NaN stays NaN
    kind : one of B E J K N R S T
    reference_c : temperature of the terminals, °C; a number, or an array that broadcasts

    Returns
    -------
    shape of `emf_mv` (broadcast with `reference_c`), °C. Within 1e-7 K of exact inversion of the
    reference function over the whole range. Values up to half the last
    digit of the printed tables beyond an end are laid on the end.

    Raises
    ------
    OutOfRange : if a compensated value lies outside the type's range; type B below 250 °C
    UnknownName : if `kind` is not known

    Source: NIST-M175, inverted numerically. Checked in tests/evidence/test_thermocouple_tables.py.
    """
    _pieces(kind)
    given = np.asarray(emf_mv, dtype=np.float64)
    reference = np.asarray(reference_c, dtype=np.float64)
    if reference.ndim or float(reference) != 0.0:
        added = forward(_in_range_c(reference, kind, name="reference junction"), kind, slope=False)
        given = given + added
    return as_given(emf_mv, backward(given, kind, where=f"type {kind} thermocouple"))


def restate(temp_c: N, *, recorded_as: str, actual: str, reference_c: float | FloatArray) -> N:
    """Temperature that readings taken under the wrong type really stood for.

    The displayed temperature is turned back into the EMF at the terminals, which is what the
    wire really gave, and that EMF is read as the actual type.

    Parameters
    ----------
    temp_c : any shape, °C as recorded; NaN stays NaN
    recorded_as, actual : type the instrument was set to, and type of the wire
    reference_c : reference-junction temperature the instrument worked with, °C; broadcasts

    Returns
    -------
    same shape, °C

    Raises
    ------
    OutOfRange : if a reading lies outside the recorded type's range, or its EMF outside the
        actual type's
    UnknownName : if a type is not known

    Source: definition of reference-junction compensation with NIST-M175. Checked in
    tests/evidence/test_wrong_type.py.
    """
    _pieces(recorded_as)
    _pieces(actual)
    given = np.asarray(temp_c, dtype=np.float64)
    reference = np.asarray(reference_c, dtype=np.float64)
    shown = forward(_in_range_c(given, recorded_as, name="reading"), recorded_as, slope=False)
    swap = np.asarray(
        forward(_in_range_c(reference, actual, name="reference junction"), actual, slope=False)
        - forward(
            _in_range_c(reference, recorded_as, name="reference junction"),
            recorded_as,
            slope=False,
        )
    )
    where = f"recorded as type {recorded_as}, restated as type {actual}"
    return as_given(temp_c, backward(shown + swap, actual, where=where))


def restate_uncertainty(
    temp_c: N,
    *,
    recorded_as: str,
    actual: str,
    reference_c: float | FloatArray,
    reference_standard_k: float | FloatArray,
    instrument_standard_k: float | FloatArray = 0.0,
) -> N:
    """Uncertainty that the reference junction leaves in a restated reading.

    Two errors are kept apart because they act differently. `reference_standard_k` says how well
    `reference_c` is known to be what the *instrument worked with*: 0 when the instrument logged
    it, a few kelvin when it is only believed. It enters with the difference of the two types'
    sensitivities. `instrument_standard_k` says how well the instrument's own reference-junction
    sensor knew the *terminals*; it enters with the actual type's sensitivity, as for any reading.

    Parameters
    ----------
    temp_c : any shape, °C as recorded
    recorded_as, actual, reference_c : as for `restate`
    reference_standard_k, instrument_standard_k : standard uncertainties, K

    Returns
    -------
    same shape, K

    Raises
    ------
    OutOfRange, UnknownName : as for `restate`

    Source: JCGM100, eq. 10, with the derivative of `restate` taken analytically.
    """
    restated = restate(temp_c, recorded_as=recorded_as, actual=actual, reference_c=reference_c)
    reference = np.asarray(reference_c, dtype=np.float64)
    actual_slope = np.asarray(sensitivity(reference, actual))
    recorded_slope = np.asarray(sensitivity(reference, recorded_as))
    stated = (actual_slope - recorded_slope) * reference_standard_k
    sensed = actual_slope * instrument_standard_k
    at_junction = np.asarray(sensitivity(np.asarray(restated, dtype=np.float64), actual))
    return as_given(temp_c, np.asarray(np.hypot(stated, sensed) / at_junction))
