"""Two runs aligned at load-in: where they differ, and whether that is beyond doubt."""

from __future__ import annotations

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.comparison import ChannelDifference, Comparison, MeasureDifference
from ovenwright.domain.plan import Plan
from ovenwright.domain.profile import Profile, Scope
from ovenwright.domain.results import Results, Unit
from ovenwright.errors import TooLittleData

MOST_LOG = 20.0  # log reductions beyond this can't be told apart by any count
COVERAGE = 2.0  # a difference beyond this many standard uncertainties is called beyond doubt


def compare(
    reference: Results, other: Results, plan: Plan, *, same_sensors: bool = False
) -> Comparison:
    """Return what differs between two runs.

    Parameters
    ----------
    reference, other : results of both runs under the same plan
    plan : the plan both were analysed under; its requirements are compared by name
    same_sensors : True where the very same sensors and modules were used for both runs, so that
        their calibration and class errors cancel in the difference

    Returns
    -------
    differences on the process time both cover; other minus reference

    Raises
    ------
    TooLittleData : if the runs share no channel or no process time

    The uncertainty of a difference at one moment combines both runs' budgets in quadrature
    (JCGM 100:2008, 5.1.2); with `same_sensors` only what is not common to both is kept.
    """
    a, b = reference.profile, other.profile
    shared = [n for n in a.names if n in b.names]
    if not shared:
        raise TooLittleData(
            "the two runs share no channel name",
            where=f"{a.run_id} and {b.run_id}",
            remedy="judge both under one plan whose channels name the columns of each",
        )
    lasts = (
        reference.load_out.at_s - reference.load_in.at_s,
        other.load_out.at_s - other.load_in.at_s,
    )
    end = min(lasts)
    step = max(a.interval_s, b.interval_s)
    if not end > 2 * step:
        raise TooLittleData(
            "the two runs share no process time", where=f"{a.run_id} and {b.run_id}",
            remedy="give load_in_s and load_out_s in the plan's [recording]",
        )  # fmt: skip
    grid = np.arange(0.0, end, step)
    channels = tuple(
        _channel(name, grid, reference, other, same_sensors=same_sensors) for name in shared
    )
    return Comparison(
        reference_id=a.run_id,
        other_id=b.run_id,
        channels=channels,
        measures=_measures(reference, other, plan),
        only_reference=tuple(n for n in a.names if n not in b.names),
        only_other=tuple(n for n in b.names if n not in a.names),
        process_s=lasts,
        notes=(
            "Calibration and class errors taken as common to both runs."
            if same_sensors
            else "The two runs' errors are taken as independent; "
            "with the same sensors in both the doubt is smaller.",
        ),
    )


def standard_uncertainty_k(
    profile: Profile, channel: int, temp_c: FloatArray, *, shared_only: bool | None = None
) -> FloatArray:
    """Return the standard uncertainty of readings at temperatures, noise included.

    `shared_only` True keeps what is common to all readings of the channel, False what is not;
    None keeps both.
    """
    variance = np.zeros_like(temp_c)
    for term in profile.errors[channel]:
        common = term.scope is not Scope.READING
        if shared_only is None or shared_only == common:
            variance += np.interp(temp_c, term.at_c, term.standard_k) ** 2
    if shared_only is not True:
        variance += np.nan_to_num(profile.noise_k[channel]) ** 2
    return np.sqrt(variance)


def on_grid(results: Results, name: str, grid: FloatArray) -> FloatArray:
    """Return a channel at moments since load-in, (n,) °C; NaN where a reading beside is missing."""
    profile = results.profile
    temp = profile.temp_c[:, profile.index(name)]
    # a NaN beside the wanted moment makes the moment NaN: nothing is bridged
    return np.interp(grid + results.load_in.at_s, profile.time_s, temp, left=np.nan, right=np.nan)


def _channel(
    name: str, grid: FloatArray, reference: Results, other: Results, *, same_sensors: bool
) -> ChannelDifference:
    keep = False if same_sensors else None
    temps, uncertainties = [], []
    for results in (reference, other):
        temp = on_grid(results, name, grid)
        temps.append(temp)
        index = results.profile.index(name)
        uncertainties.append(standard_uncertainty_k(results.profile, index, temp, shared_only=keep))
    difference = temps[1] - temps[0]
    standard = np.hypot(*uncertainties)
    there = np.isfinite(difference)
    if there.any():
        worst = int(np.nanargmax(np.abs(difference)))
        mean = float(np.nanmean(difference))
        # errors common to all readings do not average out: the mean is as doubtful as one of them
        mean_u = float(np.sqrt(np.nanmean(standard**2)))
        outside = float(np.mean(np.abs(difference[there]) > COVERAGE * standard[there]))
        largest, at = float(difference[worst]), float(grid[worst])
    else:
        mean = mean_u = largest = at = outside = float("nan")
    role = next(c.role.value for c in reference.profile.channels if c.name == name)
    return ChannelDifference(
        name, role, grid, temps[0], temps[1], standard, mean, mean_u, largest, at, outside
    )


def _measures(reference: Results, other: Results, plan: Plan) -> tuple[MeasureDifference, ...]:
    out = []
    for need, mine, theirs in zip(
        plan.requirements, reference.by_requirement, other.by_requirement, strict=True
    ):
        by_channel = {m.channel: m for m in theirs}
        for m in mine:
            twin = by_channel.get(m.channel)
            if twin is None:
                continue
            u = float(np.hypot(spread(m.samples), spread(twin.samples)))
            # two kills beyond any population are alike, however far apart their numbers are
            uncountable = m.unit is Unit.LOG10 and min(m.value, twin.value) > MOST_LOG
            difference = twin.value - m.value
            out.append(
                MeasureDifference(
                    need.name,
                    m.channel,
                    m.unit,
                    m.value,
                    twin.value,
                    difference,
                    u,
                    bool(
                        not uncountable
                        and np.isfinite(u)
                        and u > 0
                        and abs(difference) > COVERAGE * u
                    ),
                )
            )
    return tuple(out)


def spread(samples: FloatArray) -> float:
    """Return the standard deviation of a measure's draws; NaN where there are too few."""
    finite = samples[np.isfinite(samples)]
    return float(finite.std(ddof=1)) if finite.size > 1 else float("nan")
