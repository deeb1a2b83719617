"""Array types the nouns and the physics agree on by name only."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
FlagArray: TypeAlias = NDArray[np.uint32]
QualityArray: TypeAlias = NDArray[np.uint8]
AnyArray: TypeAlias = NDArray[Any]
