"""A run laid out for the checks: its traces, the evidence, and all channels on one coarse axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.junction import Evidence
from ovenwright.conditioning.traces import Bench
from ovenwright.domain.arrays import FloatArray, IntArray

COARSE = 2048


@dataclass(frozen=True, slots=True)
class Case:
    """What every check is given.

    ``grid_s`` (m,) and ``grid_c`` (m, c) hold the channels side by side on a coarse common axis,
    NaN where a channel is silent or where an earlier check took its readings out.
    """

    bench: Bench
    evidence: tuple[Evidence, ...]
    grid_s: FloatArray
    grid_c: FloatArray

    @property
    def step_s(self) -> float:
        """Distance of the coarse axis."""
        return float(self.grid_s[1] - self.grid_s[0]) if self.grid_s.size > 1 else 0.0

    def without(self, i: int) -> FloatArray:
        """Median of the other channels on the coarse axis (m,), NaN where there is none."""
        return row_median(np.delete(self.grid_c, i, axis=1))


def row_median(values: FloatArray) -> FloatArray:
    """Median over axis 1, leaving NaN out; NaN for a row that has nothing else."""
    if values.shape[1] == 0:
        return np.full(values.shape[0], np.nan)
    ordered = np.sort(values, axis=1)  # NaN goes last
    count = np.count_nonzero(np.isfinite(values), axis=1)
    rows = np.arange(values.shape[0])
    low = ordered[rows, np.maximum(count - 1, 0) // 2]
    high = ordered[rows, np.minimum(count // 2, values.shape[1] - 1)]
    middle: FloatArray = np.where(count > 0, (low + high) / 2.0, np.nan)
    return middle


def lay_out(
    bench: Bench, evidence: tuple[Evidence, ...], taken_out: Sequence[Sequence[tuple[float, float]]]
) -> Case:
    """Put all channels on one coarse axis, without the stretches that earlier checks took out."""
    size = int(min(COARSE, max((t.time_s.size for t in bench.traces), default=0)))
    grid_s = np.linspace(0.0, bench.end_s, size) if size > 1 else np.zeros(size)
    grid_c = np.full((size, len(bench.traces)), np.nan)
    for i, trace in enumerate(bench.traces):
        if trace.time_s.size < 2 or size < 2:
            continue
        right: IntArray = np.clip(np.searchsorted(trace.time_s, grid_s), 1, trace.time_s.size - 1)
        left = right - 1
        span = trace.time_s[right] - trace.time_s[left]
        share = (grid_s - trace.time_s[left]) / span
        column = trace.value_c[left] * (1.0 - share) + trace.value_c[right] * share
        column[(span > trace.gap_s) | (share < -0.5) | (share > 1.5)] = np.nan
        for begin, stop in taken_out[i]:
            column[(grid_s >= begin - trace.interval_s) & (grid_s <= stop + trace.interval_s)] = (
                np.nan
            )
        grid_c[:, i] = column
    return Case(bench, evidence, grid_s, grid_c)
