"""Which settings would meet every requirement, and what each choice costs.

A search goes along straight lines through what was asked so far and asks again where it arrives.
Requirements of food safety bind like all others and are never given up for time, energy or change.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.modelling.knobs import Knob, Turns
from ovenwright.modelling.weighing import Adviser, Asked, Choice

_ROUNDS = 8
_FIRST = 2  # rounds before all members are asked, for the lines are poor still
_TRIES = 20_000
_STEP = 0.2  # of a knob's range, to learn what it does
_ENOUGH = 3  # settings that meet everything, of which the best is taken
_SETTLED = 4e-4  # of knobs' ranges, squared: no step to speak of
_WORTH = 0.02  # of the way to a limit, summed: less is no step towards meeting it; our choice


class Aim(StrEnum):
    """What a choice has the least of."""

    TIME = "least time"
    ENERGY = "least energy into the product"
    CHANGE = "least change"


@dataclass(frozen=True, slots=True)
class Advice:
    """Choices, what is now, and what no setting within the limits can mend."""

    knobs: tuple[Knob, ...]
    now: Choice
    choices: tuple[Choice, ...]
    best_try: Choice | None
    beyond: tuple[str, ...]
    not_foretold: tuple[str, ...]


def advise(adviser: Adviser, *, aims: tuple[Aim, ...] = tuple(Aim), seed: int = 1) -> Advice:
    """Look for settings that meet every requirement with the confidence asked for.

    A few members show the way; whether a requirement is met is asked of all of them.

    Parameters
    ----------
    adviser : asks and measures
    aims : what to have the least of, a choice for each
    seed : of the search
    """
    rng = np.random.default_rng(seed)
    base = adviser.ask(adviser.x_now)
    whole = adviser.ask(adviser.x_now, members=None)
    search = _Search(adviser, base, whole, rng)
    now = adviser.choice("as now", whole)
    found: dict[str, Asked] = {}
    for aim in aims:
        best = search.best(aim)
        if best is not None and not any(np.array_equal(best.x, a.x) for a in found.values()):
            found[aim.value] = best
    choices = tuple(adviser.choice(aim, a) for aim, a in found.items())
    if choices:
        return Advice(adviser.knobs, now, choices, None, (), tuple(adviser.not_foretold))
    nearest = max(search.asked, key=lambda a: _least(a, adviser))
    # of settings that are all alike the one that came out best by a hair is no advice
    helps = _least(nearest, adviser) > _least(whole, adviser) + _WORTH
    never = [
        r.name
        for i, r in enumerate(adviser.requirements)
        if max(a.hard(adviser.confidence)[i] for a in search.asked) < 0.0
    ]
    return Advice(
        adviser.knobs,
        now,
        (),
        adviser.choice("nearest to it", nearest) if helps else None,
        tuple(never),
        tuple(adviser.not_foretold),
    )


def _least(asked: Asked, adviser: Adviser) -> float:
    hard = asked.hard(adviser.confidence)
    return float(np.sum(np.minimum(hard, 0.0) / (1.0 + np.abs(hard)))) if hard.size else 0.0


def _cost(adviser: Adviser, aim: Aim, warms: FloatArray) -> Callable[[FloatArray], FloatArray]:
    turns = np.array([k.turns is Turns.BAKE_TIME for k in adviser.knobs], dtype=float)

    def change(x: FloatArray) -> FloatArray:
        return np.asarray(np.sum((x - adviser.x_now) ** 2, axis=-1))

    if aim is Aim.TIME:
        return lambda x: np.asarray(x @ turns + 0.02 * change(x))
    if aim is Aim.ENERGY:
        scale = max(float(np.abs(warms).max()), 1e-9)
        return lambda x: np.asarray(x @ warms / scale + 0.02 * change(x))
    return change


class _Search:
    """Goes along straight lines to where an aim is best with everything met, asks, and mends them.

    What few members and all of them say may differ; that is learnt too.
    """

    def __init__(
        self, adviser: Adviser, base: Asked, whole: Asked, rng: np.random.Generator
    ) -> None:
        self._adviser, self._rng = adviser, rng
        self.asked = [whole]
        """With all members."""
        self._few = [base]
        self._apart = whole.hard(adviser.confidence) - base.hard(adviser.confidence)
        self._slope = np.zeros((len(adviser.requirements), len(adviser.knobs)))
        self._warms = np.zeros(len(adviser.knobs))
        for k in range(len(adviser.knobs)):
            x = base.x.copy()
            x[k] += _STEP if x[k] <= 1.0 - _STEP else -_STEP
            one = adviser.ask(x)
            self._few.append(one)
            moved = x[k] - base.x[k]
            gone = one.hard(adviser.confidence) - base.hard(adviser.confidence)
            self._slope[:, k] = gone / moved
            warmer = np.median(one.told.heat_kj_m2) - np.median(base.told.heat_kj_m2)
            self._warms[k] = float(warmer) / moved

    def best(self, aim: Aim) -> Asked | None:
        """Return the best settings that meet everything, None where none were found."""
        adviser, confidence = self._adviser, self._adviser.confidence
        cost = _cost(adviser, aim, self._warms)
        slope, apart, room = self._slope.copy(), self._apart.copy(), 0.0
        anchor = max(self._few, key=lambda a: _least(a, adviser))
        kept = 0
        for round_ in range(_ROUNDS):
            one = adviser.ask(self._step(anchor, slope, apart, room, cost))
            self._few.append(one)
            step = one.x - anchor.x
            settled = float(step @ step) < _SETTLED
            fits = bool(np.all(one.hard(confidence) + apart >= 0.0))
            if settled or (fits and round_ >= _FIRST) or round_ == _ROUNDS - 1:
                full = adviser.ask(one.x, members=None)
                self.asked.append(full)
                fits = bool(np.all(full.hard(confidence) >= 0.0))
                if fits:
                    kept += 1
                    if settled or kept >= _ENOUGH:
                        break
                apart = full.hard(confidence) - one.hard(confidence)
            if not fits:
                room += 0.02
            if not settled:
                missed = one.hard(confidence) - (anchor.hard(confidence) + slope @ step)
                slope += np.outer(missed, step) / float(step @ step)
                anchor = one
        good = [a for a in self.asked if bool(np.all(a.hard(confidence) >= 0.0))]
        return min(good, key=lambda a: float(cost(a.x))) if good else None

    def _step(
        self,
        anchor: Asked,
        slope: FloatArray,
        apart: FloatArray,
        room: float,
        cost: Callable[[FloatArray], FloatArray],
    ) -> FloatArray:
        """Return where the lines say the aim is best, or least is missed."""
        adviser, rng = self._adviser, self._rng
        wide = rng.random((_TRIES, len(adviser.knobs)))
        kept = rng.random(wide.shape) < rng.random((_TRIES, 1))
        wide = np.where(kept, wide, adviser.x_now)
        near = np.clip(anchor.x + 0.1 * rng.normal(size=wide.shape), 0.0, 1.0)
        tries = np.concatenate([wide, near])
        foreseen = anchor.hard(adviser.confidence) + apart + (tries - anchor.x) @ slope.T
        scale = 1.0 + np.abs(slope).max(axis=1, initial=0.0)
        fits = np.all(foreseen >= room * scale, axis=1)
        if fits.any():
            return np.asarray(tries[fits][int(np.argmin(cost(tries[fits])))])
        short = np.sum(np.minimum(foreseen - room * scale, 0.0) / scale, axis=1)
        return np.asarray(tries[int(np.argmax(short - 1e-3 * cost(tries)))])
