"""The lethality sheet: live formulas that an auditor can follow from reading to total."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from xlsxwriter.worksheet import Worksheet

from ovenwright.domain.results import BuildUp, Unit
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.words import MOST_LOG, Shown

MOST_LIVE_ROWS = 25_000
FIRST_ROW = 13  # counted from 0: the first reading's row


class OwnFormulas(Worksheet):  # type: ignore[misc]  # the library has no types
    """A worksheet for formulas written here, which name no function newer than the format.

    The library searches every formula for newer functions, 29 searches each: two thirds of the
    time that the sheet takes.
    """

    def _prepare_formula(self, formula: str, expand_future_functions: bool = False) -> str:  # noqa: ARG002
        return formula.removeprefix("=")


@dataclass(frozen=True, slots=True)
class Pens:
    """The cell formats the sheet is written with."""

    number: Callable[[int], Any]
    head: Any
    part: Any
    title: Any
    note: Any


class _Grid:
    """Cells gathered in any order, because the sheet must be written row by row."""

    def __init__(self) -> None:
        self._rows: dict[int, list[tuple[int, str | float, Any, float | None]]] = {}

    def put(
        self, row: int, column: int, what: str | float, pen: Any, *, cached: float | None = None
    ) -> None:
        """Keep one cell; a text that starts with ``=`` is a formula with a cached value."""
        self._rows.setdefault(row, []).append((column, what, pen, cached))

    def write(self, sheet: Any) -> None:
        """Write all cells in row order."""
        for row in sorted(self._rows):
            for column, what, pen, cached in sorted(self._rows[row], key=lambda c: c[0]):
                if isinstance(what, str) and what.startswith("="):
                    sheet.write_formula(row, column, what, pen, cached)
                elif isinstance(what, str):
                    sheet.write_string(row, column, what, pen)
                elif math.isfinite(what):
                    sheet.write_number(row, column, what, pen)


def write_lethality(sheet: Any, verdict: Verdict, shown: Shown, pens: Pens) -> None:
    """Write one block of columns a build-up: time, temperature, rate, step.

    Each step is the exact integral of the lethal rate for a temperature that runs straight from one
    reading to the next: (L2 − L1)·Δt·z / (ln 10·(T2 − T1)), or L·Δt where the two are equal.
    """
    curves = [c for c in verdict.results.build_up if _live(c)]
    rest = [c for c in verdict.results.build_up if not _live(c)]
    sheet.set_column(0, 5 * max(len(curves) + len(rest), 1), 15)
    sheet.set_paper(9)  # A4
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(FIRST_ROW - 1)
    sheet.freeze_panes(FIRST_ROW, 0)
    grid = _Grid()
    grid.put(0, 0, "Lethality, recomputed live", pens.title)
    grid.put(
        1,
        0,
        "Change a reference temperature, z or D and the totals follow. The tool's own number stands "
        "below each total.",
        pens.note,
    )
    for k, curve in enumerate(curves):
        _block(grid, 5 * k, curve, shown, pens)
    for k, curve in enumerate(rest):
        _listed(grid, 5 * (len(curves) + k), curve, shown, pens)
    grid.write(sheet)


def _live(curve: BuildUp) -> bool:
    return math.isfinite(curve.z_k) and math.isfinite(curve.reference_c)


def _letter(column: int) -> str:
    text = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


def _window(curve: BuildUp, shown: Shown) -> tuple[list[float], list[float], int]:
    """Return minutes and temperatures of the readings that matter, and how many were skipped.

    Readings so cold that they add nothing to the digits shown are left out at the start and end.
    """
    temp = np.asarray(curve.temp_c)
    matter = np.flatnonzero(np.nan_to_num(temp, nan=-1e9) > curve.reference_c - 9.0 * curve.z_k)
    if matter.size == 0:
        return [], [], 0
    lo, hi = max(int(matter[0]) - 1, 0), min(int(matter[-1]) + 2, temp.size)
    stride = max(1, math.ceil((hi - lo) / MOST_LIVE_ROWS))
    pick = np.unique(np.append(np.arange(lo, hi, stride), hi - 1))
    minutes = np.asarray(curve.time_s)[pick] / 60.0
    seen = temp[pick] * 1.8 + 32.0 if shown.fahrenheit else temp[pick]
    return minutes.tolist(), seen.tolist(), stride - 1


def _block(grid: _Grid, c0: int, curve: BuildUp, shown: Shown, pens: Pens) -> None:
    number, head, note = pens.number, pens.head, pens.note
    temp, step = _letter(c0 + 1), _letter(c0 + 3)
    minutes, temps, skipped = _window(curve, shown)
    last = FIRST_ROW + max(len(minutes), 1)
    equivalent = _steps(grid, c0, curve, shown, pens, readings=(minutes, temps))
    grid.put(2, c0, f"{curve.channel}: {curve.measure.replace('_', ' ')}", pens.part)
    grid.put(3, c0, "reference", head)
    grid.put(3, c0 + 1, shown.temperature(curve.reference_c), number(3))
    grid.put(3, c0 + 2, shown.temperature_unit, note)
    grid.put(4, c0, "z", head)
    grid.put(4, c0 + 1, shown.difference(curve.z_k), number(3))
    grid.put(4, c0 + 2, shown.degree, note)
    formula, value = f"SUM({step}{FIRST_ROW + 1}:{step}{last})", equivalent
    for name, key in (("D", "d_s"), ("δ", "delta_s")):
        if key in curve.parameters:
            divisor = float(curve.parameters[key]) / 60.0
            grid.put(5, c0, name, head)
            grid.put(5, c0 + 1, divisor, number(6))
            grid.put(5, c0 + 2, "min at the reference", note)
            formula, value = f"{formula}/${temp}$6", value / divisor
    if "p" in curve.parameters:
        power = float(curve.parameters["p"])
        grid.put(6, c0, "p", head)
        grid.put(6, c0 + 1, power, number(4))
        formula, value = f"({formula})^${temp}$7", value**power
    own = float(curve.total[-1]) if curve.total.size else math.nan
    own = own / 60.0 if curve.unit is Unit.SECOND else own
    words = "equivalent minutes" if curve.unit is Unit.SECOND else curve.unit.value
    grid.put(7, c0, "total", head)
    grid.put(7, c0 + 1, f"={formula}", number(6), cached=value)
    grid.put(7, c0 + 2, words, note)
    grid.put(8, c0, "the tool's", head)
    grid.put(8, c0 + 1, own, number(6))
    if curve.unit is Unit.LOG10 and own > MOST_LOG:
        grid.put(8, c0 + 2, f"told as > {MOST_LOG}: past counting", note)
    grid.put(9, c0, "difference", head)
    grid.put(9, c0 + 1, f"={temp}8-{temp}9", number(9), cached=value - own)
    if skipped:
        grid.put(10, c0, f"every {skipped + 1}th reading only: the total differs by that", note)


def _steps(
    grid: _Grid,
    c0: int,
    curve: BuildUp,
    shown: Shown,
    pens: Pens,
    *,
    readings: tuple[list[float], list[float]],
) -> float:
    """Write the readings with their live formulas; return the total they must give."""
    t, temp, rate = (_letter(c0 + i) for i in range(3))
    names = ("min", shown.temperature_unit, "lethal rate", "step, min")
    for i, name in enumerate(names):
        grid.put(FIRST_ROW - 1, c0 + i, name, pens.head)
    running = 0.0
    before: tuple[float, float] | None = None
    for i, (minute, value) in enumerate(zip(*readings, strict=True)):
        r = FIRST_ROW + i
        now, ago = r + 1, r  # row numbers as the spreadsheet counts them
        grid.put(r, c0, minute, pens.number(4))
        if not math.isfinite(value):
            before = None
            continue
        celsius = (value - 32.0) / 1.8 if shown.fahrenheit else value
        lethal = _rate(celsius, curve)
        grid.put(r, c0 + 1, value, pens.number(4))
        formula = f"=10^(({temp}{now}-${temp}$4)/${temp}$5)"
        grid.put(r, c0 + 2, formula, pens.number(8), cached=lethal)
        if before is not None:
            gain = _gain(before, (minute, celsius), curve)
            running += gain
            rise, lasts = f"({temp}{now}-{temp}{ago})", f"({t}{now}-{t}{ago})"
            formula = (
                f"=IF(ABS{rise}<0.0000001,{rate}{ago}*{lasts},"
                f"({rate}{now}-{rate}{ago})*{lasts}*${temp}$5/(LN(10)*{rise}))"
            )
            grid.put(r, c0 + 3, formula, pens.number(8), cached=gain)
        before = (minute, celsius)
    return running


def _rate(temp_c: float, curve: BuildUp) -> float:
    return math.pow(10.0, (temp_c - curve.reference_c) / curve.z_k)


def _gain(a: tuple[float, float], b: tuple[float, float], curve: BuildUp) -> float:
    (t1, c1), (t2, c2) = a, b
    if abs(c2 - c1) < 1e-7:
        return _rate(c1, curve) * (t2 - t1)
    climbed = _rate(c2, curve) - _rate(c1, curve)
    return climbed * (t2 - t1) * curve.z_k / (math.log(10.0) * (c2 - c1))


def _listed(grid: _Grid, c0: int, curve: BuildUp, shown: Shown, pens: Pens) -> None:
    """List a build-up whose rate has no closed form between readings: values only, said so."""
    number = pens.number
    grid.put(2, c0, f"{curve.channel}: {curve.measure.replace('_', ' ')}", pens.part)
    grid.put(3, c0, "values only: this rate has no closed form between readings", pens.note)
    stride = max(1, curve.time_s.size // 500)
    for i, name in enumerate(("min", shown.temperature_unit, curve.unit.value)):
        grid.put(FIRST_ROW - 1, c0 + i, name, pens.head)
    for i, j in enumerate(range(0, curve.time_s.size, stride)):
        grid.put(FIRST_ROW + i, c0, float(curve.time_s[j]) / 60.0, number(4))
        grid.put(FIRST_ROW + i, c0 + 1, shown.temperature(float(curve.temp_c[j])), number(4))
        grid.put(FIRST_ROW + i, c0 + 2, float(curve.total[j]), number(6))
