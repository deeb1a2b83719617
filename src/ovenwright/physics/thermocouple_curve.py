"""The machinery behind `thermocouple`: reference functions in chunks, and their inverse tables."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.thermocouple_tables import PIECES, Piece

B_LOWEST_C = 250.0
"""Type B is not read below this: its EMF falls, turns at 21 °C, and says next to nothing."""

_CELLS = 4096
_CHUNK = 8192  # a chunk and its scratch stay in the cache
_PRINTED_MV = 0.000_501  # half the last digit of the printed tables: -6.458 mV is K at -270 °C
_STEEP_FROM_C = -200.0  # below it the sensitivity dies away and one uniform grid will not do
_DYING_BELOW_C = -250.0  # types that reach this far down are the ones that die away


class _Cells(NamedTuple):
    """Cubic cells of equal width in mV; row p holds the coefficients of power p in the cell."""

    low_mv: float
    high_mv: float
    per_mv: float
    power: FloatArray


class Inverse(NamedTuple):
    """The inverse of one type: table stretches rising in mV, and the cold end done by iteration."""

    low_mv: float
    high_mv: float
    stretches: tuple[_Cells, ...]
    cold_mv: FloatArray
    cold_c: FloatArray


def furthest_out(values: FloatArray, low: float, high: float) -> float:
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


def forward(temp_c: FloatArray, kind: str, *, slope: bool) -> FloatArray:
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


def _ends(kind: str) -> tuple[float, float]:
    return PIECES[kind][0].low_c, PIECES[kind][-1].high_c


def _solve(emf_mv: FloatArray, kind: str, seed_c: FloatArray, *, steps: int) -> FloatArray:
    """Invert by Newton steps held inside the range; seeds must be near."""
    low_c, high_c = _ends(kind)
    found = seed_c
    for _ in range(steps):
        off = forward(found, kind, slope=False) - emf_mv
        found = np.clip(found - off / forward(found, kind, slope=True), low_c, high_c)
    return found


def _cells(low_c: float, high_c: float, kind: str) -> _Cells:
    """Make the table of one stretch."""
    # just inside the upper end, so that a stretch never samples the next piece's slope
    top_c = np.nextafter(high_c, low_c)
    low_mv, high_mv = forward(np.array([low_c, top_c]), kind, slope=False)
    node_mv = np.linspace(low_mv, high_mv, _CELLS + 1)
    coarse_c = np.linspace(low_c, top_c, _CELLS + 1)
    seed_c = np.interp(node_mv, forward(coarse_c, kind, slope=False), coarse_c)
    node_c = np.clip(_solve(node_mv, kind, seed_c, steps=4), low_c, top_c)
    width = (high_mv - low_mv) / _CELLS
    rise = width / forward(node_c, kind, slope=True)  # dt per cell, at the nodes
    step = np.diff(node_c)
    # one cell more, that holds the last node: the upper end itself is read from it
    power = np.zeros((4, _CELLS + 1))
    power[0] = node_c
    power[1] = rise
    power[2, :-1] = 3.0 * step - 2.0 * rise[:-1] - rise[1:]
    power[3, :-1] = rise[:-1] + rise[1:] - 2.0 * step
    return _Cells(float(low_mv), float(high_mv), 1.0 / width, power)


@lru_cache(maxsize=len(PIECES))
def inverse_of(kind: str) -> Inverse:
    """Make the inverse of a type; kept, since every reading asks for it again."""
    low_c, high_c = _ends(kind)
    if kind == "B":
        low_c = B_LOWEST_C
    # pieces meet with a small step or kink: a cell must not straddle one
    kinks = [p.low_c for p in PIECES[kind][1:] if p.low_c > low_c]
    dying = low_c < _DYING_BELOW_C
    edges = sorted({_STEEP_FROM_C if dying else low_c, *kinks, high_c})
    stretches = tuple(_cells(a, b, kind) for a, b in pairwise(edges))
    cold_c = np.linspace(low_c, _STEEP_FROM_C, 513) if dying else np.empty(0)
    low_mv, high_mv = forward(np.array([low_c, high_c]), kind, slope=False)
    return Inverse(
        float(low_mv), float(high_mv), stretches, forward(cold_c, kind, slope=False), cold_c
    )


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


def backward(emf_mv: FloatArray, kind: str, *, where: str) -> FloatArray:
    """Invert compensated EMF of any shape."""
    inverse = inverse_of(kind)
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
    inverse: Inverse,
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
            got=f"{furthest_out(part, inverse.low_mv, inverse.high_mv):.7g} mV",
            expected=f"{inverse.low_mv:.4f} to {inverse.high_mv:.4f} mV{why}",
            where=where,
            remedy="check the sensor type and the unit, or mark such readings as missing",
        )
    into[:] = np.nan
    cold = held < inverse.stretches[0].low_mv
    if bool(cold.any()):
        seed_c = np.interp(held[cold], inverse.cold_mv, inverse.cold_c)
        into[cold] = _solve(held[cold], kind, seed_c, steps=4)
    warm = held >= inverse.stretches[0].low_mv  # false for what is missing
    which = np.searchsorted([cells.high_mv for cells in inverse.stretches[:-1]], held)
    for i, cells in enumerate(inverse.stretches):
        here = warm & (which == i)
        if bool(here.any()):
            # between two stretches lies a step of a few nanovolt: it is read as the edge
            inside = np.clip(held[here], cells.low_mv, cells.high_mv)
            read = np.empty(inside.size)
            _look_up(inside, cells, read, scratch)
            into[here] = read
