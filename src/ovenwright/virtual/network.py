"""A network of thermal masses: what warms what, stepped implicitly."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange

Float = NDArray[np.float64]


class Network:
    """Thermal masses joined by conductances and to the room.

    The step is backward Euler, so any step is stable; its matrix is inverted once per step size.
    """

    def __init__(
        self,
        capacity_j_k: Float,
        links: Iterable[tuple[int, int, float]],
        to_room_w_k: Float,
    ) -> None:
        if bool(np.any(capacity_j_k <= 0)):
            raise OutOfRange("capacity_j_k", got=float(capacity_j_k.min()), expected="above 0")
        n = capacity_j_k.size
        matrix = np.zeros((n, n))
        for i, j, g in links:
            if g < 0:
                raise OutOfRange("conductance", got=g, expected="0 or above")
            matrix[i, i] += g
            matrix[j, j] += g
            matrix[i, j] -= g
            matrix[j, i] -= g
        self._matrix = matrix + np.diag(to_room_w_k)
        self._capacity = capacity_j_k
        self._to_room = to_room_w_k
        self._inverse: dict[float, Float] = {}

    def step(self, temp_c: Float, heat_w: Float, room_c: float, dt_s: float) -> Float:
        """Return temperatures one step later, with ``heat_w`` put into each mass."""
        if dt_s not in self._inverse:
            full = np.diag(self._capacity / dt_s) + self._matrix
            self._inverse[dt_s] = np.asarray(np.linalg.inv(full), dtype=np.float64)
        inverse = self._inverse[dt_s]
        right = self._capacity / dt_s * temp_c + self._to_room * room_c + heat_w
        return np.asarray(inverse @ right)


class OnOff:
    """On-off control with a dead band, through slow sensors; one row a controller."""

    def __init__(self, setpoint_c: Float, dead_band_k: float, lag_s: float) -> None:
        self.setpoint_c = setpoint_c
        self._half = 0.5 * dead_band_k
        self._lag = lag_s
        self.sensed_c: Float = np.full(setpoint_c.shape, np.nan)
        self.on: NDArray[np.bool_] = np.ones(setpoint_c.shape, dtype=bool)

    def step(self, at_c: Float, dt_s: float) -> NDArray[np.bool_]:
        """Feel the temperatures, switch where the band is left, return what is on."""
        follow = float(-np.expm1(-dt_s / self._lag))
        last = np.where(np.isnan(self.sensed_c), at_c, self.sensed_c)
        self.sensed_c = np.asarray(last + follow * (at_c - last))
        off = self.sensed_c - self.setpoint_c
        self.on = np.where(off > self._half, False, np.where(off < -self._half, True, self.on))
        return self.on
