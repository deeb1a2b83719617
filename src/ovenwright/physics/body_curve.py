"""A property of a body that changes with temperature."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray

COLDEST_C, HOTTEST_C = -273.15, 3000.0


@dataclass(frozen=True, slots=True)
class PropertyCurve:
    """A property joined by straight lines between evenly spaced temperatures.

    Outside the temperatures given it keeps the end value.

    Parameters
    ----------
    low_c, step_k : first temperature, °C, and the spacing, K
    value : (knots,) at least two, finite and above 0
    scale : one number or (members,), above 0, by which the whole curve is multiplied

    Raises
    ------
    OutOfRange : if a number is not physical
    """

    low_c: float
    step_k: float
    value: FloatArray
    scale: float | FloatArray = 1.0

    def __post_init__(self) -> None:
        value = np.asarray(self.value, dtype=np.float64)
        if value.ndim != 1 or len(value) < 2:
            raise OutOfRange("knots of a curve", got=value.shape, expected="one row of 2 or more")
        if not (np.isfinite(self.low_c) and self.low_c >= COLDEST_C):
            raise OutOfRange("low_c", got=self.low_c, expected=f"{COLDEST_C} °C or above")
        if not (self.step_k > 0 and np.isfinite(self.step_k)):
            raise OutOfRange("step_k", got=self.step_k, expected="above 0 K")
        for name, numbers in (("value", value), ("scale", np.asarray(self.scale, np.float64))):
            if not bool(np.all((numbers > 0) & np.isfinite(numbers))):
                raise OutOfRange(
                    f"{name} of a curve", got=float(np.min(numbers)), expected="finite, above 0"
                )
        object.__setattr__(self, "value", value)

    @classmethod
    def of(
        cls,
        function: Callable[[FloatArray], FloatArray],
        *,
        low_c: float,
        high_c: float,
        step_k: float = 1.0,
    ) -> PropertyCurve:
        """Tabulate a function of °C from `low_c` to `high_c`.

        Raises
        ------
        OutOfRange : if `high_c` is not above `low_c`, or the function not above 0
        """
        if not high_c > low_c:
            raise OutOfRange("high_c", got=high_c, expected=f"above {low_c} °C")
        knots = max(2, round((high_c - low_c) / step_k) + 1)
        temp_c = np.linspace(low_c, high_c, knots)
        return cls(low_c, float(temp_c[1] - temp_c[0]), np.asarray(function(temp_c)))

    @property
    def high_c(self) -> float:
        """Last temperature, °C."""
        return self.low_c + self.step_k * (len(self.value) - 1)

    def at(self, temp_c: FloatArray) -> FloatArray:
        """Return the property, without the scale."""
        knots = self.low_c + self.step_k * np.arange(len(self.value))
        return np.interp(temp_c, knots, self.value)

    def scaled(self, factor: float | FloatArray) -> PropertyCurve:
        """Return the curve multiplied by `factor`, one number or (members,)."""
        return replace(self, scale=np.asarray(self.scale) * np.asarray(factor))


Property: TypeAlias = float | FloatArray | PropertyCurve


def members_of(given: Property) -> int:
    """Return how many members a property speaks of; 1 where it is common to all."""
    numbers = np.asarray(given.scale if isinstance(given, PropertyCurve) else given)
    return int(numbers.size)
