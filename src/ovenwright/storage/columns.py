"""Numpy arrays as Arrow columns and back, from buffers.

``pyarrow.array`` and ``to_numpy`` import pandas, where it is installed, to look for its types: that
costs most of a second in a process that never touches pandas.
"""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import pyarrow as pa

from ovenwright.domain.arrays import AnyArray, FloatArray

# the stubs of pyarrow know arrays by their element types only, columns of a file have any
Column: TypeAlias = Any


def _buffer(array: AnyArray) -> pa.Buffer:
    return pa.py_buffer(array.data)


def plain_column(values: AnyArray, kind: pa.DataType) -> Column:
    """Return an array without missing values as a column of that Arrow type."""
    return pa.Array.from_buffers(kind, values.size, [None, _buffer(values)])


def text_column(texts: list[str]) -> Column:
    """Return texts as a column."""
    encoded = [t.encode("utf-8") for t in texts]
    offsets = np.cumsum([0, *(len(e) for e in encoded)], dtype=np.int32)
    return pa.StringArray.from_buffers(
        len(texts), _buffer(offsets), pa.py_buffer(b"".join(encoded))
    )


def double_column(values: FloatArray) -> Column:
    """Return doubles as a column in which NaN is null."""
    plain = np.ascontiguousarray(values, dtype=np.float64)
    there = ~np.isnan(plain)
    bits = None if there.all() else _buffer(np.packbits(there, bitorder="little"))
    return pa.Array.from_buffers(pa.float64(), plain.size, [bits, _buffer(plain)])


def piece_numbers(chunk: Column, dtype: type[np.generic]) -> AnyArray:
    """Return one piece of a column as numpy, without a copy where nothing is null."""
    bits, data = chunk.buffers()[:2]
    begin, n = chunk.offset, len(chunk)
    values = np.frombuffer(data, dtype=dtype, count=begin + n)[begin:]
    if bits is None or chunk.null_count == 0:
        return values
    there = np.unpackbits(np.frombuffer(bits, np.uint8), count=begin + n, bitorder="little")[
        begin:
    ].astype(bool)
    return np.where(there, values, np.nan)


def numbers_of(column: Column, dtype: type[np.generic]) -> AnyArray:
    """Return one column as numpy; a null becomes NaN."""
    parts = [piece_numbers(c, dtype) for c in column.chunks if len(c)]
    if not parts:
        return np.empty(0, dtype)
    return parts[0] if len(parts) == 1 else np.concatenate(parts)
