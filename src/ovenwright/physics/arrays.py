"""What the physics takes and gives: a number for a number, an array for an array."""

from __future__ import annotations

from typing import Any, TypeAlias, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
N = TypeVar("N", float, FloatArray)


def as_given(given: N, computed: FloatArray) -> N:
    """Return `computed` as a number where `given` was one and nothing widened it."""
    whole = computed.ndim > 0 or isinstance(given, np.ndarray)
    result: Any = computed if whole else computed[()]
    return cast("N", result)
