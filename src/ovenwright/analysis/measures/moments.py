"""When a level is passed, from load-in and as a share of the process, and come-up time."""

from __future__ import annotations

import math

import numpy as np

from ovenwright.analysis.declaration import Finding, Measure, Parameter, Values, nothing
from ovenwright.analysis.holes import nearby, stretch_words
from ovenwright.analysis.levels import Passage, find_passage
from ovenwright.analysis.measures.temperatures import UNTIL, curve_of
from ovenwright.analysis.subject import Subject
from ovenwright.domain.results import Unit

LEVEL = Parameter(
    name="level_c", unit=Unit.CELSIUS, low=-273.15, help="the temperature to be reached"
)


def doubts(passage: Passage, subject: Subject) -> tuple[str, str]:
    """Say why the moment could be later or earlier than found; empty where it can't."""
    edge = ""
    if passage.edge and passage.rests_on is not None:
        edge = nearby(subject.onward, (passage.rests_on,), 0.0)
    earlier = edge
    if passage.earlier and not edge:
        earlier = (
            f"a gap in the readings, {stretch_words(passage.earlier[0])}, could hide an earlier "
            "passing"
        )
    return edge, earlier


def time_to(subject: Subject, values: Values) -> Finding:
    """Time from load-in to the first passing of a level."""
    scene = subject.scene
    level = values.number("level_c")
    passage = find_passage(curve_of(subject, values), level, subject.errors, tag="at load-in")
    draws = passage.draws_s - scene.load_in_draws_s
    if passage.already:
        draws = np.where(passage.draws_s <= scene.load_in.at_s, 0.0, draws)
        return Finding(0.0, draws, at_s=scene.load_in.at_s, notes=(passage.reason,))
    if passage.never:
        unsure = (
            f"a gap in the readings, {stretch_words(passage.earlier[0])}, could hide its passing"
            if passage.earlier
            else ""
        )
        return Finding(math.inf, draws, reason=passage.reason, lower=unsure)
    if math.isnan(passage.at_s):
        return nothing(passage.reason, rests_on=_rests(passage))
    higher, lower = doubts(passage, subject)
    return Finding(
        passage.at_s - scene.load_in.at_s,
        draws,
        at_s=passage.at_s,
        rests_on=_rests(passage),
        higher=higher,
        lower=lower,
        notes=_lag_note(subject, passage),
    )


def _rests(passage: Passage) -> tuple[tuple[float, float], ...]:
    return () if passage.rests_on is None else (passage.rests_on,)


def _lag_note(subject: Subject, passage: Passage) -> tuple[str, ...]:
    lag = subject.errors.lag_s
    if lag <= 0:
        return ()
    return (
        f"the sensor's time constant of {lag:g} s means the change itself came up to {lag:g} s "
        f"earlier (up to {abs(passage.rate_k_s) * lag:.1f} K at this rate)",
    )


def share_to(subject: Subject, values: Values) -> Finding:
    """Time to a level as a share of the time from load-in to load-out."""
    scene = subject.scene
    found = time_to(subject, values)
    if math.isnan(found.value):
        return found
    if scene.process_s <= 0:
        return nothing("load-out is not after load-in")
    length = scene.load_out_draws_s - scene.load_in_draws_s
    return Finding(
        found.value / scene.process_s,
        found.samples / length,
        at_s=found.at_s,
        reason=found.reason,
        rests_on=found.rests_on,
        higher=found.higher,
        lower=found.lower,
        notes=found.notes,
    )


def come_up(subject: Subject, values: Values) -> Finding:
    """Time between the first passings of two levels."""
    low, high = values.number("from_c"), values.number("to_c")
    curve = curve_of(subject, values)
    first = find_passage(curve, low, subject.errors, tag="at load-in")
    second = find_passage(curve, high, subject.errors, tag="at load-in")
    if math.isnan(first.at_s):
        return nothing(first.reason, rests_on=_rests(first))
    if second.never:
        return Finding(math.inf, second.draws_s - first.draws_s, reason=second.reason)
    if math.isnan(second.at_s):
        return nothing(second.reason, rests_on=_rests(second))
    late, early = doubts(first, subject), doubts(second, subject)
    return Finding(
        second.at_s - first.at_s,
        second.draws_s - first.draws_s,
        at_s=second.at_s,
        rests_on=_rests(first) + _rests(second),
        higher=late[1] or early[0],
        lower=late[0] or early[1],
    )


def from_below_to(values: Values) -> str:
    """Say what is wrong with two levels that must rise."""
    low, high = values.number("from_c"), values.number("to_c")
    return "" if low < high else f"from_c {low:g} is not below to_c {high:g}"


FROM = Parameter(name="from_c", unit=Unit.CELSIUS, low=-273.15, help="where the clock starts")
TO = Parameter(name="to_c", unit=Unit.CELSIUS, low=-273.15, help="where the clock stops")

_MISSING = (
    "A passing inside a gap is not made up: the measure is then not evaluated and the gap is "
    "named. A gap at the passing, or an earlier one that could hide it, forbids a verdict that "
    "it could overturn."
)

MEASURES = (
    Measure(
        name="time_to",
        title="Time to a temperature",
        unit=Unit.SECOND,
        help=(
            "Time from load-in to the first passing of a level. Infinite when the level is never "
            "reached before load-out, 0 when the channel is above it at load-in."
        ),
        inputs="readings of the channel, load-in",
        missing=_MISSING,
        parameters=(LEVEL, UNTIL),
        of_channel=time_to,
        lowest=0.0,
    ),
    Measure(
        name="share_to",
        title="Share of the process until a temperature",
        unit=Unit.ONE,
        help="Time to the first passing of a level, over the time from load-in to load-out.",
        inputs="readings of the channel, load-in, load-out",
        missing=_MISSING,
        parameters=(LEVEL, UNTIL),
        of_channel=share_to,
        lowest=0.0,
    ),
    Measure(
        name="come_up_time",
        title="Come-up time",
        unit=Unit.SECOND,
        help="Time between the first passing of a lower and of a higher level.",
        inputs="readings of the channel",
        missing=_MISSING,
        parameters=(FROM, TO, UNTIL),
        of_channel=come_up,
        check=from_below_to,
        lowest=0.0,
    ),
)
