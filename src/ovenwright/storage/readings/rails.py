"""Numbers that stand for no reading: 9999, 32767, 9.9E37 and their like.

Such a number is a mark only where the column's own readings make it impossible: 6999 in a column
that goes through 6998 is a reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import BoolArray, FloatArray, QualityArray
from ovenwright.domain.run import Quality

BEYOND = 1e6
"""No temperature in any unit; SCPI instruments answer 9.9E37 for overload, 9.91E37 for no number."""

# what instruments print for an open sensor or a value beyond range: common practice, no source
RAILS = (
    999.0, 999.9, 999.99, 1999.9, 1999.0, 3276.7, 3276.8, 327.67, 327.68, 6553.5, 655.35, 6999.0,
    6999.9, 7999.0, 7999.9, 8888.0, 8888.8, 888.8, 9998.0, 9999.0, 9999.9, 9999.99, 19999.0,
    32000.0, 32766.0, 32767.0, 32768.0, 65534.0, 65535.0, 88888.0, 99999.0, 99999.9, 999999.0,
)  # fmt: skip
ONLY_LOW = (-127.0, -196.6, -242.02, -246.0, -273.0, -273.1, -273.15, -273.2, -459.67, -459.7)


@dataclass(frozen=True, slots=True)
class Railed:
    """What was taken for a mark in one column, and what looked like one and was kept."""

    value: FloatArray
    quality: QualityArray
    marks: tuple[tuple[float, int], ...]
    kept: tuple[tuple[float, int], ...]


def mark_rails(value: FloatArray, quality: QualityArray, *, given: Sequence[float] = ()) -> Railed:
    """Turn rail values into missing readings with their mark.

    Parameters
    ----------
    value : (n,) in the column's own unit, NaN where missing
    quality : (n,) bits
    given : numbers that a person named as marks, taken whatever the column holds

    Returns
    -------
    arrays without the marks (the ones given where there are none), the marks with their counts, and look-alikes that were kept
    """
    marks: list[tuple[float, int]] = []
    kept: list[tuple[float, int]] = []
    named = np.isin(value, np.asarray(given)) if given else np.zeros(value.shape, np.bool_)
    with np.errstate(invalid="ignore"):
        far = (np.abs(value) >= BEYOND) & ~named
    candidates = _candidates(value) & ~named & ~far
    if not (named.any() or far.any() or candidates.any()):
        return Railed(value, quality, (), ())
    value, quality = value.copy(), quality.copy()
    marks += _counted(value, named)
    value[named] = np.nan
    quality[named] |= int(Quality.MISSING)
    marks += _counted(value, far)
    _take_out(value, quality, far)
    others = value[np.isfinite(value) & ~candidates]
    for number, count in _counted(value, candidates):
        hit = value == number
        if _isolated(number, hit, value, candidates, others):
            marks.append((number, count))
            _take_out(value, quality, hit)
        else:
            kept.append((number, count))
    return Railed(value, quality, tuple(marks), tuple(kept))


def _counted(value: FloatArray, hit: BoolArray) -> list[tuple[float, int]]:
    numbers, counts = np.unique(value[hit], return_counts=True)
    return list(zip(numbers.tolist(), counts.tolist(), strict=True))


def _take_out(value: FloatArray, quality: QualityArray, hit: BoolArray) -> None:
    value[hit] = np.nan
    quality[hit] |= int(Quality.MISSING | Quality.OVERFLOW)


def _candidates(value: FloatArray) -> BoolArray:
    """Say which readings are on the list; most columns are settled by their extremes alone."""
    if not value.size or np.isnan(value).all():
        return np.zeros(value.shape, np.bool_)
    low, high = float(np.nanmin(value)), float(np.nanmax(value))
    hit = np.zeros(value.shape, np.bool_)
    for number in (*RAILS, *(-r for r in RAILS), *ONLY_LOW):
        if low <= number <= high:
            hit |= value == number
    return hit


def _isolated(
    number: float, hit: BoolArray, value: FloatArray, candidates: BoolArray, others: FloatArray
) -> bool:
    if not others.size:
        return True
    low, high = float(others.min()), float(others.max())
    margin = max(50.0, 0.1 * (high - low))
    if number > high + margin or number < low - margin:
        return True
    # inside the column's own range it is a mark only if every visit to it is a leap there and back
    leap = max(margin, 0.2 * (high - low))
    good = np.flatnonzero(np.isfinite(value) & ~candidates)
    rows = np.flatnonzero(hit)
    before = np.searchsorted(good, rows) - 1
    after = before + 1
    near = np.zeros(rows.shape, np.bool_)
    has = before >= 0
    near[has] |= np.abs(value[good[before[has]]] - number) < leap
    has = after < good.size
    near[has] |= np.abs(value[good[after[has]]] - number) < leap
    return not bool(near.any())
