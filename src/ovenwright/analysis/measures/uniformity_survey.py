"""Measures of a chamber survey: spread, gradient, fluctuation, settling, soak, overshoot, recovery."""

from __future__ import annotations

import math

import numpy as np

from ovenwright.analysis.declaration import Finding, Measure, Values, nothing
from ovenwright.analysis.extremes import find_highest
from ovenwright.analysis.subject import Group
from ovenwright.analysis.uniformity import SHIFTED, Survey, survey
from ovenwright.domain.results import Unit
from ovenwright.domain.run import Role

_TOO_FEW = "fewer than two of its channels have usable readings"
_UNSETTLED = "the points' mean never settles, so there is no steady stretch to look at"


def _lost(group: Group, found: Survey) -> str:
    lost = [s.name for s in group.subjects if s not in found.subjects]
    if lost:
        return f"{', '.join(lost)} gave no usable readings"
    gone = [s.name for s in found.subjects if s.process.holes]
    return f"{', '.join(gone)} has gaps in the readings" if gone else ""


def _steady(found: Survey) -> tuple[float, float]:
    a, b = found.steady or (0, found.before_door)
    return float(found.time_s[a]), float(found.time_s[b - 1])


def spread(group: Group, _values: Values) -> Finding:
    """Greatest difference between the points' means."""
    found = survey(group)
    if found is None:
        return nothing(_TOO_FEW)
    if found.steady is None:
        return nothing(_UNSETTLED)
    hot, cold = int(np.nanargmax(found.means_c)), int(np.nanargmin(found.means_c))
    drawn = found.means_draws_c()
    return Finding(
        float(found.means_c[hot] - found.means_c[cold]),
        np.nanmax(drawn, axis=1) - np.nanmin(drawn, axis=1),
        rests_on=(_steady(found),),
        higher=_lost(group, found),
        notes=(f"hottest {found.subjects[hot].name}, coldest {found.subjects[cold].name}",),
    )


def gradient(group: Group, _values: Values) -> Finding:
    """Greatest difference between two points at one instant."""
    found = survey(group)
    if found is None:
        return nothing(_TOO_FEW)
    if found.steady is None:
        return nothing(_UNSETTLED)
    value, when = found.widest
    column = found.temp_c[:, when]
    seen = np.isfinite(column)
    drawn = np.stack(
        [
            reading + subject.errors.shift_k(np.array([reading]))[:, 0]
            for subject, reading, here in zip(found.subjects, column, seen, strict=True)
            if here
        ],
        axis=1,
    )
    return Finding(
        value,
        np.ptp(drawn, axis=1),
        at_s=float(found.time_s[when]),
        rests_on=(_steady(found),),
        higher=_lost(group, found),
    )


def fluctuation(group: Group, _values: Values) -> Finding:
    """Largest departure of a point from its own mean."""
    found = survey(group)
    if found is None:
        return nothing(_TOO_FEW)
    if found.steady is None:
        return nothing(_UNSETTLED)
    worst = int(np.nanargmax(found.fluctuations_k))
    value = float(found.fluctuations_k[worst])
    errors = found.subjects[worst].errors
    # what a channel's readings share cancels in a departure from its own mean, but for its slope
    ends = np.array([found.means_c[worst], found.means_c[worst] + value])
    shift = errors.shift_k(ends)
    samples = np.abs(value + shift[:, 1] - shift[:, 0])
    if errors.noise_k > 0:
        samples = np.abs(samples + errors.noise("fluctuation") * errors.noise_k)
    return Finding(
        value,
        samples,
        rests_on=(_steady(found),),
        higher=_lost(group, found),
        notes=(f"largest at {found.subjects[worst].name}; noise of the readings is part of it",),
    )


def stabilisation(group: Group, _values: Values) -> Finding:
    """Time from load-in until the points' mean stays where it settles."""
    found = survey(group)
    if found is None:
        return nothing(_TOO_FEW)
    if found.steady_from is None:
        return nothing(_UNSETTLED)
    at = float(found.time_s[found.steady_from])
    half = 0.5 * group.scene.profile.interval_s
    sampling = (group.draws.share("settled") - 0.5) * 2.0 * half
    return Finding(
        at - group.scene.load_in.at_s,
        np.maximum(at + sampling - group.scene.load_in_draws_s, 0.0),
        at_s=at,
        rests_on=((found.start_s, float(found.time_s[-1])),),
        notes=(
            f"settled: the mean of the points, cycling smoothed, stays within "
            f"{found.settling_k:g} K of {found.settled_c:.1f} °C",
        ),
    )


def _drawn_times(found: Survey, *, soak: bool) -> np.typing.NDArray[np.float64]:
    shifts = found.shifts_k(min(SHIFTED, found.subjects[0].errors.count))
    work = found.soak if soak else found.recovery
    return np.array([work(row) for row in shifts])


def soak(group: Group, _values: Values) -> Finding:
    """Longest unbroken time with every point within tolerance."""
    found = survey(group)
    if found is None:
        return nothing(_TOO_FEW)
    lost = [s.name for s in group.subjects if s not in found.subjects]
    lower = f"{', '.join(lost)} gave no usable readings" if lost else ""
    gone = [s.name for s in found.subjects if s.process.holes]
    return Finding(
        found.soak(),
        _drawn_times(found, soak=True),
        rests_on=((found.start_s, float(found.time_s[-1])),),
        lower=lower,
        higher=f"{', '.join(gone)} has gaps, which break the time" if gone else "",
        notes=(_band(found), f"the spread comes from {SHIFTED} draws"),
    )


def _band(found: Survey) -> str:
    usual = " (none in the plan: a usual value)" if found.tolerance_k is None else ""
    return f"within {found.band_k:g} K{usual} of {found.target_c:.1f} °C"


def overshoot(group: Group, _values: Values) -> Finding:
    """Highest reading of any point above the setpoint, before a door is opened."""
    found = survey(group)
    if found is None:
        return nothing(_TOO_FEW)
    until = float(found.time_s[found.before_door - 1])
    tops = [
        find_highest(part, s.errors)
        for s in found.subjects
        if len(part := s.process.within(found.start_s, until)) > 0
    ]
    best = max(tops, key=lambda top: top.value_c)
    drawn = np.max(np.stack([top.draws_c for top in tops]), axis=0)
    return Finding(
        max(best.value_c - found.target_c, 0.0),
        np.maximum(drawn - found.target_c, 0.0),
        at_s=best.at_s,
        rests_on=((found.start_s, until),),
        higher=_lost(group, found),
    )


def recovery(group: Group, _values: Values) -> Finding:
    """Time from a door mark until every point is back in tolerance."""
    found = survey(group)
    if found is None:
        return nothing(_TOO_FEW)
    value = found.recovery()
    if math.isnan(value):
        return nothing("no door is marked between load-in and load-out")
    reason = (
        "not back within tolerance before the next mark or the end" if math.isinf(value) else ""
    )
    return Finding(
        value,
        _drawn_times(found, soak=False),
        reason=reason,
        rests_on=((min(found.doors_s), float(found.time_s[-1])),),
        higher=_lost(group, found),
        notes=(_band(found), f"the spread comes from {SHIFTED} draws"),
    )


_SOURCE = "after ideas of IEC 60068-3-5 and DKD-R 5-7; terms defined here"
_MISSING = (
    "A point without readings, or with gaps, is named and forbids a verdict it could overturn."
)


def _measure(name: str, title: str, unit: Unit, help_: str, function: object) -> Measure:
    return Measure(
        name=name,
        title=title,
        unit=unit,
        help=help_,
        inputs="readings of two or more points of a chamber",
        missing=_MISSING,
        of_group=function,  # type: ignore[arg-type]
        roles=(Role.AIR,),
        source=_SOURCE,
        lowest=0.0,
    )


MEASURES = (
    _measure(
        "uniformity_spread",
        "Spread over the working space",
        Unit.KELVIN,
        "Greatest difference between the points' means over the steady stretch.",
        spread,
    ),
    _measure(
        "uniformity_gradient",
        "Gradient over the working space",
        Unit.KELVIN,
        "Greatest difference between two points at one instant of the steady stretch.",
        gradient,
    ),
    _measure(
        "uniformity_fluctuation",
        "Fluctuation in time",
        Unit.KELVIN,
        "Largest departure of a point from its own mean over the steady stretch.",
        fluctuation,
    ),
    _measure(
        "stabilisation_time",
        "Time to settle",
        Unit.SECOND,
        "Time from load-in until the points' mean, cycling smoothed, stays where it settles.",
        stabilisation,
    ),
    _measure(
        "soak_time",
        "Soak in tolerance",
        Unit.SECOND,
        "Longest unbroken time with every point within tolerance of the setpoint.",
        soak,
    ),
    _measure(
        "overshoot",
        "Overshoot",
        Unit.KELVIN,
        "Highest reading of any point above the setpoint, before a door is opened; 0 if none.",
        overshoot,
    ),
    _measure(
        "recovery_time",
        "Recovery after a door",
        Unit.SECOND,
        "Longest time from a door mark until every point is back in tolerance for a minute.",
        recovery,
    ),
)
