"""One thing a health check found, before it becomes a flag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import BoolArray, IntArray
from ovenwright.domain.profile import Severity


@dataclass(frozen=True, slots=True)
class Finding:
    """A stretch of one channel, with the reason.

    ``trace`` is the channel's place on the bench. ``readings`` are the indices, in the channel's
    own series, of the readings meant; None means all in the stretch. ``severity`` is None where
    the check's own severity holds.
    """

    trace: int
    from_s: float
    to_s: float
    reason: str
    severity: Severity | None = None
    remedy: str = ""
    readings: IntArray | None = None


def groups(sorted_indices: IntArray, apart: int) -> list[tuple[int, int]]:
    """Join indices that lie at most ``apart`` from each other into (first, last) pairs."""
    if sorted_indices.size == 0:
        return []
    cuts = np.flatnonzero(np.diff(sorted_indices) > apart)
    first = np.concatenate(([0], cuts + 1))
    last = np.concatenate((cuts, [sorted_indices.size - 1]))
    return [
        (int(sorted_indices[a]), int(sorted_indices[b])) for a, b in zip(first, last, strict=True)
    ]


def dense(sorted_indices: IntArray, *, count: int, within: int) -> BoolArray:
    """Tell which indices have at least ``count`` of their like within a window of ``within``."""
    marked = np.zeros(sorted_indices.shape, dtype=np.bool_)
    if sorted_indices.size < count:
        return marked
    starts = np.flatnonzero(sorted_indices[count - 1 :] - sorted_indices[: 1 - count] <= within)
    for k in range(count):
        marked[starts + k] = True
    return marked


def seconds(value_s: float) -> str:
    """Word a time for a reason: 12 s, 4 min, 1.5 h."""
    if value_s < 120.0:
        return f"{value_s:.0f} s"
    return f"{value_s / 60.0:.0f} min" if value_s < 7200.0 else f"{value_s / 3600.0:.1f} h"
