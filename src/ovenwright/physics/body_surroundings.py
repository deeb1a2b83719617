"""Air and walls around a body, as they change in time."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

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


Lines: TypeAlias = Sequence[float] | Sequence[FloatArray]
"""One number or (members,) for each line that was asked for."""


class Sampler:
    """Means of the surroundings over short windows, so that long steps miss no reading."""

    def __init__(self, around: Surroundings, *, below: bool, vapour: bool) -> None:
        """Lay out the lines that are asked for, as (times, lines, members or 1)."""
        wall_c = around.air_c if around.wall_c is None else around.wall_c
        lines = [around.air_c, wall_c]
        if below:
            under_c = around.air_c if around.under_air_c is None else around.under_air_c
            lines.append(under_c)
            if around.under_wall_c is not None:
                lines.append(around.under_wall_c)
            else:
                lines.append(wall_c if around.under_air_c is None else under_c)
        if vapour and around.vapour_pressure_pa is not None:
            lines.append(around.vapour_pressure_pa)
        members = max(line.shape[1] if line.ndim == 2 else 1 for line in lines)
        wide = [
            np.broadcast_to(line.reshape(len(line), -1), (len(line), members)) for line in lines
        ]
        self._line = np.stack(wide, axis=1)
        self._times: list[float] = around.time_s.tolist()
        width = np.diff(around.time_s)[:, None, None]
        self._slope = np.diff(self._line, axis=0) / width
        areas = 0.5 * (self._line[1:] + self._line[:-1]) * width
        self._total = np.concatenate((np.zeros_like(self._line[:1]), np.cumsum(areas, axis=0)))
        self._common = members == 1
        self._plain: list[list[float]] = self._line[:, :, 0].T.tolist() if members == 1 else []
        self._plain_total: list[list[float]] = (
            self._total[:, :, 0].T.tolist() if members == 1 else []
        )
        self._held: Lines = (
            [line[-1] for line in self._plain] if members == 1 else list(self._line[-1])
        )

    def _sum_to(self, time_s: float) -> FloatArray:
        """Integral from the first time on, with the ends held."""
        times = self._times
        i = bisect_right(times, time_s) - 1
        if i < 0:
            return np.asarray(self._line[0] * (time_s - times[0]))
        ahead = time_s - times[i]
        if i == len(times) - 1:
            return np.asarray(self._total[i] + self._line[i] * ahead)
        return np.asarray(self._total[i] + ahead * (self._line[i] + (0.5 * ahead) * self._slope[i]))

    def about(self, time_s: float, half_width_s: float) -> Lines:
        """Mean about a moment, over a window that never reaches across the last reading."""
        half = min(half_width_s, abs(time_s - self._times[-1]))
        if half > 0.0:
            return self.mean(time_s - half, time_s + half)
        return self._held

    def mean(self, from_s: float, to_s: float) -> Lines:
        """Mean over a window: air, wall, then air and wall below, then vapour, as laid out."""
        if from_s >= self._times[-1]:
            return self._held
        width = to_s - from_s
        if self._common:
            low, high = self._numbers_to(from_s), self._numbers_to(to_s)
            return [(b - a) / width for a, b in zip(low, high, strict=True)]
        whole = (self._sum_to(to_s) - self._sum_to(from_s)) * (1.0 / width)
        return list(whole)

    def _numbers_to(self, time_s: float) -> list[float]:
        """Integrals as `_sum_to`, in plain numbers: for few lines quicker than arrays."""
        times = self._times
        i = bisect_right(times, time_s) - 1
        if i < 0:
            return [line[0] * (time_s - times[0]) for line in self._plain]
        ahead = time_s - times[i]
        if i == len(times) - 1:
            return [
                total[i] + line[i] * ahead
                for total, line in zip(self._plain_total, self._plain, strict=True)
            ]
        share = 0.5 * ahead / (times[i + 1] - times[i])
        return [
            total[i] + ahead * (line[i] + share * (line[i + 1] - line[i]))
            for total, line in zip(self._plain_total, self._plain, strict=True)
        ]
