"""Period and amplitude of on-off cycling."""

from __future__ import annotations

import numpy as np

from ovenwright.analysis.cycling import cycling_of
from ovenwright.analysis.declaration import Finding, Measure, Values, nothing
from ovenwright.analysis.subject import Subject
from ovenwright.domain.results import Cycling, Unit
from ovenwright.domain.run import Role

_STILL = "it does not swing regularly over the later two thirds of the process"


def _seen(subject: Subject) -> Cycling | None:
    return cycling_of(subject)


def period(subject: Subject, _values: Values) -> Finding:
    """Mean time of one swing."""
    seen = _seen(subject)
    if seen is None:
        return nothing(_STILL)
    run = seen.cycles * seen.period_s
    doubt = subject.interval_s / np.sqrt(6.0) / seen.cycles
    samples = seen.period_s + subject.errors.noise("period") * doubt
    curve = subject.process
    notes = (f"{seen.cycles} swings in {run:.0f} s",)
    return Finding(seen.period_s, samples, rests_on=((curve.to_s - run, curve.to_s),), notes=notes)


def amplitude(subject: Subject, _values: Values) -> Finding:
    """Half the mean difference between highs and lows."""
    seen = _seen(subject)
    if seen is None:
        return nothing(_STILL)
    curve = subject.process
    errors = subject.errors
    middle = float(np.median(curve.temp_c))
    ends = np.array([middle - seen.amplitude_k, middle + seen.amplitude_k])
    shift = errors.shift_k(ends)
    samples = seen.amplitude_k + 0.5 * (shift[:, 1] - shift[:, 0])
    if errors.noise_k > 0:
        left = errors.noise_k / np.sqrt(2.0 * seen.cycles)
        samples = samples + errors.noise("amplitude") * left
    run = seen.cycles * seen.period_s
    notes = (f"{seen.cycles} swings; a sensor slower than a tenth of the period shows too little",)
    return Finding(
        seen.amplitude_k,
        np.maximum(samples, 0.0),
        rests_on=((curve.to_s - run, curve.to_s),),
        notes=notes,
    )


_HELP = "Looked for over the later two thirds of the process; at least four regular swings."

MEASURES = (
    Measure(
        name="cycling_period",
        title="Period of on-off cycling",
        unit=Unit.SECOND,
        help="Mean time from one rising swing to the next. " + _HELP,
        inputs="readings of an air or wall channel at a fixed place",
        missing="Not evaluated where the readings do not swing regularly.",
        of_channel=period,
        roles=(Role.AIR, Role.WALL),
        source="common practice, no source",
        lowest=0.0,
    ),
    Measure(
        name="cycling_amplitude",
        title="Amplitude of on-off cycling",
        unit=Unit.KELVIN,
        help="Half the mean difference between the highs and the lows. " + _HELP,
        inputs="readings of an air or wall channel at a fixed place",
        missing="Not evaluated where the readings do not swing regularly.",
        of_channel=amplitude,
        roles=(Role.AIR, Role.WALL),
        source="common practice, no source",
        lowest=0.0,
    ),
)
