"""When each channel will have met a requirement, counting what its readings have earned already.

Foreseen are requirements whose measure only grows while heating goes on: what a rate adds up to
(log reductions, equivalent times, pasteurisation units, time above a temperature) and the highest
temperature, each with a lower limit. Whether a course stays within an upper limit has no moment.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ovenwright.analysis.declaration import Values
from ovenwright.analysis.measures.lethality import law_of, reduction_of
from ovenwright.analysis.registry import declared_measures
from ovenwright.analysis.requirements import chosen_channels, look_up
from ovenwright.analysis.work import Bigelow
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan, Requirement
from ovenwright.modelling.forecasting import Outlook, Paths
from ovenwright.modelling.heating import Line
from ovenwright.physics.lethality import arrhenius_rate, rate

_WORK = ("log_reduction", "equivalent_time", "pasteurisation_units")
_FINER = 8  # parts of a step of a drawn course
_QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
_MINUTE = 60.0


@dataclass(frozen=True, slots=True)
class Goal:
    """A requirement that can be foreseen, for the channels it is on.

    ``rate`` gives what is earned per second at temperatures, None where the highest temperature
    counts; ``total`` turns what was earned into the measure's unit. ``beyond_c`` is the
    temperature that the kinetics speak of, -inf where there is none.
    """

    requirement: Requirement
    channels: tuple[str, ...]
    unit: str
    rate: Callable[[FloatArray], FloatArray] | None
    total: Callable[[FloatArray], FloatArray]
    beyond_c: float
    rests_on: str


@dataclass(frozen=True, slots=True)
class Meeting:
    """When one channel meets one requirement; times in the run's elapsed seconds.

    ``so_far`` is what the readings have earned, in the measure's unit. ``median_s`` and the
    intervals are None where more than half of the draws never meet it. ``met`` says that it has
    happened already, and then all times are that moment.
    """

    requirement: str
    channel: str
    measure: str
    at_least: float
    unit: str
    so_far: float
    safety: bool
    median_s: float | None
    interval_50: tuple[float, float] | None
    interval_90: tuple[float, float] | None
    share_that_meets: float
    met: bool
    open_ended: bool
    rests_on: str


def goals_of(plan: Plan, library: ReferenceLibrary) -> tuple[tuple[Goal, ...], dict[str, str]]:
    """Return the requirements of a plan that can be foreseen, and why the others can't."""
    goals, others = [], {}
    for one in plan.requirements:
        measure = declared_measures().get(one.measure)
        if measure is None:
            others[one.name] = f"no measure is called {one.measure}"
            continue
        if one.at_least is None:
            others[one.name] = "it has no lower limit that is met at a moment"
            continue
        values, faults = look_up(measure, one, library)
        if faults:
            others[one.name] = faults[0].what
            continue
        goal = _goal(one, values, chosen_channels(measure, one, plan), str(measure.unit.value))
        if goal is None:
            others[one.name] = f"{one.measure} is known when heating has ended, not at a moment"
        else:
            goals.append(goal)
    return tuple(goals), others


def _goal(one: Requirement, values: Values, channels: tuple[str, ...], unit: str) -> Goal | None:
    if one.measure == "max_temperature":
        return Goal(one, channels, unit, None, np.asarray, _number(one.at_least), "")
    if one.measure == "time_above":
        level = values.number("level_c")

        def above(temp_c: FloatArray) -> FloatArray:
            return np.asarray(temp_c >= level, dtype=np.float64)

        return Goal(one, channels, unit, above, np.asarray, level, "")
    if one.measure not in _WORK:
        return None
    law, kinetics = law_of(values), values.kinetics

    def earns(temp_c: FloatArray) -> FloatArray:
        if isinstance(law, Bigelow):
            return rate(temp_c, reference_c=law.reference_c, z_k=law.z_k)
        return arrhenius_rate(temp_c, k0_per_s=law.k0_per_s, activation_j_mol=law.activation_j_mol)

    def total(earned: FloatArray) -> FloatArray:
        if one.measure == "log_reduction" and kinetics is not None:
            return reduction_of(kinetics, earned)
        return earned / _MINUTE if one.measure == "pasteurisation_units" else earned

    reference = law.reference_c if isinstance(law, Bigelow) else -math.inf
    rests_on = ""
    if kinetics is not None:
        rests_on = (
            f"kinetics of {kinetics.agent} in {kinetics.matrix} ({kinetics.source}, "
            f"{kinetics.evidence.value}), which must be validated for the product"
        )
    return Goal(one, channels, unit, earns, total, reference, rests_on)


def _number(given: float | None) -> float:
    return math.nan if given is None else given


def meeting(goal: Goal, core: Line, outlook: Outlook, *, from_s: float) -> Meeting | None:
    """Return when a channel meets a requirement.

    Parameters
    ----------
    goal : the requirement
    core : the channel's readings, all of them before the outlook's moment
    outlook : of the run
    from_s : since when counts, run time

    Returns
    -------
    the meeting; None where the channel can't be looked ahead on and has not met it
    """
    least = _number(goal.requirement.at_least)
    inside = core.time_s >= from_s
    time_s, temp_c = core.time_s[inside], core.temp_c[inside]
    if time_s.size < 2:
        return None
    gone = _so_far(goal, time_s, temp_c)
    so_far = float(goal.total(gone[-1:])[0])
    done = np.flatnonzero(goal.total(gone) >= least)
    if done.size:
        at = float(time_s[done[0]])
        return _told(goal, core.name, so_far, np.array([at]), met=True)
    if core.name not in outlook.paths:
        return None
    at_s = _moments(goal, outlook.paths[core.name], float(gone[-1]), least)
    return _told(goal, core.name, so_far, at_s, met=False)


def _so_far(goal: Goal, time_s: FloatArray, temp_c: FloatArray) -> FloatArray:
    """Return what was earned up to each reading, (n,)."""
    if goal.rate is None:
        return np.asarray(np.maximum.accumulate(temp_c))
    speed = goal.rate(temp_c)
    steps = 0.5 * (speed[1:] + speed[:-1]) * np.diff(time_s)
    return np.concatenate(([0.0], np.cumsum(steps)))


def _moments(goal: Goal, paths: Paths, gone: float, least: float) -> FloatArray:
    """Return when each draw meets it, infinite where it doesn't, (draws,)."""
    share = np.linspace(0.0, 1.0, _FINER, endpoint=False)[None, :, None]
    parts = []
    for course in (paths.time_s, paths.temp_c):
        finer = course[:-1, None] + share * (course[1:] - course[:-1])[:, None]
        parts.append(np.concatenate([finer.reshape(-1, course.shape[1]), course[-1:]]))
    time_s, temp_c = parts
    if goal.rate is None:
        earned = np.maximum.accumulate(np.maximum(temp_c, gone), axis=0)
    else:
        speed = goal.rate(temp_c)
        steps = 0.5 * (speed[1:] + speed[:-1]) * np.diff(time_s, axis=0)
        earned = gone + np.concatenate([np.zeros((1, steps.shape[1])), np.cumsum(steps, axis=0)])
    value = goal.total(earned)
    reached = value >= least
    first = np.maximum(reached.argmax(axis=0), 1)
    draw = np.arange(first.size)
    before, after = value[first - 1, draw], value[first, draw]
    width = np.where(after > before, after - before, 1.0)
    part = np.clip((least - before) / width, 0.0, 1.0)
    at_s = time_s[first - 1, draw] + part * (time_s[first, draw] - time_s[first - 1, draw])
    return np.where(reached.any(axis=0), at_s, np.inf)


def _told(goal: Goal, channel: str, so_far: float, at_s: FloatArray, *, met: bool) -> Meeting:
    one = goal.requirement
    finite = np.isfinite(at_s)
    share = float(np.mean(finite))
    median: float | None = None
    half: tuple[float, float] | None = None
    most: tuple[float, float] | None = None
    if share >= 0.5:
        held = np.where(finite, at_s, np.max(at_s[finite]))
        q = [float(v) for v in np.quantile(held, _QUANTILES)]
        median, half, most = q[2], (q[1], q[3]), (q[0], q[4])
    return Meeting(
        requirement=one.name,
        channel=channel,
        measure=one.measure,
        at_least=_number(one.at_least),
        unit=goal.unit,
        so_far=so_far,
        safety=one.safety,
        median_s=median,
        interval_50=half,
        interval_90=most,
        share_that_meets=share,
        met=met,
        open_ended=share < 0.95,
        rests_on=goal.rests_on,
    )
