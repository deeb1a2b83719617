"""Hold a forecast of a sealed run against what came afterwards."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.modelling.forecasting import Passing
from ovenwright.modelling.heating import Line
from ovenwright.reporting.document import Cell, Column, Table, Tone
from ovenwright.reporting.words import Shown, clock, limit_decimals, plain
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.forecasting import Forecast
from ovenwright.workflow.laying_out import Wanted, lay_out


@dataclass(frozen=True, slots=True)
class Came:
    """What was foreseen of a channel and when it came, the run's elapsed s; None: not in this run."""

    channel: str
    foreseen: Passing
    came_s: float | None

    @property
    def inside_90(self) -> bool | None:
        """Whether it came within the interval of nine in ten, None where that can't be said."""
        low, high = self.foreseen.interval_90
        if self.came_s is None:
            return None
        return low <= self.came_s and (self.came_s <= high or self.foreseen.open_ended)

    def facts(self) -> dict[str, Any]:
        """Return plain data for machines."""
        return {
            "channel": self.channel,
            "temp_c": self.foreseen.temp_c,
            "came_s": None if self.came_s is None else round(self.came_s, 2),
            "inside_90": self.inside_90,
        }


def what_came(
    logbook: Logbook, library: ReferenceLibrary, told: Forecast, wanted: Wanted
) -> tuple[Came, ...]:
    """Return when what was foreseen came, by the same sound readings, up to the end of the run.

    Raises
    ------
    UsageError, UnknownName, TooLittleData : as in `lay_out`
    """
    whole = lay_out(logbook.open(told.run_id), library, replace(wanted, until_s=None))
    cores = {c.name: c for c in whole.heating.cores}
    return tuple(
        Came(c.name, p, _first_s(cores[c.name], p.temp_c) if c.name in cores else None)
        for c in told.channels
        for p in c.passes
        if not p.passed
    )


def _first_s(core: Line, temp_c: float) -> float | None:
    """Return when readings passed a temperature for the first time, as a forecast counts it."""
    above = core.temp_c >= temp_c
    if not above.any():
        return None
    i = int(np.argmax(above))
    if i == 0:
        return float(core.time_s[0])
    (t0, t1), (a, b) = core.time_s[i - 1 : i + 1], core.temp_c[i - 1 : i + 1]
    return float(t0 + (temp_c - a) / (b - a) * (t1 - t0))


def came_table(came: tuple[Came, ...], shown: Shown, *, zero_s: float = 0.0) -> Table:
    """Return what was foreseen beside what came; ``zero_s`` is where times begin."""
    return Table(
        id="came",
        title="And when they did",
        columns=(
            Column("channel", width=1.5),
            Column(shown.temperature_unit, number=True),
            Column("likely", number=True),
            Column("came at", number=True),
            Column("within nine in ten", width=1.4),
        ),
        rows=tuple(_row(c, shown, zero_s) for c in came),
        note="By the readings after the moment of the forecast, which it did not know. Of many such "
        "forecasts nine in ten should be within.",
        empty="nothing was left to come",
    )


def _row(one: Came, shown: Shown, zero_s: float) -> tuple[Cell, ...]:
    level = shown.temperature(one.foreseen.temp_c)
    inside = {True: "yes", False: "no", None: ""}[one.inside_90]
    return (
        Cell(one.channel),
        Cell(plain(level, limit_decimals(level))),
        Cell(clock(one.foreseen.median_s - zero_s)),
        Cell("not in this run" if one.came_s is None else clock(one.came_s - zero_s)),
        Cell(inside, tone=Tone.OPEN if inside == "no" else Tone.PLAIN),
    )
