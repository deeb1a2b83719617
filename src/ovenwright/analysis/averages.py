"""Means over time, straight between readings, and their draws."""

from __future__ import annotations

import numpy as np

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.subject import Subject
from ovenwright.domain.arrays import FloatArray


def mean_of(curve: Curve) -> float:
    """Return the mean over the time that readings cover, straight between them."""
    middle = 0.5 * (curve.temp_c[1:] + curve.temp_c[:-1])
    return float((middle * curve.step_s).sum() / curve.seen_s)


def mean_draws(subject: Subject, curve: Curve) -> FloatArray:
    """Return (m,) draws of the mean of a curve."""
    errors = subject.errors
    at_c, share = curve.binned
    mean = mean_of(curve)
    draws = mean + errors.mean_shift_k(at_c, share)
    draws = draws + subject.edge_effect(
        curve,
        (float(curve.temp_c[0]) - mean) / curve.seen_s,
        (float(curve.temp_c[-1]) - mean) / curve.seen_s,
    )
    if errors.noise_k > 0:
        left = errors.noise_k / np.sqrt(len(curve))
        draws = draws + errors.noise("mean", repr((curve.from_s, curve.to_s))) * left
    return np.asarray(draws, dtype=np.float64)
