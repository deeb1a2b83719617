"""How strongly cores answer a change around them, learnt by foretelling other runs from this one.

One run cannot tell how much of its heating came from air and walls and how much from condensing
steam or from what the product lies on. Another run of the product in other surroundings can: it is
foretold from this one with its own surroundings, and the share with which its cores came when they
did is the likely one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.modelling.foretelling import Foreteller
from ovenwright.modelling.responding import FELT

PIECE_TIME = 0.03
"""How far pieces of one batch, sensors in them included, differ in time, before their scatter is
looked at; our choice."""

_DAY_TIME = 0.01  # how far whole runs differ otherwise: dough, proof; our choice
_PIECE_SAY = 3.0  # pieces' worth that the scatter thought before counts; our choice

_MEMBERS = 20
_GRID = np.linspace(FELT[0], FELT[1], 7)
_FINE = np.linspace(FELT[0], FELT[1], 321)
_LEVELS = np.arange(35.0, 96.0, 5.0)
_RISEN_K = 15.0  # above the start a core's readings tell the time
_LEAST = 0.02  # of its time that other surroundings must have moved a core to tell anything


@dataclass(frozen=True, slots=True)
class OtherRun:
    """Another run of the product, along its own way: surroundings and cores by channel, (n,) °C."""

    run_id: str
    bake_s: float
    around_c: Mapping[str, FloatArray]
    core_c: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True)
class Answered:
    """What other runs told: ``share`` (n,) of each value of ``felt`` (n,), and from which runs."""

    felt: FloatArray
    share: FloatArray
    runs: tuple[str, ...]

    def draw(self, members: int, rng: np.random.Generator) -> FloatArray:
        """Draw (members,), spread evenly, in no order."""
        points = (np.arange(members) + rng.random(members)) / members
        drawn = np.interp(points, np.cumsum(self.share), self.felt)
        return np.asarray(rng.permutation(drawn))

    def interval(self) -> tuple[float, float, float]:
        """Return the 5, 50 and 95 % quantiles."""
        low, middle, high = np.interp([0.05, 0.5, 0.95], np.cumsum(self.share), self.felt)
        return float(low), float(middle), float(high)


def learn_answer(foreteller: Foreteller, others: Sequence[OtherRun]) -> Answered | None:
    """Learn how strongly cores answer a change around them; None where no run can tell.

    Each run gives one number, by how much its cores were sooner or later than foretold, as a mean
    over levels and channels of the logarithm of time. Errors of this run's own pieces are common to
    all of them.

    Parameters
    ----------
    foreteller : of this run
    others : of the product in this oven; channels this run has no core of are left out
    """
    few = foreteller.first(min(_MEMBERS, foreteller.response.members))
    rows, counts, names, scatter, free = [], [], [], 0.0, 0
    for other in others:
        late = np.array(
            [
                np.mean(levels, axis=0)
                for i, place in enumerate(few.bake.cores)
                if place.channel in other.core_c
                for levels in [_late(few, i, other)]
                if levels
            ]
        )
        if not late.size:
            continue
        row = late.mean(axis=0)
        scatter += float(np.sum(np.mean((late - row) ** 2, axis=1)))
        free += len(late) - 1
        if abs(row[-1] - row[0]) >= _LEAST * (FELT[1] - FELT[0]):
            rows.append(row)
            counts.append(len(late))
            names.append(other.run_id)
    if not rows:
        return None
    # what cores of one run differ by holds a piece of either run
    piece = (_PIECE_SAY * PIECE_TIME**2 + 0.5 * scatter) / (_PIECE_SAY + free)
    apart = np.stack([np.interp(_FINE, _GRID, row) for row in rows])
    cov = np.diag(piece / np.array(counts) + _DAY_TIME**2)
    cov = cov + piece / len(few.bake.cores) + _DAY_TIME**2  # this run's own, in all of them
    log = -0.5 * np.einsum("rg,rs,sg->g", apart, np.linalg.inv(cov), apart)
    share = np.exp(log - log.max())
    return Answered(_FINE, share / share.sum(), tuple(names))


def _late(foreteller: Foreteller, core: int, other: OtherRun) -> list[FloatArray]:
    """Return, a row a level, the logarithm of time foretold over time seen for each value of the grid."""
    bake, place = foreteller.bake, foreteller.bake.cores[core]
    seen = np.maximum.accumulate(other.core_c[place.channel])
    change = other.around_c[place.channel] - place.felt_c
    courses = foreteller.as_around(
        core,
        [place.felt_c + g * change for g in _GRID],
        other.bake_s,
        start_k=float(seen[0] - place.start_c),
    )
    told = [np.maximum.accumulate(np.median(c, axis=1)) for c in courses]
    rows = []
    for level in _LEVELS:
        if not seen[0] + _RISEN_K < level < min(seen[-1], *(t[-1] for t in told)):
            continue
        at = np.interp(level, seen, bake.share)
        rows.append(np.log([np.interp(level, t, bake.share) / at for t in told]))
    return rows
