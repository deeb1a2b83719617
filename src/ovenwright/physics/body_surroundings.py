"""Air and walls around a body, as they change in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_curve import COLDEST_C, HOTTEST_C

_LINES = ("air_c", "wall_c", "under_air_c", "under_wall_c", "vapour_pressure_pa")


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Temperatures on a time grid, joined by straight lines; before and after, the end values.

    Parameters
    ----------
    time_s : (t,) rising
    air_c, wall_c : (t,) or (t, members), °C; walls as warm as the air where not given
    under_air_c, under_wall_c : below a slab; as above where not given
    vapour_pressure_pa : of the air; needed only where the body dries below boiling

    Raises
    ------
    OutOfRange : if times don't rise, lengths differ or a temperature is not physical
    """

    time_s: FloatArray
    air_c: FloatArray
    wall_c: FloatArray | None = None
    under_air_c: FloatArray | None = None
    under_wall_c: FloatArray | None = None
    vapour_pressure_pa: FloatArray | None = None

    def __post_init__(self) -> None:
        time_s = np.atleast_1d(np.asarray(self.time_s, dtype=np.float64))
        if time_s.ndim != 1 or not bool(np.all(np.diff(time_s) > 0)):
            raise OutOfRange(
                "time_s of the surroundings",
                got="times that stand still or go back",
                expected="rising",
                remedy="sort the readings and keep one for each moment",
            )
        object.__setattr__(self, "time_s", time_s)
        for name in _LINES:
            given = getattr(self, name)
            if given is None:
                continue
            line = np.asarray(given, dtype=np.float64)
            if line.ndim == 0:
                line = np.full(len(time_s), float(line))
            if line.ndim > 2 or line.shape[0] != len(time_s):
                raise OutOfRange(
                    name,
                    got=f"shape {line.shape}",
                    expected=f"({len(time_s)},) or ({len(time_s)}, members)",
                )
            low, high = (0.0, 1e6) if name.endswith("_pa") else (COLDEST_C, HOTTEST_C)
            if not bool(np.all((line >= low) & (line <= high))):
                raise OutOfRange(
                    name,
                    got=float(line[~((line >= low) & (line <= high))].ravel()[0]),
                    expected=f"{low:g} to {high:g}",
                    remedy="bridge or leave out missing readings before asking the model",
                )
            object.__setattr__(self, name, line)

    @property
    def members(self) -> int:
        """How many members the lines speak of; 1 where all are common."""
        counts = [1]
        for name in _LINES:
            line = getattr(self, name)
            if line is not None and line.ndim == 2:
                counts.append(line.shape[1])
        return max(counts)

    @property
    def last_s(self) -> float:
        """Time of the last reading, s; after it the last values are held."""
        return float(self.time_s[-1])


class Sampler:
    """Means of the surroundings over short windows, so that steps longer than a reading miss none."""

    def __init__(self, around: Surroundings) -> None:
        self._time_s = around.time_s
        air = around.air_c
        wall = around.wall_c if around.wall_c is not None else air
        under_air = around.under_air_c if around.under_air_c is not None else air
        under_wall = (
            around.under_wall_c
            if around.under_wall_c is not None
            else (around.under_air_c if around.under_air_c is not None else wall)
        )
        self._lines: dict[str, FloatArray] = {
            "air": air,
            "wall": wall,
            "under_air": under_air,
            "under_wall": under_wall,
        }
        if around.vapour_pressure_pa is not None:
            self._lines["vapour"] = around.vapour_pressure_pa
        width = np.diff(self._time_s)
        self.names = tuple(self._lines)
        self._sums: dict[str, FloatArray] = {}
        for name, line in self._lines.items():
            steps = width if line.ndim == 1 else width[:, None]
            areas = 0.5 * (line[1:] + line[:-1]) * steps
            self._sums[name] = np.concatenate((np.zeros_like(line[:1]), np.cumsum(areas, axis=0)))

    def _sum_to(self, name: str, time_s: float) -> FloatArray:
        """Integral from the first time on, with the ends held."""
        times, line, total = self._time_s, self._lines[name], self._sums[name]
        if time_s <= times[0]:
            return np.asarray(line[0] * (time_s - times[0]))
        if time_s >= times[-1]:
            return np.asarray(total[-1] + line[-1] * (time_s - times[-1]))
        i = int(np.searchsorted(times, time_s, side="right")) - 1
        ahead = time_s - times[i]
        slope = (line[i + 1] - line[i]) / (times[i + 1] - times[i])
        return np.asarray(total[i] + ahead * (line[i] + 0.5 * ahead * slope))

    def mean(self, name: str, from_s: float, to_s: float) -> FloatArray:
        """Mean over a window, one number or (members,)."""
        return np.asarray((self._sum_to(name, to_s) - self._sum_to(name, from_s)) / (to_s - from_s))
