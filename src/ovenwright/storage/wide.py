"""A run as one table: a row a time, a column a channel. What the exports draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.domain.run import NS, Run, Series
from ovenwright.errors import UnknownName
from ovenwright.physics.units import from_celsius

_TEMPERATURES = {"degC", "degF", "K"}


class ExportUnit(StrEnum):
    """Which numbers are written: °C, °F, or those the instrument gave."""

    CELSIUS = "C"
    FAHRENHEIT = "F"
    RAW = "raw"


@dataclass(frozen=True, slots=True)
class WideColumn:
    """One channel: (n,) numbers with NaN where it has none, and their unit."""

    channel: str
    heading: str
    unit: str
    values: FloatArray


@dataclass(frozen=True, slots=True)
class Wide:
    """A run as a table over (n,) rising UTC nanoseconds."""

    time_ns: IntArray
    start_ns: int
    absolute: bool
    columns: tuple[WideColumn, ...]

    @property
    def elapsed_s(self) -> FloatArray:
        """(n,) seconds since the run's first reading."""
        return np.asarray((self.time_ns - self.start_ns) / NS, dtype=np.float64)


def chosen_channels(run: Run, channels: Sequence[str] | None) -> tuple[str, ...]:
    """Return the channels asked for, in the order asked; all of them when none was named.

    Raises
    ------
    UnknownName : if the run has no channel of a name
    """
    if not channels:
        return tuple(run.series)
    for name in channels:
        if name not in run.series:
            raise UnknownName("channel", name, known=tuple(run.series), where=run.id)
    return tuple(dict.fromkeys(channels))


def numbers_in(series: Series, unit: ExportUnit) -> tuple[FloatArray, str]:
    """Return the readings of one channel in the unit asked for, and the unit they are in."""
    if unit is ExportUnit.RAW and series.raw is not None:
        return series.raw, series.raw_unit
    if unit is ExportUnit.FAHRENHEIT:
        read_in_f = series.raw is not None and series.raw_unit == "degF"
        if read_in_f and not series.restated_from and series.raw is not None:
            return series.raw, "degF"  # the digits as they were read
        return np.asarray(from_celsius(series.value_c, "degF"), np.float64), "degF"
    return series.value_c, "degC"


def heading_of(name: str, unit: str) -> str:
    """Return a column's heading: the bare name for °C, else with the unit in brackets."""
    return name if unit == "degC" else f"{name} [{unit}]"


def wide_of(
    run: Run, *, channels: Sequence[str] | None = None, unit: ExportUnit = ExportUnit.CELSIUS
) -> Wide:
    """Return a run as one table.

    Where channels were read at different times, the rows are all times of all channels; a channel
    has no number at times that are not its own. Nothing is interpolated.

    Raises
    ------
    UnknownName : if the run has no channel of a name
    """
    names = chosen_channels(run, channels)
    series = [run.series[n] for n in names]
    first = series[0].time_ns
    shared = all(s.time_ns is first or np.array_equal(s.time_ns, first) for s in series)
    axis: IntArray = first if shared else np.unique(np.concatenate([s.time_ns for s in series]))
    columns: list[WideColumn] = []
    taken: set[str] = {"elapsed_s", "time"}
    for name, one in zip(names, series, strict=True):
        values, found = numbers_in(one, unit)
        if not shared:
            spread = np.full(axis.size, np.nan)
            spread[np.searchsorted(axis, one.time_ns)] = values
            values = spread
        heading = heading_of(name, found)
        while heading in taken:  # a channel called "time" must not hide the time
            heading += " (channel)"
        taken.add(heading)
        columns.append(WideColumn(name, heading, found, values))
    return Wide(axis, run.start_ns, run.absolute, tuple(columns))
