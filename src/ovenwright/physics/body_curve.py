"""A property of a body that changes with temperature, for many bodies at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

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

    def scaled(self, factor: float | FloatArray) -> PropertyCurve:
        """Return the curve multiplied by `factor`, one number or (members,)."""
        return replace(self, scale=np.asarray(self.scale) * np.asarray(factor))


Property: TypeAlias = float | FloatArray | PropertyCurve


def members_of(given: Property) -> int:
    """Return how many members a property speaks of; 1 where it is common to all."""
    numbers = np.asarray(given.scale if isinstance(given, PropertyCurve) else given)
    return int(numbers.size)


class Evaluated:
    """A property laid out for `members` bodies, with its integral from a temperature of each.

    `at` and `both` take (nodes, members) and answer in the same shape.
    """

    def __init__(self, given: Property, from_c: FloatArray) -> None:
        self._from_c = from_c
        self.constant = not isinstance(given, PropertyCurve)
        if not isinstance(given, PropertyCurve):
            self._scale = np.broadcast_to(np.asarray(given, np.float64), from_c.shape).copy()
            return
        self._scale = np.broadcast_to(np.asarray(given.scale, np.float64), from_c.shape).copy()
        self._low_c, self._step_k = given.low_c, given.step_k
        self._value = given.value
        self._rise = np.diff(given.value)
        means = 0.5 * (given.value[1:] + given.value[:-1])
        self._sum = np.concatenate(([0.0], np.cumsum(means[:-1]))) * given.step_k
        self._offset = np.zeros_like(from_c)
        self._offset = self.both(from_c[None, :])[1][0]

    def take(self, members: NDArray[np.intp]) -> Evaluated:
        """Return the property of some of the members."""
        out = object.__new__(Evaluated)
        out.__dict__.update(self.__dict__)
        out._scale, out._from_c = self._scale[members], self._from_c[members]
        if not self.constant:
            out._offset = self._offset[members]
        return out

    def _place(self, temp_c: FloatArray) -> tuple[FloatArray, NDArray[np.intp]]:
        place = (temp_c - self._low_c) * (1.0 / self._step_k)
        np.clip(place, 0.0, len(self._rise) * (1.0 - 1e-15), out=place)
        index = place.astype(np.intp)
        place -= index
        return place, index

    def at(self, temp_c: FloatArray) -> FloatArray:
        """Return the property."""
        if self.constant:
            return np.broadcast_to(self._scale, temp_c.shape)
        share, index = self._place(temp_c)
        share *= self._rise.take(index)
        share += self._value.take(index)
        share *= self._scale
        return share

    def both(self, temp_c: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the property and its integral from the temperature of each member."""
        if self.constant:
            return np.broadcast_to(self._scale, temp_c.shape), self._scale * (temp_c - self._from_c)
        share, index = self._place(temp_c)
        start, rise = self._value.take(index), self._rise.take(index)
        value = start + share * rise
        inside_c = self._low_c + (index + share) * self._step_k
        integral = self._sum.take(index) + 0.5 * self._step_k * share * (start + value)
        integral += (temp_c - inside_c) * value
        return value * self._scale, integral * self._scale - self._offset
