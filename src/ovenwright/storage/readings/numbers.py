"""From cells to numbers: decimal and thousands marks, signs, units after the number, marks.

A cell is a number, a mark for no reading, a mark for a value beyond range, or unknown text. The
double is the nearest to the printed decimal, so the printed digits come back.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import Any

import numpy as np
import pyarrow as pa

from ovenwright.domain.arrays import FloatArray, QualityArray
from ovenwright.domain.run import Quality
from ovenwright.storage.readings.arrow import bools, doubles, ints, kernels, valid

# what instruments print when they have no number: common practice, no source
MISSING_WORDS = frozenset(
    [
        "nan",
        "nil",
        "null",
        "none",
        "na",
        "n/a",
        "n.a.",
        "n.c.",
        "nc",
        "err",
        "err.",
        "error",
        "fail",
        "failed",
        "fault",
        "invalid",
        "bad",
        "no",
        "data",
        "nodata",
        "no_data",
        "missing",
        "blank",
        "off",
        "lost",
        "-",
        "--",
        "---",
        "----",
        ".",
        "..",
        "...",
        "*",
        "**",
        "***",
        "****",
        "?",
        "??",
        "???",
        "#n/a",
        "#na",
        "#value!",
        "#ref!",
        "#div/0!",
        "#num!",
        "#name?",
        "#null!",
        "-nan",
        "-nan(ind)",
        "nan(ind)",
        "1.#qnan",
        "1.#ind",
        "-1.#ind",
        "1.#qnb",
    ]
) | {"no data", "sensor error", "no reading", "not connected", ""}
OVERFLOW_WORDS = frozenset(
    [
        "open",
        "ol",
        "o.l.",
        "o.l",
        "ovl",
        "ovld",
        "ovf",
        "over",
        "+over",
        "-over",
        "overflow",
        "over-range",
        "overrange",
        "under",
        "-under",
        "+under",
        "underflow",
        "underrange",
        "under-range",
        "burnout",
        "burn-out",
        "b.out",
        "bout",
        "break",
        "broken",
        "inf",
        "+inf",
        "-inf",
        "infinity",
        "+infinity",
        "-infinity",
        "1.#inf",
        "-1.#inf",
        "+ol",
        "-ol",
        "hi",
        "lo",
        "hhhh",
        "llll",
        "uuuu",
        "oooo",
        "eeee",
        "range",
        "opn",
        "otc",
    ]
) | {"open circuit", "open tc", "out of range", "over range", "under range", "burn out"}

_DASHES = re.compile(r"^[-–—_*.#?/\\=~]+$")
_BOUND = re.compile(r"^[<>≤≥]=?\s*[-+]?\d[\d.,]*\s*\S{0,3}$")
_SIGN = str.maketrans({"−": "-", "–": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " ", "’": "'"})
_DEGREES = re.compile(r"\s*(°\s?[CFK]|º\s?[CFK]|deg\.?\s?[CFK]|℃|℉|[CFK])$", re.IGNORECASE)
_DOUBT = re.compile(r"^(.*\d)\s*[*?!~]+$")
_PLAIN = {
    ".": r"^[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?$",
    ",": r"^[-+]?(?:\d+,?\d*|,\d+)(?:[eE][-+]?\d+)?$",
}
_PLAIN_RE = {mark: re.compile(pattern) for mark, pattern in _PLAIN.items()}


class CellKind(Enum):
    """What a cell holds."""

    NUMBER = auto()
    DOUBTFUL = auto()
    MISSING = auto()
    OVERFLOW = auto()
    UNKNOWN = auto()


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell, read."""

    kind: CellKind
    value: float = math.nan
    unit: str = ""

    @property
    def quality(self) -> int:
        """Return the bits that say what is known of it."""
        return int(_QUALITY[self.kind])


_QUALITY = {
    CellKind.NUMBER: Quality.GOOD,
    CellKind.DOUBTFUL: Quality.INSTRUMENT_DOUBT,
    CellKind.MISSING: Quality.MISSING,
    CellKind.OVERFLOW: Quality.MISSING | Quality.OVERFLOW,
    CellKind.UNKNOWN: Quality.MISSING,
}


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How numbers are written in a file, and which marks of its own it has."""

    decimal: str = "."
    missing: frozenset[str] = frozenset()


@dataclass(slots=True)
class Tally:
    """What was met in one column besides plain numbers: text to count and first row."""

    marks: Counter[str] = field(default_factory=Counter)
    unknown: Counter[str] = field(default_factory=Counter)
    first_row: dict[str, int] = field(default_factory=dict)
    units: Counter[str] = field(default_factory=Counter)
    doubtful: int = 0
    empty: int = 0
    numbers: int = 0


def read_cell(text: str, style: NumberStyle) -> Cell:
    """Read one cell the careful way.

    Parameters
    ----------
    text : as it stands in the file
    style : how numbers are written there
    """
    # a sheet that was kept from reading numbers anew writes ="21.5"
    clean = text.translate(_SIGN).strip().removeprefix("=").strip("'\"").strip()
    folded = clean.casefold()
    if folded in style.missing:
        return Cell(CellKind.MISSING)
    if folded in MISSING_WORDS:
        return Cell(CellKind.MISSING)
    if folded in OVERFLOW_WORDS or _BOUND.match(clean):
        return Cell(CellKind.OVERFLOW)
    if _DASHES.match(clean):
        return Cell(CellKind.MISSING)
    value = _number(clean, style.decimal)
    if value is not None:
        return Cell(CellKind.NUMBER, value)
    bare = _DEGREES.sub("", clean)
    if bare != clean:
        value = _number(bare, style.decimal)
        if value is not None:
            unit = clean[len(bare) :].strip().lower()
            letter = {"℃": "c", "℉": "f"}.get(unit, unit[-1:])
            return Cell(CellKind.NUMBER, value, {"c": "degC", "f": "degF", "k": "K"}[letter])
    doubt = _DOUBT.match(clean)
    if doubt:
        value = _number(doubt.group(1), style.decimal)
        if value is not None:
            return Cell(CellKind.DOUBTFUL, value)
    return Cell(CellKind.UNKNOWN)


def _number(text: str, decimal: str) -> float | None:
    if _PLAIN_RE[decimal].match(text):
        return float(text.replace(",", ".")) if decimal == "," else float(text)
    group = r"[ ',]" if decimal == "." else r"[ '.]"
    whole = r"\." if decimal == "." else ","
    grouped = re.fullmatch(
        rf"([-+]?\d{{1,3}})(?:({group})\d{{3}}(?:\2\d{{3}})*)({whole}\d*)?", text
    )
    if not grouped:
        spaced = re.fullmatch(r"([-+])\s+(\d.*)", text)
        return _number(spaced.group(1) + spaced.group(2), decimal) if spaced else None
    kept = text.replace(grouped.group(2), "")
    return float(kept.replace(",", "."))


def read_numbers(
    cells: pa.Array[Any] | pa.ChunkedArray[Any],
    style: NumberStyle,
    tally: Tally,
    first_row: int = 0,
) -> tuple[FloatArray, QualityArray]:
    """Read a stretch of one column.

    Parameters
    ----------
    cells : (n,) strings or numbers, null for an empty cell
    style : how numbers are written
    tally : told what was met besides plain numbers
    first_row : row of ``cells[0]`` in the file's table, for the tally

    Returns
    -------
    (n,) values, NaN where there is none, and (n,) quality bits
    """
    n = len(cells)
    quality = np.zeros(n, np.uint8)
    if not pa.types.is_string(cells.type) and not pa.types.is_large_string(cells.type):
        return _finish(doubles(cells), quality, tally)
    if style.decimal == "." and not style.missing:
        try:
            values = doubles(cells)
        except pa.ArrowInvalid:
            pass  # some cell is no plain number: the careful way below reads it
        else:
            return _finish(values, quality, tally)
    trimmed = kernels.utf8_trim_whitespace(cells)
    plain = kernels.fill_null(kernels.match_substring_regex(trimmed, _PLAIN[style.decimal]), False)
    if style.missing:
        named = kernels.is_in(trimmed, pa.array(sorted(style.missing)))
        plain = kernels.and_(plain, kernels.invert(named))
    dotted = kernels.replace_substring(trimmed, ",", ".") if style.decimal == "," else trimmed
    # Arrow reads every plain form but a leading plus, in some versions
    dotted = kernels.utf8_ltrim(dotted, "+")
    values = doubles(kernels.if_else(plain, dotted, None))
    rows = np.flatnonzero(~bools(plain) & valid(cells))
    if rows.size:
        taken = kernels.take(cells, pa.array(rows))
        if isinstance(taken, pa.ChunkedArray):
            taken = taken.combine_chunks()
        coded = taken.dictionary_encode()
        texts = [str(t) for t in coded.dictionary.to_pylist()]
        read = [read_cell(t, style) for t in texts]
        codes = ints(coded.indices)
        counts = np.bincount(codes, minlength=len(texts))
        firsts = np.full(len(texts), n)
        np.minimum.at(firsts, codes, rows)
        values[rows] = np.array([c.value for c in read])[codes]
        quality[rows] = np.array([c.quality for c in read], np.uint8)[codes]
        for text, cell, count, first in zip(texts, read, counts, firsts, strict=True):
            _count(tally, text.strip(), cell, int(count), first_row + int(first))
    return _finish(values, quality, tally)


def _count(tally: Tally, text: str, cell: Cell, count: int, row: int) -> None:
    if cell.kind in (CellKind.NUMBER, CellKind.DOUBTFUL):
        if cell.unit:
            tally.units[cell.unit] += count
        if cell.kind is CellKind.DOUBTFUL:
            tally.doubtful += count
        return
    if not text:
        return
    (tally.unknown if cell.kind is CellKind.UNKNOWN else tally.marks)[text] += count
    tally.first_row[text] = min(row, tally.first_row.get(text, row))


def _finish(
    values: FloatArray, quality: QualityArray, tally: Tally
) -> tuple[FloatArray, QualityArray]:
    """Turn infinities and nothing-at-all into missing readings with their mark."""
    infinite = np.isinf(values)
    if infinite.any():
        quality[infinite] = int(Quality.MISSING | Quality.OVERFLOW)
        values[infinite] = np.nan
        tally.marks["inf"] += int(infinite.sum())
    nan = np.isnan(values)
    bare = nan & (quality == 0)
    quality[bare] = int(Quality.MISSING)
    tally.empty += int(bare.sum())
    tally.numbers += int(values.size - nan.sum())
    return values, quality


@dataclass(frozen=True, slots=True)
class DecimalFound:
    """Which sign parts whole from fraction: "." or ",", "" where the cells leave it open."""

    mark: str
    why: str
    example: str = ""


_COMMA_SURE = re.compile(
    r"^[-+]?(\d{1,3}([. ']\d{3})+,\d*|\d*,(\d{1,2}|\d{4,})|0\d*,\d+|\d{4,},\d+)$"
)
_DOT_SURE = re.compile(
    r"^[-+]?(\d{1,3}([, ']\d{3})+\.\d*|\d*\.(\d{1,2}|\d{4,})|0\d*\.\d+|\d{4,}\.\d+)$"
)
_COMMA_OPEN = re.compile(r"^[-+]?\d{1,3},\d{3}$")
_DOT_OPEN = re.compile(r"^[-+]?\d{1,3}\.\d{3}$")


def conclude_decimal(cells: Iterable[str]) -> DecimalFound:
    """Conclude the decimal mark from cells of the value columns.

    ``21,5`` can only have a decimal comma and ``21.5`` only a decimal point; ``1,234`` alone may be
    either. Where nothing else is there, the reading that keeps temperatures possible is taken.
    """
    comma = dot = ""
    comma_open: list[str] = []
    dot_open: list[str] = []
    for raw in cells:
        text = _DEGREES.sub("", raw.translate(_SIGN).strip().strip("'\""))
        if _COMMA_SURE.match(text):
            comma = comma or text
        elif _DOT_SURE.match(text):
            dot = dot or text
        elif _COMMA_OPEN.match(text):
            comma_open.append(text)
        elif _DOT_OPEN.match(text):
            dot_open.append(text)
    if comma and dot:
        return DecimalFound("", "both marks stand before a fraction", f"{comma} and {dot}")
    if comma:
        return DecimalFound(",", f"cells such as {comma} leave no other reading", comma)
    if dot or dot_open:
        # a point before three digits is a thousands mark only beside a decimal comma
        return DecimalFound(".", f"cells such as {dot or dot_open[0]} are written so", dot)
    if comma_open:
        thousands = [abs(float(t.replace(",", ""))) for t in comma_open]
        beyond = sum(v > 3000 for v in thousands)
        if beyond * 2 > len(thousands):
            return DecimalFound(
                ",",
                f"{comma_open[0]} read with a thousands mark is hotter than any oven",
                comma_open[0],
            )
        return DecimalFound("", "only cells that can be read both ways", comma_open[0])
    return DecimalFound(".", "the cells are whole numbers")


def as_marks(words: Sequence[str]) -> frozenset[str]:
    """Return marks given by a person in the form cells are compared in."""
    return frozenset(w.translate(_SIGN).strip().casefold() for w in words)
