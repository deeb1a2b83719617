"""Maximum, minimum, mean and final temperature."""

from __future__ import annotations

import math

from ovenwright.analysis.averages import mean_draws, mean_of
from ovenwright.analysis.curve import JOIN_INTERVALS, Curve
from ovenwright.analysis.declaration import Finding, Kind, Measure, Parameter, Values, nothing
from ovenwright.analysis.extremes import find_highest, find_lowest
from ovenwright.analysis.holes import could_fall_below, could_rise_above, stretch_words
from ovenwright.analysis.levels import straight_slope
from ovenwright.analysis.subject import Subject
from ovenwright.domain.results import Unit

UNTIL = Parameter(
    name="until",
    kind=Kind.WORD,
    required=False,
    default="load-out",
    choices=("load-out", "end"),
    help="where the time looked at ends: at load-out, or at the end of the record",
)


def curve_of(subject: Subject, values: Values) -> Curve:
    """Return the curve from load-in to where the requirement says."""
    return subject.onward if values.words.get("until") == "end" else subject.process


def maximum(subject: Subject, values: Values) -> Finding:
    """Highest temperature."""
    curve = curve_of(subject, values)
    if len(curve) == 0:
        return nothing("no usable readings between load-in and load-out")
    top = find_highest(curve, subject.errors)
    near = 3.0 * subject.interval_s
    notes = []
    if top.noise_k > 0.1:
        notes.append(
            f"the largest of many noisy readings stands about {top.noise_k:.2f} K high; "
            "the probability allows for it"
        )
    return Finding(
        top.value_c,
        top.draws_c,
        at_s=top.at_s,
        rests_on=((top.at_s - near, top.at_s + near),),
        higher=could_rise_above(curve, top.value_c),
        notes=tuple(notes),
    )


def minimum(subject: Subject, values: Values) -> Finding:
    """Lowest temperature."""
    curve = curve_of(subject, values)
    if len(curve) == 0:
        return nothing("no usable readings between load-in and load-out")
    low = find_lowest(curve, subject.errors)
    near = 3.0 * subject.interval_s
    return Finding(
        low.value_c,
        low.draws_c,
        at_s=low.at_s,
        rests_on=((low.at_s - near, low.at_s + near),),
        lower=could_fall_below(curve, low.value_c),
    )


def mean(subject: Subject, values: Values) -> Finding:
    """Mean over time."""
    curve = curve_of(subject, values)
    if len(curve) < 2 or curve.seen_s <= 0:
        return nothing("no usable readings between load-in and load-out")
    value = mean_of(curve)
    higher = lower = ""
    if curve.holes:
        asked = curve.to_s - curve.from_s
        up = sum((h.high_c - value) * h.length_s for h in curve.holes) / asked
        down = sum((value - h.low_c) * h.length_s for h in curve.holes) / asked
        worst = max(curve.holes, key=lambda h: h.length_s)
        words = f"no usable readings from {stretch_words(worst)}; the mean could be {{:.1f}} K {{}}"
        higher = words.format(up, "higher") if up > 0.05 else ""
        lower = words.format(down, "lower") if down > 0.05 else ""
    return Finding(
        value,
        mean_draws(subject, curve),
        rests_on=((curve.from_s, curve.to_s),),
        higher=higher,
        lower=lower,
    )


def at_end(subject: Subject, values: Values) -> Finding:
    """Temperature at load-out."""
    curve = curve_of(subject, values)
    if len(curve) == 0:
        return nothing("no usable readings between load-in and load-out")
    last = float(curve.time_s[-1])
    if curve.to_s - last > JOIN_INTERVALS * subject.interval_s:
        return nothing(
            f"the last usable reading is {curve.to_s - last:.0f} s before the end",
            rests_on=((last, curve.to_s),),
        )
    value = float(curve.temp_c[-1])
    errors = subject.errors
    draws = errors.true_at(value)
    if errors.noise_k > 0:
        draws = draws + errors.noise("end") * errors.noise_k
    notes: tuple[str, ...] = ()
    slope = _end_slope(subject, last)
    if math.isfinite(slope):
        # a slow sensor shows what was; and the moment itself is known only so well
        draws = draws + slope * errors.late_s()
        if values.words.get("until") != "end":
            scene = subject.scene
            draws = draws + slope * (scene.load_out_draws_s - scene.load_out.at_s)
        moving = abs(slope) * (errors.lag_s + subject.scene.load_out.standard_s)
        if moving > 1.0:
            notes = (
                f"it changes by {60.0 * slope:.1f} K/min there, so load-out and the sensor's lag "
                f"move it by up to {moving:.1f} K",
            )
    return Finding(
        value,
        draws,
        at_s=last,
        rests_on=((last - 3.0 * subject.interval_s, curve.to_s),),
        notes=notes,
    )


def _end_slope(subject: Subject, at_s: float) -> float:
    """Return the slope around a moment, K/s, taken over what lag and noise need."""
    reach = max(subject.errors.lag_s, 5.0 * subject.interval_s)
    around = subject.record.within(at_s - reach, at_s + reach)
    if len(around) < 3 or not around.whole:
        return math.nan
    return straight_slope(around, len(around) // 2, len(around))


MEASURES = (
    Measure(
        name="max_temperature",
        title="Maximum temperature",
        unit=Unit.CELSIUS,
        help="The highest reading between load-in and load-out.",
        inputs="readings of the channel",
        missing="A gap can only hide a higher value: the maximum found is a lower bound.",
        parameters=(UNTIL,),
        of_channel=maximum,
        lowest=-273.15,
    ),
    Measure(
        name="min_temperature",
        title="Minimum temperature",
        unit=Unit.CELSIUS,
        help="The lowest reading between load-in and load-out.",
        inputs="readings of the channel",
        missing="A gap can only hide a lower value: the minimum found is an upper bound.",
        parameters=(UNTIL,),
        of_channel=minimum,
        lowest=-273.15,
    ),
    Measure(
        name="mean_temperature",
        title="Mean temperature",
        unit=Unit.CELSIUS,
        help="The mean over time between load-in and load-out, straight between readings.",
        inputs="readings of the channel",
        missing=(
            "Gaps are left out of the mean; what they could have moved it by is worked out from "
            "the steepest change near them and forbids a verdict above 0.05 K."
        ),
        parameters=(UNTIL,),
        of_channel=mean,
        lowest=-273.15,
    ),
    Measure(
        name="end_temperature",
        title="Temperature at load-out",
        unit=Unit.CELSIUS,
        help="The temperature at load-out, on the straight line between the readings around it.",
        inputs="readings of the channel around load-out",
        missing="Not evaluated when the last usable reading is over 2.5 intervals away.",
        parameters=(UNTIL,),
        of_channel=at_end,
        lowest=-273.15,
    ),
)
