"""Time above or between temperatures, and the longest unbroken stretch of it."""

from __future__ import annotations

import math

import numpy as np

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.declaration import Finding, Measure, Parameter, Values, nothing
from ovenwright.analysis.holes import could_add_time
from ovenwright.analysis.levels import TimeAbove, longest_stretch
from ovenwright.analysis.measures.moments import LEVEL
from ovenwright.analysis.measures.temperatures import UNTIL, curve_of
from ovenwright.analysis.subject import Subject
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.results import Unit

_TABLE = 65  # levels at which the longest stretch is worked out for the draws
_PAIRS = 400  # draws of a window with two ends


def _level_range(level_c: float, drawn: FloatArray) -> tuple[float, float]:
    return min(level_c, float(drawn.min())), max(level_c, float(drawn.max()))


def time_above_draws(curve: Curve, subject: Subject, level_c: float) -> tuple[float, FloatArray]:
    """Return seconds at or above a level and (m,) draws of them."""
    errors = subject.errors
    drawn = errors.reading_at(level_c)
    low, high = _level_range(level_c, drawn)
    blur = 2.0 * errors.noise_k
    above = TimeAbove(curve.focused(low - blur, high + blur))
    value = float(above(np.array([level_c]))[0])
    samples = above(drawn)
    if errors.noise_k > 0:
        spread = _noise_scatter_s(above, level_c, errors.noise_k, subject.interval_s)
        samples = samples + errors.noise("above", f"{level_c:g}") * spread
    if errors.lag_s > 0 and len(curve) > 1:
        # what is cut off at an end of the curve came, or went, earlier than the sensor showed
        ends = float(curve.temp_c[-1] >= level_c) - float(curve.temp_c[0] >= level_c)
        samples = samples + ends * errors.late_s()
    if len(curve) > 1:
        samples = samples + subject.edge_effect(
            curve, float(curve.temp_c[0] >= level_c), float(curve.temp_c[-1] >= level_c)
        )
    return value, np.maximum(samples, 0.0)


def _noise_scatter_s(above: TimeAbove, level_c: float, noise_k: float, interval_s: float) -> float:
    """Return the standard deviation that noise gives a time above a level.

    Near the level the curve spends D seconds a kelvin. A steep curve puts one reading there and
    its moment moves by noise times D; a slow one puts many, each above or below by chance, and
    their count scatters by ``sqrt(dt noise D / sqrt(pi))``, the sum of p (1 - p) along a ramp.
    """
    around = above(np.array([level_c - 2.0 * noise_k, level_c + 2.0 * noise_k]))
    dwell = max(float(around[0] - around[1]), 0.0) / (4.0 * noise_k)
    return min(noise_k * dwell, math.sqrt(interval_s * noise_k * dwell / math.sqrt(math.pi)))


def _region(curve: Curve, low_c: float) -> tuple[tuple[float, float], ...]:
    """Return the stretch from the first to the last reading at or above a level."""
    above = np.flatnonzero(curve.temp_c >= low_c)
    if above.size == 0:
        return ((curve.from_s, curve.to_s),)
    return ((float(curve.time_s[above[0]]), float(curve.time_s[above[-1]])),)


def time_above(subject: Subject, values: Values) -> Finding:
    """Time at or above a level."""
    curve = curve_of(subject, values)
    if len(curve) < 2:
        return nothing("no usable readings between load-in and load-out")
    level = values.number("level_c")
    value, samples = time_above_draws(curve, subject, level)
    return Finding(
        value, samples, rests_on=_region(curve, level), higher=could_add_time(curve, level)
    )


def time_between(subject: Subject, values: Values) -> Finding:
    """Time from one level up to another."""
    curve = curve_of(subject, values)
    if len(curve) < 2:
        return nothing("no usable readings between load-in and load-out")
    low, high = values.number("low_c"), values.number("high_c")
    beyond = float(np.nextafter(high, math.inf))
    above_low, low_draws = time_above_draws(curve, subject, low)
    above_high, high_draws = time_above_draws(curve, subject, beyond)
    return Finding(
        above_low - above_high,
        np.maximum(low_draws - high_draws, 0.0),
        rests_on=_region(curve, low),
        higher=could_add_time(curve, low, high),
    )


def longest_draws(
    curve: Curve, subject: Subject, low_c: float, high_c: float = math.inf
) -> tuple[float, float | None, FloatArray]:
    """Return the longest stretch, its start, and draws of it.

    With one level the stretch is a falling function of the level: it is worked out at 65 levels
    and the draws are read off between them. With two, the first 400 draws are worked out one by
    one.
    """
    errors = subject.errors
    drawn = errors.reading_at(low_c)
    if math.isinf(high_c):
        low, high = _level_range(low_c, drawn)
        near = curve.focused(low, high)
        best = longest_stretch(near, low_c)
        if high - low < 1e-12:
            samples = np.full(errors.count, best.length_s)
        else:
            levels = np.linspace(low, high, _TABLE)
            lengths = np.array([longest_stretch(near, float(x)).length_s for x in levels])
            samples = np.interp(drawn, levels, lengths)
    else:
        ceiling = errors.reading_at(high_c)
        near = curve.focused(_level_range(low_c, drawn)[0], _level_range(high_c, ceiling)[1])
        best = longest_stretch(near, low_c, high_c)
        pairs = zip(drawn[:_PAIRS], ceiling[:_PAIRS], strict=True)
        if errors.silent:
            samples = np.full(errors.count, best.length_s)
        else:
            samples = np.array(
                [longest_stretch(near, float(a), float(b)).length_s for a, b in pairs]
            )
    if errors.lag_s > 0 and best.length_s > 0 and abs(best.to_s - curve.to_s) < 1e-9:
        samples = samples + errors.late_s()[: samples.size]
    if best.length_s > 0:
        touches = [
            float(abs(a - b) < 1e-9)
            for a, b in ((best.from_s, curve.from_s), (best.to_s, curve.to_s))
        ]
        edge = subject.edge_effect(curve, *touches)
        if isinstance(edge, np.ndarray):
            samples = np.maximum(samples + edge[: samples.size], 0.0)
    start = None if math.isnan(best.from_s) else best.from_s
    return best.length_s, start, samples


def longest_above(subject: Subject, values: Values) -> Finding:
    """Longest unbroken stretch at or above a level."""
    curve = curve_of(subject, values)
    if len(curve) < 2:
        return nothing("no usable readings between load-in and load-out")
    level = values.number("level_c")
    value, start, samples = longest_draws(curve, subject, level)
    return Finding(
        value,
        samples,
        at_s=start,
        rests_on=_region(curve, level),
        higher=could_add_time(curve, level),
    )


def cure(subject: Subject, values: Values) -> Finding:
    """Longest unbroken stretch inside a window of temperature."""
    curve = curve_of(subject, values)
    if len(curve) < 2:
        return nothing("no usable readings between load-in and load-out")
    low = values.number("low_c")
    high = values.numbers.get("high_c", math.inf)
    value, start, samples = longest_draws(curve, subject, low, high)
    notes: tuple[str, ...] = ()
    if samples.size < subject.errors.count:
        notes = (f"the spread comes from {samples.size} draws",)
    return Finding(
        value,
        samples,
        at_s=start,
        rests_on=_region(curve, low),
        higher=could_add_time(curve, low, high),
        notes=notes,
    )


def low_below_high(values: Values) -> str:
    """Say what is wrong with a window."""
    low, high = values.number("low_c"), values.numbers.get("high_c", math.inf)
    return "" if low < high else f"low_c {low:g} is not below high_c {high:g}"


LOW = Parameter(name="low_c", unit=Unit.CELSIUS, low=-273.15, help="lower end of the window")
HIGH = Parameter(name="high_c", unit=Unit.CELSIUS, low=-273.15, help="upper end of the window")

_MISSING = (
    "Gaps count nothing, so the time found is a lower bound; an at_least limit that it meets is "
    "met, any other verdict that a gap could overturn is not given."
)
_BREAKS = _MISSING + " A gap breaks a stretch."

MEASURES = (
    Measure(
        name="time_above",
        title="Time at or above a temperature",
        unit=Unit.SECOND,
        help="All the time at or above a level between load-in and load-out, added up.",
        inputs="readings of the channel",
        missing=_MISSING,
        parameters=(LEVEL, UNTIL),
        of_channel=time_above,
        lowest=0.0,
    ),
    Measure(
        name="time_between",
        title="Time between two temperatures",
        unit=Unit.SECOND,
        help="All the time from a lower level up to a higher one, added up.",
        inputs="readings of the channel",
        missing=_MISSING,
        parameters=(LOW, HIGH, UNTIL),
        of_channel=time_between,
        check=low_below_high,
        lowest=0.0,
    ),
    Measure(
        name="longest_above",
        title="Longest stretch at or above a temperature",
        unit=Unit.SECOND,
        help="The longest unbroken stretch at or above a level.",
        inputs="readings of the channel",
        missing=_BREAKS,
        parameters=(LEVEL, UNTIL),
        of_channel=longest_above,
        lowest=0.0,
    ),
    Measure(
        name="cure_time",
        title="Longest stretch inside a cure window",
        unit=Unit.SECOND,
        help=(
            "The longest unbroken stretch with the temperature of the part from the lower to the "
            "upper end of its cure window. The clock runs on the metal, not on the air."
        ),
        inputs="readings of a channel on or in the part",
        missing=_BREAKS,
        parameters=(
            LOW,
            Parameter(
                name="high_c",
                unit=Unit.CELSIUS,
                low=-273.15,
                required=False,
                help="upper end of the window; none when left out",
            ),
            UNTIL,
        ),
        of_channel=cure,
        check=low_below_high,
        lowest=0.0,
        source="common practice, no source: cure data sheets state metal temperature and time",
    ),
)
