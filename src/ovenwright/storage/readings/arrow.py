"""Arrow's compute functions and the way from Arrow columns to numpy arrays, in one typed place."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow.compute as _compute

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray

# the published type stubs of pyarrow refuse plain scalars as arguments, which pyarrow takes
kernels: Any = _compute


def _numpy(column: Any) -> Any:
    # a chunked column has no zero-copy choice, an array needs it said
    if hasattr(column, "combine_chunks") and hasattr(column, "num_chunks"):
        return column.to_numpy()
    return column.to_numpy(zero_copy_only=False)


def bools(column: Any) -> BoolArray:
    """Return a boolean column as (n,) bool, null as False."""
    return np.asarray(_numpy(kernels.fill_null(column, False)), np.bool_)


def ints(column: Any) -> IntArray:
    """Return an integer column as (n,) int64, null as 0."""
    return np.array(_numpy(kernels.fill_null(column.cast("int64"), 0)), np.int64)


def doubles(column: Any) -> FloatArray:
    """Return a number or number-as-text column as a new (n,) float64, null as NaN."""
    return np.array(_numpy(column.cast("float64", safe=False)), np.float64, copy=True)


def valid(column: Any) -> BoolArray:
    """Say where a column is not null."""
    return bools(kernels.is_valid(column))
