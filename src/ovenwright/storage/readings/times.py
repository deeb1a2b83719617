"""From cells to times: elapsed numbers, clocks, dates in any usual order, ISO 8601, serial dates.

Nothing here knows files; a row that can't be read as a time is marked and left to the caller.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import pyarrow as pa

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.domain.run import NS
from ovenwright.storage.readings.arrow import doubles, ints, kernels, valid
from ovenwright.storage.readings.bare_numbers import read_bare
from ovenwright.storage.readings.clocks import read_clock
from ovenwright.storage.readings.conclusions import Concluded
from ovenwright.storage.readings.dates import read_dates
from ovenwright.storage.readings.numbers import (
    NumberStyle,
    Tally,
    conclude_decimal,
    read_numbers,
)
from ovenwright.storage.readings.time_nouns import TimeHints, TimeRefused, Times, coarse_step
from ovenwright.storage.readings.time_patterns import (
    CLOCK_FORMS,
    DATE_FORMS,
    NUMBER,
    STAMP_14,
    WITH_UNIT,
)

if TYPE_CHECKING:
    Cells: TypeAlias = pa.ChunkedArray[Any]


def read_times(cells: Cells, hints: TimeHints) -> Times:
    """Read the time column, or date and time already joined by a space.

    Raises
    ------
    TimeRefused : if it can be read in two ways, or in none
    """
    if pa.types.is_timestamp(cells.type):
        return _typed(cells)
    if pa.types.is_duration(cells.type):
        ns = cells.cast(pa.duration("ns"), safe=False).cast(pa.int64())
        return _elapsed(*_filled(ns), "its type is a duration")
    if pa.types.is_integer(cells.type) or pa.types.is_floating(cells.type):
        return read_bare(doubles(cells), hints)
    text = kernels.utf8_trim_whitespace(cells)
    sample = [t for t in text.slice(0, 400).to_pylist() if t]
    if not sample:
        raise TimeRefused("the time column is empty", "--time-column")
    numeric = sum(bool(NUMBER.match(t)) and not STAMP_14.match(t) for t in sample)
    if numeric * 2 > len(sample):
        return read_bare(_numbers(text, hints.decimal), hints)
    written = [m for t in sample if (m := WITH_UNIT.match(t))]
    if len(written) * 2 > len(sample):
        bare = kernels.replace_substring_regex(text, r"\s*(?:ms|s|sec|min|h)$", "")
        units = {m[2].replace("sec", "s") for m in written}
        if len(units) > 1:
            raise TimeRefused(
                f"the times mix units: {', '.join(sorted(units))}", "--time-column", 0
            )
        return read_bare(_numbers(bare, hints.decimal), replace(hints, unit=units.pop()))
    quick = _iso(text, sample[0])
    if quick is not None:
        return quick
    ways = [(DATE_FORMS, read_dates), (CLOCK_FORMS, read_clock)]
    for forms, read in reversed(ways) if hints.clock_word else ways:
        matched = [(sum(bool(f.match(t)) for t in sample), -i, f) for i, f in enumerate(forms)]
        count, _, form = max(matched, key=lambda m: m[:2])
        if count * 2 > len(sample):
            return read(text, form, hints)
    raise TimeRefused(
        f"{sample[0]!r} is no time that can be read", "--time-column NAME or --header-row N", 0
    )


def evenly_spaced(rows: int, interval_s: float) -> Times:
    """Return elapsed times of rows that come at equal steps."""
    ns = np.rint(np.arange(rows) * (interval_s * NS)).astype(np.int64)
    times = _elapsed(ns, np.zeros(rows, np.bool_), f"a row every {interval_s:g} s, as was given")
    times.concluded = [replace(c, option="--interval") for c in times.concluded]
    return times


def _filled(ns: Any) -> tuple[IntArray, BoolArray]:
    return ints(ns), ~valid(ns)


def _typed(cells: Cells) -> Times:
    zoned = cells.type.tz is not None
    ns, bad = _filled(cells.cast(pa.timestamp("ns", cells.type.tz), safe=False).cast(pa.int64()))
    return Times(ns, bad, absolute=True, utc=zoned, coarse_ns=coarse_step(ns[~bad]))


def _elapsed(ns: IntArray, bad: BoolArray, why: str) -> Times:
    times = Times(ns, bad, absolute=False, coarse_ns=coarse_step(ns[~bad]))
    times.concluded.append(Concluded("time", "elapsed", why, "--time-unit", certain=True))
    return times


def _numbers(text: Any, decimal: str) -> FloatArray:
    """Read plain numbers; a comma is what the column itself says it is, else what the file says."""
    said = conclude_decimal(t for t in text.slice(0, 400).to_pylist() if t)
    commas = any("," in t for t in text.slice(0, 400).to_pylist() if t)
    style = NumberStyle(said.mark if said.mark and commas else decimal)
    return read_numbers(text, style, Tally())[0]


def _iso(text: Any, first: str) -> Times | None:
    """Read ISO 8601 the fast way; None where some row is written otherwise."""
    if not re.match(r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}", first):
        return None
    zoned = bool(re.search(r"(?:Z|[-+]\d{2}(?::?\d{2})?)$", first[16:]))
    try:
        stamps = text.cast(pa.timestamp("ns", "UTC" if zoned else None))
    except pa.ArrowInvalid:
        return None
    ns, bad = _filled(stamps.cast(pa.int64()))
    return Times(ns, bad, absolute=True, utc=zoned, coarse_ns=coarse_step(ns[~bad]))


def bare_digits(cells: Cells) -> bool:
    """Say whether times of day are written as hhmmss without any sign, zeros dropped or not."""
    lengths = kernels.utf8_length(cells)
    plain = kernels.match_substring_regex(cells, r"^\d{1,6}$")
    return kernels.all(plain).as_py() is True and kernels.max(lengths).as_py() in {5, 6}


def join_cells(parts: Sequence[Cells]) -> Cells:
    """Return date and time cells joined by a space, row by row."""
    if len(parts) == 1:
        return parts[0]
    texts = [p if pa.types.is_string(p.type) else p.cast(pa.string()) for p in parts]
    if len(texts) == 2 and bare_digits(texts[1]):
        texts[1] = kernels.utf8_lpad(texts[1], 6, "0")  # a sheet drops the zeros of 061500
    flat = [t.combine_chunks() if isinstance(t, pa.ChunkedArray) else t for t in texts]
    return pa.chunked_array([kernels.binary_join_element_wise(*flat, " ")])
