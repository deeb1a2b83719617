"""Thermocouples: EMF from temperature, temperature from EMF, and readings under the wrong type.

The forward function is the ITS-90 reference function itself. The inverse is read from tables of
cubic Hermite cells that are made, once per type and only when asked for, by inverting that same
function; it therefore agrees with the forward function to far better than the published inverse
polynomials do (those are off by up to 0.06 K).
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.physics.arrays import FloatArray, N, as_given
from ovenwright.physics.thermocouple_tables import PIECES, Piece

KINDS: tuple[str, ...] = tuple(PIECES)
"""The letter-designated types this module knows."""

B_LOWEST_C = 250.0
"""Type B is not read below this: its EMF falls, turns at 21 °C, and says next to nothing."""

_CELLS = 4096
_CHUNK = 8192  # a chunk and its scratch stay in the cache
_PRINTED_MV = 0.000_501  # half the last digit of the printed tables: -6.458 mV is K at -270 °C
_HAIR_K = 1e-6  # what a round trip may lose at the very end of a range
_STEEP_FROM_C = -200.0  # below it the sensitivity dies away and one uniform grid will not do
_DYING_BELOW_C = -250.0  # types that reach this far down are the ones that die away


class _Cells(NamedTuple):
    """Cubic cells of equal width in mV; row p holds the coefficients of power p in the cell."""

    low_mv: float
    high_mv: float
    per_mv: float
    power: FloatArray


class _Inverse(NamedTuple):
    """The inverse of one type: table stretches rising in mV, and the cold end done by iteration."""

    low_mv: float
    high_mv: float
    stretches: tuple[_Cells, ...]
    cold_mv: FloatArray
    cold_c: FloatArray


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
    low_c, high_c = temperature_range_c(kind)
    ends = emf(np.array([B_LOWEST_C if kind == "B" else low_c, high_c]), kind)
    return float(ends[0]), float(ends[1])


def _checked(values: FloatArray, low: float, high: float, *, slack: float) -> FloatArray:
    """Return `values` with a hair beyond an end laid on it; NaN if anything is further out."""
    held: FloatArray = np.clip(values, low, high)
    return held if not bool(np.any(np.abs(held - values) > slack)) else np.full(1, np.nan)


def _worst(values: FloatArray, low: float, high: float) -> float:
    """Return the value that lies furthest outside."""
    beyond = np.fmax(low - values, values - high)
    return float(values.ravel()[int(np.nanargmax(beyond))])


def _evaluate(temp_c: FloatArray, piece: Piece, *, slope: bool) -> FloatArray:
    """Evaluate one piece, or its slope in mV/K."""
    powers = piece.coefficients
    if slope:
        powers = tuple(p * c for p, c in enumerate(powers))[1:]
    out = np.full_like(temp_c, powers[-1])
    for c in powers[-2::-1]:
        out *= temp_c
        out += c
    if piece.bump is not None:
        a0, a1, a2 = piece.bump
        away = temp_c - a2
        swell = a0 * np.exp(a1 * away * away)
        out += 2.0 * a1 * away * swell if slope else swell
    return out


def _forward(temp_c: FloatArray, kind: str, *, slope: bool) -> FloatArray:
    """Evaluate the reference function, or its slope, of values in range; NaN stays NaN."""
    pieces = PIECES[kind]
    flat = temp_c.ravel()
    out = np.empty(flat.shape)
    for start in range(0, flat.size, _CHUNK):
        part = flat[start : start + _CHUNK]
        low, high = float(np.fmin.reduce(part)), float(np.fmax.reduce(part))
        for piece in pieces:
            last = piece is pieces[-1]
            if piece.low_c <= low and (high < piece.high_c or last):
                out[start : start + _CHUNK] = _evaluate(part, piece, slope=slope)
                break
        else:
            into = out[start : start + _CHUNK]
            into[:] = np.nan
            for i, piece in enumerate(pieces):
                here = (part >= piece.low_c) & (
                    part <= piece.high_c if i == len(pieces) - 1 else part < piece.high_c
                )
                into[here] = _evaluate(part[here], piece, slope=slope)
    return out.reshape(temp_c.shape)


def _in_range_c(temp_c: FloatArray, kind: str, *, name: str) -> FloatArray:
    low, high = temperature_range_c(kind)
    with np.errstate(invalid="ignore"):
        held: FloatArray = np.clip(temp_c, low, high)
        far = np.abs(held - temp_c) > _HAIR_K
    if bool(np.any(far)):
        raise OutOfRange(
            name,
            got=f"{_worst(temp_c, low, high):.7g} °C",
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
        temp_c, _forward(_in_range_c(given, kind, name="temperature"), kind, slope=False)
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
    slope = _forward(_in_range_c(given, kind, name="temperature"), kind, slope=True)
    return as_given(temp_c, slope * 1e3)


def _solve(emf_mv: FloatArray, kind: str, seed_c: FloatArray, *, steps: int) -> FloatArray:
    """Invert by Newton steps held inside the range; seeds must be near."""
    low_c, high_c = temperature_range_c(kind)
    found = seed_c
    for _ in range(steps):
        off = _forward(found, kind, slope=False) - emf_mv
        found = np.clip(found - off / _forward(found, kind, slope=True), low_c, high_c)
    return found


def _cells(low_c: float, high_c: float, kind: str) -> _Cells:
    """Make the table of one stretch."""
    # just inside the upper end, so that a stretch never samples the next piece's slope
    top_c = np.nextafter(high_c, low_c)
    low_mv, high_mv = _forward(np.array([low_c, top_c]), kind, slope=False)
    node_mv = np.linspace(low_mv, high_mv, _CELLS + 1)
    coarse_c = np.linspace(low_c, top_c, _CELLS + 1)
    seed_c = np.interp(node_mv, _forward(coarse_c, kind, slope=False), coarse_c)
    node_c = np.clip(_solve(node_mv, kind, seed_c, steps=4), low_c, top_c)
    width = (high_mv - low_mv) / _CELLS
    rise = width / _forward(node_c, kind, slope=True)  # dt per cell, at the nodes
    step = np.diff(node_c)
    # one cell more, that holds the last node: the upper end itself is read from it
    power = np.zeros((4, _CELLS + 1))
    power[0] = node_c
    power[1] = rise
    power[2, :-1] = 3.0 * step - 2.0 * rise[:-1] - rise[1:]
    power[3, :-1] = rise[:-1] + rise[1:] - 2.0 * step
    return _Cells(float(low_mv), float(high_mv), 1.0 / width, power)


@lru_cache(maxsize=len(KINDS))
def _inverse(kind: str) -> _Inverse:
    """Make the inverse of a type; kept, since every reading asks for it again."""
    low_c, high_c = temperature_range_c(kind)
    if kind == "B":
        low_c = B_LOWEST_C
    # pieces meet with a small step or kink: a cell must not straddle one
    kinks = [p.low_c for p in PIECES[kind][1:] if p.low_c > low_c]
    dying = low_c < _DYING_BELOW_C
    edges = sorted({_STEEP_FROM_C if dying else low_c, *kinks, high_c})
    stretches = tuple(_cells(a, b, kind) for a, b in pairwise(edges))
    cold_c = np.linspace(low_c, _STEEP_FROM_C, 513) if dying else np.empty(0)
    low_mv, high_mv = emf_range_mv(kind)
    return _Inverse(low_mv, high_mv, stretches, _forward(cold_c, kind, slope=False), cold_c)


class _Scratch:
    """Buffers one chunk is worked in, so that no memory is asked for inside the loop."""

    def __init__(self) -> None:
        self.x = np.empty(_CHUNK)
        self.floor = np.empty(_CHUNK)
        self.index = np.empty(_CHUNK, dtype=np.intp)
        self.c = np.empty(_CHUNK)


def _look_up(emf_mv: FloatArray, cells: _Cells, out: FloatArray, scratch: _Scratch) -> None:
    """Read up to a chunk of values, all of them inside the stretch and none NaN."""
    n = emf_mv.size
    x, floor, index, c = scratch.x[:n], scratch.floor[:n], scratch.index[:n], scratch.c[:n]
    np.subtract(emf_mv, cells.low_mv, out=x)
    np.multiply(x, cells.per_mv, out=x)
    np.copyto(index, x, casting="unsafe")
    np.copyto(floor, index)
    np.subtract(x, floor, out=x)
    # indices are in range by now; "clip" only spares numpy a check and a copy
    cubic, square, line, node = cells.power[3], cells.power[2], cells.power[1], cells.power[0]
    cubic.take(index, out=out, mode="clip")
    for row in (square, line, node):
        np.multiply(out, x, out=out)
        row.take(index, out=c, mode="clip")
        np.add(out, c, out=out)


def _backward(emf_mv: FloatArray, kind: str, *, where: str) -> FloatArray:
    """Invert compensated EMF of any shape."""
    inverse = _inverse(kind)
    flat = emf_mv.ravel()
    out = np.empty(flat.shape)
    scratch = _Scratch()
    warm = inverse.stretches[-1]
    for start in range(0, flat.size, _CHUNK):
        part = flat[start : start + _CHUNK]
        into = out[start : start + _CHUNK]
        # a NaN makes both comparisons false, so it takes the careful way
        if part.min() >= warm.low_mv and part.max() <= warm.high_mv:
            _look_up(part, warm, into, scratch)
        else:
            _careful(part, kind, inverse, into, scratch, where=where)
    return out.reshape(emf_mv.shape)


def _careful(
    part: FloatArray,
    kind: str,
    inverse: _Inverse,
    into: FloatArray,
    scratch: _Scratch,
    *,
    where: str,
) -> None:
    """Read a chunk that has missing values, several stretches, cold values or values to refuse."""
    held = np.clip(part, inverse.low_mv, inverse.high_mv)
    if bool(np.any(np.abs(held - part) > _PRINTED_MV)):
        why = "; below 250 °C the EMF of type B is too small and not unique" if kind == "B" else ""
        raise OutOfRange(
            "EMF",
            got=f"{_worst(part, inverse.low_mv, inverse.high_mv):.7g} mV",
            expected=f"{inverse.low_mv:.4f} to {inverse.high_mv:.4f} mV{why}",
            where=where,
            remedy="check the sensor type and the unit, or mark such readings as missing",
        )
    into[:] = np.nan
    cold = held < inverse.stretches[0].low_mv
    if bool(cold.any()):
        seed_c = np.interp(held[cold], inverse.cold_mv, inverse.cold_c)
        into[cold] = _solve(held[cold], kind, seed_c, steps=4)
    for i, cells in enumerate(inverse.stretches):
        below = held <= cells.high_mv if i == 0 else held > inverse.stretches[i - 1].high_mv
        here = (held >= inverse.stretches[0].low_mv) & below
        if i > 0:
            here &= (held <= cells.high_mv) | (i == len(inverse.stretches) - 1)
        if bool(here.any()):
            read = np.empty(int(here.sum()))
            _look_up(np.maximum(held[here], cells.low_mv), cells, read, scratch)
            into[here] = read


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
        added = _forward(_in_range_c(reference, kind, name="reference junction"), kind, slope=False)
        given = given + added
    return as_given(emf_mv, _backward(given, kind, where=f"type {kind} thermocouple"))


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
    shown = _forward(_in_range_c(given, recorded_as, name="reading"), recorded_as, slope=False)
    swap = np.asarray(
        _forward(_in_range_c(reference, actual, name="reference junction"), actual, slope=False)
        - _forward(
            _in_range_c(reference, recorded_as, name="reference junction"),
            recorded_as,
            slope=False,
        )
    )
    where = f"recorded as type {recorded_as}, restated as type {actual}"
    return as_given(temp_c, _backward(shown + swap, actual, where=where))


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
