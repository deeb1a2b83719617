"""One run among several: the others' band for each role, and where each measure stands."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ovenwright.analysis.comparison import (
    COVERAGE,
    MOST_LOG,
    on_grid,
    spread,
    standard_uncertainty_k,
)
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Plan
from ovenwright.domain.results import Results, Unit
from ovenwright.domain.standing import (
    ChannelStanding,
    MeasureStanding,
    Outline,
    OutlinedChannel,
    OutlinedMeasure,
    RoleStanding,
    Standing,
)
from ovenwright.errors import TooLittleData

_FINEST = 1200  # moments of the grid: a picture shows no more


def grid_for(results: Results) -> FloatArray:
    """Return the moments at which runs are held against one: seconds since its load-in, (n,).

    Raises
    ------
    TooLittleData : if the run has no process time
    """
    end = results.load_out.at_s - results.load_in.at_s
    step = max(results.profile.interval_s, end / _FINEST)
    if not end > 2 * step:
        raise TooLittleData(
            "the run has no process time", where=results.profile.run_id,
            remedy="give load_in_s and load_out_s in the plan's [recording]",
        )  # fmt: skip
    return np.arange(0.0, end, step)


def outline(results: Results, plan: Plan, grid: FloatArray, *, same_sensors: bool) -> Outline:
    """Return what is kept of a run for others to be held against.

    Parameters
    ----------
    grid : (n,) seconds since load-in, as :func:`grid_for` gives it for the run that stands
    same_sensors : leave out errors that are common to runs made with the very same sensors
    """
    profile = results.profile
    end = results.load_out.at_s - results.load_in.at_s
    keep = False if same_sensors else None
    channels = []
    for index, channel in enumerate(profile.channels):
        temp = np.where(grid <= end, on_grid(results, channel.name, grid), np.nan)
        doubt = standard_uncertainty_k(profile, index, temp, shared_only=keep)
        channels.append(OutlinedChannel(channel.name, channel.role.value, temp, doubt))
    measures = [
        OutlinedMeasure(need.name, m.channel, m.unit, m.value, spread(m.samples))
        for need, found in zip(plan.requirements, results.by_requirement, strict=True)
        for m in found
    ]
    return Outline(profile.run_id, end, tuple(channels), tuple(measures))


def stand(
    this: Outline,
    others: Sequence[Outline],
    grid: FloatArray,
    *,
    left_out: tuple[tuple[str, str], ...] = (),
) -> Standing:
    """Return where a run stands among others; all outlines are on the same grid.

    Raises
    ------
    TooLittleData : if there are fewer than two other runs, or none shares a role with this one
    """
    if len(others) < 2:
        only = "none of them can" if not others else f"only {others[0].run_id} can"
        why = "".join(f"; {run}: {reason}" for run, reason in left_out)
        raise TooLittleData(
            f"two or more other runs make a range, and {only} be held against this one{why}",
            where=this.run_id,
            remedy="name further runs" + (", or compare just the two" if others else ""),
        )
    roles, lonely = [], []
    for role in dict.fromkeys(c.role for c in this.channels):
        mine = [c for c in this.channels if c.role == role]
        theirs = [[c for c in o.channels if c.role == role] for o in others]
        if any(theirs):
            roles.append(_role(role, mine, theirs, grid))
        else:
            lonely += [c.channel for c in mine]
    if not roles:
        raise TooLittleData(
            "no other run has a channel of a role that this run has", where=this.run_id,
            remedy="judge them under one plan whose channels name the columns of each",
        )  # fmt: skip
    return Standing(
        this.run_id,
        tuple(o.run_id for o in others),
        tuple(roles),
        tuple(s for m in this.measures if (s := _measure(m, others)) is not None),
        this.process_s,
        tuple(o.process_s for o in others),
        tuple(lonely),
        left_out,
    )


def _role(
    role: str,
    mine: Sequence[OutlinedChannel],
    theirs: Sequence[Sequence[OutlinedChannel]],
    grid: FloatArray,
) -> RoleStanding:
    temps = np.array([c.temp_c for run in theirs for c in run])
    doubts = np.array([c.standard_k for run in theirs for c in run])
    there = np.isfinite(temps).any(axis=0)
    low, high, median = (np.full(grid.size, np.nan) for _ in range(3))
    low[there] = np.nanmin(temps[:, there], axis=0)
    high[there] = np.nanmax(temps[:, there], axis=0)
    median[there] = np.nanmedian(temps[:, there], axis=0)
    at_low = np.argmin(np.where(np.isfinite(temps), temps, np.inf), axis=0)
    at_high = np.argmax(np.where(np.isfinite(temps), temps, -np.inf), axis=0)
    moments = np.arange(grid.size)
    edge_k = (doubts[at_low, moments], doubts[at_high, moments])
    runs = np.sum(
        [np.isfinite([c.temp_c for c in run]).any(axis=0) for run in theirs if run], axis=0
    )
    channels = tuple(_channel(c, (low, high), edge_k, grid) for c in mine)
    return RoleStanding(role, grid, low, median, high, runs.astype(float), channels)


def _channel(
    mine: OutlinedChannel,
    band: tuple[FloatArray, FloatArray],
    edge_k: tuple[FloatArray, FloatArray],
    grid: FloatArray,
) -> ChannelStanding:
    low, high = band
    below, above = np.minimum(mine.temp_c - low, 0.0), np.maximum(mine.temp_c - high, 0.0)
    outside = below + above
    there = np.isfinite(outside)
    if not there.any():
        nan = float("nan")
        return ChannelStanding(mine.channel, mine.temp_c, nan, nan, nan, nan, nan)
    doubt = np.hypot(mine.standard_k, np.where(below < 0, edge_k[0], edge_k[1]))
    worst = int(np.nanargmax(np.abs(outside)))
    return ChannelStanding(
        mine.channel,
        mine.temp_c,
        float(np.mean(outside[there] != 0.0)),
        float(np.mean(np.abs(outside[there]) > COVERAGE * doubt[there])),
        float(outside[worst]),
        float(doubt[worst]),
        float(grid[worst]),
    )


def _measure(mine: OutlinedMeasure, others: Sequence[Outline]) -> MeasureStanding | None:
    twins = [
        (o.run_id, m)
        for o in others
        for m in o.measures
        if (m.name, m.channel) == (mine.name, mine.channel) and np.isfinite(m.value)
    ]
    if not twins:
        return None
    values = np.array([m.value for _, m in twins])
    lower, higher = int(np.sum(values < mine.value)), int(np.sum(values > mine.value))
    nearest = twins[int(np.argmin(np.abs(values - mine.value)))][1]
    doubt = float(np.hypot(mine.standard, nearest.standard))
    uncountable = bool(mine.unit is Unit.LOG10 and min(mine.value, values.min()) > MOST_LOG)
    return MeasureStanding(
        name=mine.name,
        channel=mine.channel,
        unit=mine.unit,
        value=mine.value,
        standard=mine.standard,
        others=tuple((run, m.value) for run, m in twins),
        lowest=float(values.min()),
        median=float(np.median(values)),
        highest=float(values.max()),
        lower=lower,
        alike=int(np.sum(values == mine.value)),
        higher=higher,
        beyond_doubt=bool(
            not uncountable
            and len(values) in {lower, higher}
            and doubt > 0
            and abs(nearest.value - mine.value) > COVERAGE * doubt
        ),
        uncountable=uncountable,
    )
