"""A million readings to a spreadsheet, beside the plain library writing the same cells.

Target: at most 1.3 times the plain library. Run: python benchmarks/xlsx_million.py
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import xlsxwriter

from ovenwright.reporting.xlsx_readings import ReadingPens, Readings, write_readings

ROWS, COLUMNS = 32_000, 32


def plain(time_s: np.ndarray, values: np.ndarray, names: list[str]) -> int:
    """Write the same cells with the library alone, in its fastest mode."""
    buffer = io.BytesIO()
    book: Any = xlsxwriter.Workbook(buffer, {"constant_memory": True})
    sheet = book.add_worksheet("Readings")
    number, seconds = (
        book.add_format({"num_format": "0.0"}),
        book.add_format({"num_format": "0.000"}),
    )
    for j, name in enumerate(["elapsed, s", *names]):
        sheet.write_string(1, j, name)
    for i in range(values.shape[0]):
        sheet.write_number(i + 2, 0, float(time_s[i]), seconds)
        for j in range(values.shape[1]):
            sheet.write_number(i + 2, j + 1, float(values[i, j]), number)
    book.close()
    return len(buffer.getvalue())


def ours(time_s: np.ndarray, values: np.ndarray, names: list[str]) -> int:
    """Write them as the report does."""
    buffer = io.BytesIO()
    book: Any = xlsxwriter.Workbook(buffer, {"constant_memory": True})
    formats = {d: book.add_format({"num_format": "0." + "0" * d}) for d in (1, 3)}
    pen = book.add_format({})
    readings = Readings(tuple(names), time_s, values, None, 1, "as read")
    write_readings(book, readings, ReadingPens(formats.__getitem__, pen, pen, pen, pen))
    book.close()
    return len(buffer.getvalue())


def main() -> int:
    rng = np.random.default_rng(1)
    time_s = np.arange(ROWS) * 0.25
    values = np.round(25 + 200 * rng.random((ROWS, COLUMNS)), 1)
    names = [f"channel {j + 1}" for j in range(COLUMNS)]
    best: dict[str, float] = {}
    writers: dict[str, Callable[[np.ndarray, np.ndarray, list[str]], int]] = {
        "plain library": plain,
        "ovenwright": ours,
    }
    for _ in range(2):
        for label, write in writers.items():
            start = time.perf_counter()
            size = write(time_s, values, names)
            took = time.perf_counter() - start
            best[label] = min(best.get(label, np.inf), took)
            print(f"{label}: {took:.2f} s, {size / 1e6:.1f} MB")
    ratio = best["ovenwright"] / best["plain library"]
    print(f"ratio {ratio:.2f} (target at most 1.3): {'met' if ratio <= 1.3 else 'MISSED'}")
    return 0 if ratio <= 1.3 else 1


if __name__ == "__main__":
    sys.exit(main())
