"""Uncertainty budget of each channel, at the temperature where it matters.

The terms come from conditioning; noise and resolution are added where it did not already count
them. Sensor lag is no spread but a bound with a sign (while heating the truth is higher), so it
stands in the table beside the combined uncertainty and not in it; analysis draws it one-sided for
times and extremes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Plan, Requirement
from ovenwright.domain.profile import ErrorTerm, Profile, Scope
from ovenwright.domain.results import Results, Unit
from ovenwright.domain.verdict import Budget, BudgetLine
from ovenwright.physics.uncertainty import (
    RESOLUTION_DIVISOR,
    combine,
    coverage_factor,
    divisor,
    effective_degrees_of_freedom,
)

COVERAGE = 0.9545  # k = 2 where nothing limits the degrees of freedom
_LEVEL_K = 0.005  # a bound smaller than this is none
_LEVELS = ("level_c", "low_c", "to_c")  # parameters that name the temperature asked about


def budgets_of(results: Results, plan: Plan) -> tuple[Budget, ...]:
    """Return the budget of every channel that has readings, in the order of the profile."""
    found: list[Budget] = []
    for index, name in enumerate(results.profile.names):
        at_c = temperature_that_matters(name, results, plan)
        if math.isfinite(at_c):
            found.append(budget_at(results, index, at_c))
    return tuple(found)


def temperature_that_matters(name: str, results: Results, plan: Plan) -> float:
    """Return the limit that a channel is held against, or else its highest temperature.

    A limit in °C comes first, then a level that a requirement names; NaN without readings.
    """
    window = process_window(results)
    temp_c = results.profile.temp_c[window, results.profile.index(name)]
    if not bool(np.any(np.isfinite(temp_c))):
        return math.nan
    asked = [
        (requirement, mine[0].unit)
        for requirement, answers in zip(plan.requirements, results.by_requirement, strict=False)
        if (mine := [a for a in answers if a.channel == name])
    ]
    asked.sort(key=lambda one: one[1] is not Unit.CELSIUS)  # stable: else the order of the plan
    for requirement, unit in asked:
        limit = _limit_c(requirement, unit)
        if limit is not None:
            return limit
    return float(np.nanmax(temp_c))


def budget_at(results: Results, index: int, at_c: float) -> Budget:
    """Return one channel's budget at one temperature.

    Source: JCGM 100:2008, 5.1.2 for the sum of squares, G.4.1 for the degrees of freedom.
    """
    profile = results.profile
    name = profile.names[index]
    lines = [
        *(_term_line(name, term, at_c) for term in profile.errors[index]),
        *_instrument_lines(profile, index),
    ]
    parts = [line.standard_k for line in lines]
    combined = combine(parts)
    dof = effective_degrees_of_freedom(parts, [line.degrees_of_freedom for line in lines])
    k = coverage_factor(COVERAGE, max(dof, 1.0))
    lag = _lag_line(results, index, at_c)
    return Budget(
        channel=name,
        at_c=at_c,
        lines=(*lines, lag) if lag is not None else tuple(lines),
        combined_k=combined,
        effective_dof=dof,
        coverage_factor=k,
        expanded_k=k * combined,
    )


def process_window(results: Results) -> slice:
    """Return the samples from load-in to load-out."""
    first, last = np.searchsorted(
        results.profile.time_s, [results.load_in.at_s, results.load_out.at_s], side="left"
    )
    return slice(int(first), int(last) + 1)


def _limit_c(requirement: Requirement, unit: Unit) -> float | None:
    if unit is Unit.CELSIUS:
        return requirement.at_least if requirement.at_least is not None else requirement.at_most
    for key in _LEVELS:
        level = requirement.parameters.get(key)
        if isinstance(level, int | float):
            return float(level)
    return None


def _term_line(name: str, term: ErrorTerm, at_c: float) -> BudgetLine:
    standard = float(np.interp(at_c, term.at_c, term.standard_k))
    divided_by = divisor(term.distribution.value)
    bounded = term.distribution.value != "normal"
    shared = {
        Scope.CHANNEL: "this channel",
        Scope.MODULE: f"module {term.group}".rstrip(),
        Scope.READING: "each reading",
    }
    return BudgetLine(
        channel=name,
        source=term.source,
        shared_by=shared[term.scope],
        distribution=term.distribution.value,
        half_width_k=standard * divided_by if bounded else math.nan,
        divisor=divided_by,
        standard_k=standard,
        degrees_of_freedom=term.degrees_of_freedom,
        note=term.note,
    )


def _instrument_lines(profile: Profile, index: int) -> Iterator[BudgetLine]:
    """Yield noise and resolution, unless conditioning has already made terms of them."""
    name = profile.names[index]
    counted = " ".join(term.source.lower() for term in profile.errors[index])
    noise = float(profile.noise_k[index])
    if noise > 0 and "noise" not in counted:
        yield BudgetLine(
            name, "noise of one reading", "each reading", "normal", math.nan, 1.0, noise, math.inf
        )
    step = float(profile.resolution_k[index])
    if step > 0 and "resolution" not in counted:
        yield BudgetLine(
            channel=name,
            source="resolution",
            shared_by="each reading",
            distribution="rectangular",
            half_width_k=step / 2.0,
            divisor=divisor("rectangular"),
            standard_k=step / RESOLUTION_DIVISOR,
            degrees_of_freedom=math.inf,
            note="half a step of the display",
        )


def _lag_line(results: Results, index: int, at_c: float) -> BudgetLine | None:
    profile = results.profile
    lag_s = float(profile.lag_s[index])
    if not (lag_s > 0 and math.isfinite(lag_s)):
        return None
    window = process_window(results)
    rate = rate_at(profile.time_s[window], profile.temp_c[window, index], at_c, over_s=lag_s)
    if not math.isfinite(rate):
        return None
    bound = abs(rate) * lag_s
    side = "higher" if rate > 0 else "lower"
    told = f"the true temperature is {side} by up to this there"
    if bound < _LEVEL_K:
        told = "the temperature is level there"
    return BudgetLine(
        channel=profile.names[index],
        source="sensor lag, rate times time constant",
        shared_by="this channel",
        distribution="bound",
        half_width_k=bound,
        divisor=1.0,
        standard_k=math.nan,
        degrees_of_freedom=math.inf,
        one_sided=True,
        note=f"{told}; not in the combined value",
    )


def rate_at(time_s: FloatArray, temp_c: FloatArray, at_c: float, *, over_s: float) -> float:
    """Slope, K/s, where a curve first reaches a temperature, or else where it comes nearest.

    The slope is that of a straight line through the readings within `over_s` to either side, three
    readings at least; NaN where there are not that many.
    """
    known = np.isfinite(temp_c)
    t, temp = time_s[known], temp_c[known]
    if t.size < 3:
        return math.nan
    reached = np.flatnonzero(temp >= at_c)
    place = int(reached[0]) if reached.size else int(np.argmax(temp))
    near = np.abs(t - t[place]) <= over_s
    if np.count_nonzero(near) < 3:
        first = min(max(place - 1, 0), t.size - 3)
        near = np.zeros(t.size, dtype=bool)
        near[first : first + 3] = True
    along = t[near] - t[near].mean()
    return float(np.sum(along * temp[near]) / np.sum(along**2))
