"""Bring in a clean file of 32 channels × 100,000 rows beside polars.read_csv on the same file.

Run: python benchmarks/csv_import.py [rows]
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

from ovenwright.storage.readings import Choices, read_file

CHANNELS = 32
ROWS = 100_000
ASKED_RATIO, ASKED_EXTRA_S = 2.0, 0.5


def write(path: Path, rows: int) -> None:
    rng = np.random.default_rng(20_260_101)
    seconds = np.arange(rows) * 0.25
    rise = 75.0 * (1.0 - np.exp(-seconds / 6000.0))
    values = np.round(
        22.0 + rise[:, None] + np.cumsum(rng.normal(0.0, 0.01, (rows, CHANNELS)), axis=0), 2
    )
    with path.open("w", encoding="utf-8") as file:
        file.write("Time (s)," + ",".join(f"T{i + 1} (°C)" for i in range(CHANNELS)) + "\n")
        for second, row in zip(seconds.tolist(), values.tolist(), strict=True):
            file.write(f"{second}," + ",".join(map(str, row)) + "\n")


def best_of(run: Callable[[], object], times: int) -> float:
    run()
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        spent.append(time.perf_counter() - start)
    return min(spent)


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clean.csv"
        write(path, rows)
        theirs = best_of(lambda: pl.read_csv(path), 5)
        ours = best_of(lambda: read_file(path, Choices()), 5)
        found = read_file(path, Choices())
        frame = pl.read_csv(path)
        same = all(np.array_equal(c.value, frame[c.heading].to_numpy()) for c in found.channels)
        size = path.stat().st_size / 1e6
    print(f"{CHANNELS} channels × {rows:,} rows, {size:.1f} MB")
    print(f"    ours              {ours:.3f} s, times placed, columns understood")
    print(f"    polars.read_csv   {theirs:.3f} s   ratio {ours / theirs:.2f}")
    print(f"    the same doubles: {same}")
    met = same and ours <= ASKED_RATIO * theirs + ASKED_EXTRA_S
    print(
        f"    asked for: {ASKED_RATIO:g} x polars + {ASKED_EXTRA_S:g} s = "
        f"{ASKED_RATIO * theirs + ASKED_EXTRA_S:.3f} s: {'met' if met else 'MISSED'}"
    )


if __name__ == "__main__":
    main()
