"""Effects that add up over time: lethal work, extent of a reaction, and their draws.

The readings' own sum is integrated exactly between samples by the physics. For the draws the
work is gathered by temperature, a few dozen bins each at its own centre of weight, and each bin
is scaled by what the drawn error does to the rate there. The error of that is of second order in
(slope of the error times bin width), below 1e-5 of the total.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ovenwright.analysis.curve import Curve, gather
from ovenwright.analysis.draws import ChannelErrors
from ovenwright.domain.arrays import FloatArray
from ovenwright.physics.lethality import (
    GAS_CONSTANT_J_MOL_K,
    ZERO_CELSIUS_K,
    arrhenius_rate,
    equivalent_time,
    rate,
)

LN10 = math.log(10.0)
_GAUSS = (
    (0.5 - math.sqrt(0.15), 5.0 / 18.0),
    (0.5, 8.0 / 18.0),
    (0.5 + math.sqrt(0.15), 5.0 / 18.0),
)
_MATTERS = 1e-3  # share of the total below which a hole's possible work is let be


@dataclass(frozen=True, slots=True)
class Bigelow:
    """A rate that grows tenfold every ``z_k``, one at ``reference_c``."""

    reference_c: float
    z_k: float

    def steps(self, curve: Curve) -> FloatArray:
        """Return (n - 1,) seconds at the reference temperature earned in each step."""
        total = equivalent_time(
            curve.time_s, curve.temp_c, reference_c=self.reference_c, z_k=self.z_k
        )
        return np.diff(total)

    def rate_at(self, temp_c: float) -> float:
        """Return the rate at one temperature."""
        return float(rate(np.asarray(temp_c), reference_c=self.reference_c, z_k=self.z_k))

    def growth(self, _temp_c: FloatArray, shift_k: FloatArray) -> FloatArray:
        """Return (m, b): what a shift (m, b) multiplies the rate at (b,) by."""
        return np.exp((LN10 / self.z_k) * shift_k)

    def tenfold_k(self, _temp_c: float) -> float:
        """Return the rise that makes the rate ten times faster."""
        return self.z_k


@dataclass(frozen=True, slots=True)
class Arrhenius:
    """A first-order rate constant with an activation energy, per second."""

    k0_per_s: float
    activation_j_mol: float

    def _rate(self, temp_c: FloatArray) -> FloatArray:
        return arrhenius_rate(
            temp_c, k0_per_s=self.k0_per_s, activation_j_mol=self.activation_j_mol
        )

    def steps(self, curve: Curve) -> FloatArray:
        """Return (n - 1,) integral of the rate constant over each step, by three Gauss points."""
        first, rise = curve.temp_c[:-1], np.diff(curve.temp_c)
        mean = np.zeros_like(rise)
        for place, weight in _GAUSS:
            mean += weight * self._rate(first + place * rise)
        return np.asarray(mean * np.diff(curve.time_s))

    def rate_at(self, temp_c: float) -> float:
        """Return the rate constant at one temperature."""
        return float(self._rate(np.asarray(temp_c)))

    def growth(self, temp_c: FloatArray, shift_k: FloatArray) -> FloatArray:
        """Return (m, b): what a shift (m, b) multiplies the rate at (b,) by."""
        kelvin = temp_c + ZERO_CELSIUS_K
        energy = self.activation_j_mol / GAS_CONSTANT_J_MOL_K
        return np.exp(energy * shift_k / (kelvin * (kelvin + shift_k)))

    def tenfold_k(self, temp_c: float) -> float:
        """Return the rise that makes the rate ten times faster, near one temperature."""
        kelvin = temp_c + ZERO_CELSIUS_K
        return LN10 * GAS_CONSTANT_J_MOL_K * kelvin**2 / self.activation_j_mol


Rate = Bigelow | Arrhenius


@dataclass(frozen=True, slots=True)
class Work:
    """What a rate adds up to over a curve.

    ``total`` is from the readings, ``draws`` (m,) with the budget's errors. ``rests_on`` is the
    stretch that earns all but a thousandth of it. ``hidden`` is the most that holes could add,
    and ``beyond(t)`` shares can be asked of the bins.
    """

    total: float
    draws: FloatArray
    running: FloatArray
    bins_c: FloatArray
    bins: FloatArray
    rests_on: tuple[float, float] | None
    hidden: float

    def share_above(self, temp_c: float) -> float:
        """Return the share of the total that was earned above a temperature."""
        whole = float(self.bins.sum())
        return float(self.bins[self.bins_c > temp_c].sum()) / whole if whole > 0 else 0.0

    @property
    def hidden_matters(self) -> bool:
        """Whether the holes could add more than a thousandth."""
        return self.hidden > _MATTERS * self.total


def add_up(curve: Curve, law: Rate, errors: ChannelErrors) -> Work:
    """Add a rate up over a curve, holes counting nothing, with its draws."""
    if len(curve) < 2:
        return Work(
            0.0,
            np.zeros(errors.count),
            np.zeros(len(curve)),
            np.zeros(0),
            np.zeros(0),
            None,
            _hidden(curve, law),
        )
    running = running_total(curve, law)
    total = float(running[-1])
    tenfold = law.tenfold_k(float(curve.temp_c[curve.top]))
    at_c, gained = curve.thinned(running)
    bins_c, bins = gather(at_c, gained, width_k=min(0.4 * tenfold, 4.0))
    draws = np.full(errors.count, total)
    if not errors.silent and bins.size:
        draws = law.growth(bins_c, errors.shift_k(bins_c)) @ bins
    if errors.noise_k > 0 and total > 0:
        # independent readings: each gives its own step's share of the work
        alike = float((gained * gained).sum()) / max(len(curve) / gained.size, 1.0)
        spread = math.sqrt(alike) * LN10 / tenfold * errors.noise_k
        draws = np.maximum(draws + errors.noise("work", repr(law)) * spread, 0.0)
    return Work(
        total, draws, running, bins_c, bins, _earning(curve, running, total), _hidden(curve, law)
    )


def running_total(curve: Curve, law: Rate) -> FloatArray:
    """Return (n,) what a rate has added up to so far, holes counting nothing; made once."""
    known = curve.kept.get(law)
    if known is None:
        steps = law.steps(curve)
        if not curve.whole:
            steps = np.where(curve.joined, steps, 0.0)
        known = curve.kept[law] = np.concatenate(([0.0], np.cumsum(steps)))
        known.setflags(write=False)
    return known


def _earning(curve: Curve, running: FloatArray, total: float) -> tuple[float, float] | None:
    if total <= 0:
        return None
    a = int(np.searchsorted(running, 0.5 * _MATTERS * total, side="right")) - 1
    b = int(np.searchsorted(running, (1.0 - 0.5 * _MATTERS) * total, side="left"))
    return float(curve.time_s[max(a, 0)]), float(curve.time_s[min(b, len(curve) - 1)])


def _hidden(curve: Curve, law: Rate) -> float:
    """Most that the holes could add: all of each at the hottest it could have been."""
    most = 0.0
    for hole in curve.holes:
        if hole.high_c == math.inf:
            return math.inf
        most += law.rate_at(hole.high_c) * hole.length_s
    return most
