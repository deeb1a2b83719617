"""What is foreseen for a recording that goes on: the model's forecast from what has come so far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS, Mark, MarkKind, Role, Run, Series
from ovenwright.errors import OvenwrightError
from ovenwright.storage import toml_edit
from ovenwright.storage.journal import JournalHead
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.forecasting import CAUTION, Forecast, forecast_run
from ovenwright.workflow.laying_out import Wanted
from ovenwright.workflow.overview import Bins

LEAST_S = 120.0
"""So long the product must have been in the heat before anything is said."""
_MEMBERS = 1500
_MOST_LEVELS = 3


@dataclass(frozen=True, slots=True)
class Foreseen:
    """When a channel passes a temperature: median and the interval that holds it 9 times in 10.

    Times are UTC ns by the instruments' clock. ``open_ended`` says that it may never pass.
    """

    channel: str
    level_c: float
    median_ns: int
    low_ns: int
    high_ns: int
    open_ended: bool


@dataclass(frozen=True, slots=True)
class Foresight:
    """What is foreseen at a moment, why some of it is not, and what it rests on."""

    at_ns: int
    found: tuple[Foreseen, ...]
    refused: str
    rests_on: tuple[str, ...]
    caution: str = CAUTION


class _Held(Logbook):
    """A logbook that holds one run, in memory."""

    def __init__(self, logbook: Logbook, run: Run) -> None:
        super().__init__(logbook.folder)
        self._run = run

    def open(self, ref: str, *, verify: bool = True) -> Run:
        del ref, verify
        return self._run


def levels_of(plan: Plan) -> tuple[float, ...]:
    """Return the temperatures that a plan wants its cores to pass: crossings, then requirements."""
    cores = {c.name for c in plan.channels if c.role is Role.CORE}
    found = [w.level_c for w in plan.crossings if set(plan.names(w.on)) & cores]
    found += [
        r.at_least
        for r in plan.requirements
        if r.measure == "end_temperature" and r.at_least is not None and r.on is Role.CORE
    ]
    return tuple(sorted(dict.fromkeys(found), reverse=True)[:_MOST_LEVELS])


def can_foresee(plan: Plan) -> bool:
    """Return whether a plan has what a forecast needs: cores, something around them, levels."""
    roles = {c.role for c in plan.channels}
    return Role.CORE in roles and bool(roles & {Role.AIR, Role.WALL}) and bool(levels_of(plan))


def foresee(
    logbook: Logbook,
    library: ReferenceLibrary,
    head: JournalHead,
    plan: Plan,
    bins: Bins,
    *,
    entry_ns: int,
) -> Foresight:
    """Return what is foreseen from a recording's bins.

    Parameters
    ----------
    bins : the whole recording so far
    entry_ns : when the product entered

    Raises
    ------
    OvenwrightError : as the forecast of a run, where nothing can be said at all
    """
    run = _run_of(head, plan, bins, entry_ns)
    forecast = forecast_run(
        _Held(logbook, run), library, run.id, Wanted(passes=levels_of(plan), members=_MEMBERS)
    )
    return _said(run, forecast)


def _run_of(head: JournalHead, plan: Plan, bins: Bins, entry_ns: int) -> Run:
    wanted = {Role.CORE, Role.AIR, Role.WALL}
    roles = {c.name: c.role for c in plan.channels}
    middle: FloatArray = ((bins.low + bins.high) / 2.0).astype(np.float64)
    times = bins.start_ns + np.arange(len(middle), dtype=np.int64) * bins.width_ns
    times += bins.width_ns // 2
    series = {}
    for i, name in enumerate(head.channels):
        known = np.isfinite(middle[:, i])
        if roles.get(name) in wanted and known.any():
            n = int(known.sum())
            series[name] = Series(times[known], middle[known, i], np.zeros(n, dtype=np.uint8))
    text = toml_edit.set_value(head.plan_toml, ("recording", "interval_s"), bins.width_ns / NS)
    return Run(
        id=head.id,
        series=series,
        marks=(Mark(MarkKind.LOAD_IN, entry_ns),),
        plan_toml=text,
        title=head.title,
        time_zone=head.time_zone,
    )


def _said(run: Run, forecast: Forecast) -> Foresight:
    found: list[Foreseen] = []
    refused: dict[str, list[str]] = {}
    for channel in forecast.channels:
        if channel.refused:
            refused.setdefault(channel.refused, []).append(channel.name)
        for p in channel.passes:
            if p.passed:
                continue
            low, high = p.interval_90
            found.append(
                Foreseen(
                    channel.name,
                    p.temp_c,
                    run.start_ns + round(p.median_s * NS),
                    run.start_ns + round(low * NS),
                    run.start_ns + round(high * NS),
                    p.open_ended,
                )
            )
    at_ns = run.start_ns + round(forecast.until_s * NS)
    reasons = "; ".join(f"{', '.join(names)}: {why}" for why, names in refused.items())
    return Foresight(at_ns, tuple(found), reasons, forecast.rests_on)


def refusal(trouble: OvenwrightError, at_ns: int) -> Foresight:
    """Return a foresight that says why there is none."""
    return Foresight(at_ns, (), trouble.what, ())
