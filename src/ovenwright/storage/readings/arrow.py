"""Arrow's compute functions and the way from Arrow columns to numpy arrays, in one typed place."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as _compute

from ovenwright.domain.arrays import AnyArray, BoolArray, FloatArray, IntArray

# the published type stubs of pyarrow refuse plain scalars as arguments, which pyarrow takes
kernels: Any = _compute


def _numpy(column: Any, kind: str) -> AnyArray:
    """Return a column of fixed width without nulls as a new array.

    Read from the buffers, because ``to_numpy`` loads pandas wherever that is installed.
    """
    pieces: list[Any] = column.chunks if isinstance(column, pa.ChunkedArray) else [column]
    views = [
        np.frombuffer(p.buffers()[1], kind, count=p.offset + len(p))[p.offset :]
        for p in pieces
        if len(p)
    ]
    if not views:
        return np.empty(0, kind)
    return np.concatenate(views) if len(views) > 1 else views[0].copy()


def bools(column: Any) -> BoolArray:
    """Return a boolean column as (n,) bool, null as False."""
    return _numpy(kernels.fill_null(column, False).cast("uint8"), "u1").astype(np.bool_)


def ints(column: Any) -> IntArray:
    """Return an integer column as a new (n,) int64, null as 0."""
    return _numpy(kernels.fill_null(column.cast("int64"), 0), "i8")


def doubles(column: Any) -> FloatArray:
    """Return a number or number-as-text column as a new (n,) float64, null as NaN."""
    numbers = column.cast("float64", safe=False)
    return _numpy(kernels.fill_null(numbers, float("nan")) if numbers.null_count else numbers, "f8")


def valid(column: Any) -> BoolArray:
    """Say where a column is not null."""
    return bools(kernels.is_valid(column))
