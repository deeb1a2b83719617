"""Heating and cooling rates: between two temperatures, and the steepest."""

from __future__ import annotations

import math

import numpy as np

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.declaration import Finding, Measure, Parameter, Values, nothing
from ovenwright.analysis.extremes import slopes
from ovenwright.analysis.holes import stretch_words
from ovenwright.analysis.levels import find_passage
from ovenwright.analysis.measures.moments import FROM, TO, doubts, from_below_to
from ovenwright.analysis.measures.temperatures import UNTIL, curve_of
from ovenwright.analysis.subject import Subject
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.results import Unit

_MINUTE = 60.0


def _between(subject: Subject, curve: Curve, start_c: float, end_c: float, word: str) -> Finding:
    falling = end_c < start_c
    first = find_passage(curve, start_c, subject.errors, falling=falling, tag=word)
    second = find_passage(curve, end_c, subject.errors, falling=falling, tag=word)
    for passage in (first, second):
        if math.isnan(passage.at_s):
            rests = () if passage.rests_on is None else (passage.rests_on,)
            return nothing(passage.reason, rests_on=rests)
    run = second.at_s - first.at_s
    if run <= 0:
        return nothing("both levels are passed in the same moment")
    drawn = second.draws_s - first.draws_s
    rise = abs(end_c - start_c) * _MINUTE
    shortest = subject.interval_s / 100.0
    samples = np.where(np.isfinite(drawn), rise / np.maximum(drawn, shortest), 0.0)
    late, early = doubts(first, subject), doubts(second, subject)
    doubt = late[0] or late[1] or early[0] or early[1]
    rests_on = tuple(p.rests_on for p in (first, second) if p.rests_on is not None)
    return Finding(
        rise / run, samples, at_s=first.at_s, rests_on=rests_on, higher=doubt, lower=doubt
    )


def heating(subject: Subject, values: Values) -> Finding:
    """Mean heating rate between the first passings of two levels."""
    return _between(
        subject,
        curve_of(subject, values),
        values.number("from_c"),
        values.number("to_c"),
        "at load-in",
    )


def cooling(subject: Subject, values: Values) -> Finding:
    """Mean cooling rate between two levels after the maximum; a fall is given as positive."""
    curve = subject.onward
    if len(curve) == 0:
        return nothing("no usable readings after load-in")
    down = curve.after(float(curve.time_s[curve.top]))
    return _between(subject, down, values.number("from_c"), values.number("to_c"), "at the maximum")


def from_above_to(values: Values) -> str:
    """Say what is wrong with two levels that must fall."""
    high, low = values.number("from_c"), values.number("to_c")
    return "" if low < high else f"from_c {high:g} is not above to_c {low:g}"


def _steepest(subject: Subject, values: Values, sign: float) -> Finding:
    curve = curve_of(subject, values) if sign > 0 else subject.onward
    over = values.number("over_s")
    half = max(round(0.5 * over / subject.interval_s), 2)
    if len(curve) < 2 * half + 1:
        return nothing(f"fewer readings than a window of {over:g} s needs")
    slope = sign * slopes(curve, half)
    if not np.isfinite(slope).any():
        return nothing("every window has a gap in it")
    best = int(np.nanargmax(slope))
    at = float(curve.time_s[best])
    reach = half * subject.interval_s
    samples = _slope_draws(subject, curve, best, half, float(slope[best]))
    blind = [h for h in curve.holes if h.length_s > 0]
    doubt = (
        f"no usable readings from {stretch_words(blind[0])}, which could hide a steeper stretch"
        if blind
        else ""
    )
    return Finding(
        float(slope[best]) * _MINUTE,
        samples * _MINUTE,
        at_s=at,
        rests_on=((at - reach, at + reach),),
        higher=doubt,
    )


def _slope_draws(
    subject: Subject, curve: Curve, best: int, half: int, slope_k_s: float
) -> FloatArray:
    """Draws (m,) of a slope: the error's own slope with temperature, and what noise leaves."""
    errors = subject.errors
    a, b = max(best - half, 0), min(best + half, len(curve) - 1)
    ends = curve.temp_c[[a, b]]
    rise = float(ends[1] - ends[0])
    shift = errors.shift_k(ends)
    gain = (shift[:, 1] - shift[:, 0]) / rise if abs(rise) > 1e-9 else 0.0
    draws = slope_k_s * (1.0 + np.asarray(gain)) * np.ones(errors.count)
    if errors.noise_k > 0:
        run = (half + 1) * subject.interval_s
        draws = draws + errors.noise("steepest") * errors.noise_k * math.sqrt(2.0 / half) / run
    return np.asarray(draws, dtype=np.float64)


def steepest_heating(subject: Subject, values: Values) -> Finding:
    """Steepest heating over a window."""
    return _steepest(subject, values, 1.0)


def steepest_cooling(subject: Subject, values: Values) -> Finding:
    """Steepest cooling over a window, up to the end of the record; a fall is positive."""
    return _steepest(subject, values, -1.0)


_OVER = Parameter(
    name="over_s",
    unit=Unit.SECOND,
    low=0.0,
    above_low=True,
    required=False,
    default=30.0,
    help="length of the window a rate is taken over; at least five readings are always used",
)
_MISSING = "Not evaluated when a level is passed inside a gap; a gap next to it forbids a verdict."
_WINDOW = "Windows that a gap reaches into are left out; the steepest found is then a lower bound."

MEASURES = (
    Measure(
        name="heating_rate",
        title="Heating rate between two temperatures",
        unit=Unit.KELVIN_PER_MINUTE,
        help="The rise from one level to a higher one over the time between their first passings.",
        inputs="readings of the channel",
        missing=_MISSING,
        parameters=(FROM, TO, UNTIL),
        of_channel=heating,
        check=from_below_to,
    ),
    Measure(
        name="cooling_rate",
        title="Cooling rate between two temperatures",
        unit=Unit.KELVIN_PER_MINUTE,
        help=(
            "The fall from one level to a lower one after the maximum, over the time it takes, up "
            "to the end of the record. A fall is a positive number."
        ),
        inputs="readings of the channel, after load-out too",
        missing=_MISSING,
        parameters=(FROM, TO),
        of_channel=cooling,
        check=from_above_to,
    ),
    Measure(
        name="max_heating_rate",
        title="Steepest heating",
        unit=Unit.KELVIN_PER_MINUTE,
        help=(
            "The largest rate between load-in and load-out, taken over a window: mean of the "
            "readings after minus mean of those before, so that no single reading decides."
        ),
        inputs="readings of the channel",
        missing=_WINDOW,
        parameters=(_OVER, UNTIL),
        of_channel=steepest_heating,
    ),
    Measure(
        name="max_cooling_rate",
        title="Steepest cooling",
        unit=Unit.KELVIN_PER_MINUTE,
        help="The largest rate of fall from load-in to the end of the record, over a window.",
        inputs="readings of the channel, after load-out too",
        missing=_WINDOW,
        parameters=(_OVER,),
        of_channel=steepest_cooling,
    ),
)
