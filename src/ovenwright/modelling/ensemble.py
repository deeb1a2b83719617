"""Many bodies at once, each one guess of what the product is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.errors import OutOfRange
from ovenwright.modelling.priors import (
    INDEX,
    KINDS,
    KNOWN_KINDS,
    PARAMETERS,
    SLEEVED_SHARE,
    family_of,
    kind_of,
    sleeved,
)


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Members, each a family and a point in standard normal coordinates.

    ``family`` (m,); ``z`` (parameters, m) in the order of `PARAMETERS`, spread about ``centre`` with
    ``spread`` (both like z; 0 and 1 for the general priors, those of a record narrower);
    ``log_weight`` (m,) what each counts before the data; ``origin`` (m,) the channel of a product record it came from, -1
    where from the general priors; ``departure`` (knots, m) how much faster than the model the
    record saw it heat, as a logarithm, at the knots of `departures.KNOTS`.
    """

    family: IntArray
    z: FloatArray
    centre: FloatArray
    spread: FloatArray
    log_weight: FloatArray
    origin: IntArray
    departure: FloatArray

    @property
    def members(self) -> int:
        """How many members."""
        return int(self.family.size)

    def take(self, pick: IntArray) -> Ensemble:
        """Return some members, each as often as named."""
        return replace(
            self,
            family=self.family[pick],
            z=self.z[:, pick],
            centre=self.centre[:, pick],
            spread=self.spread[:, pick],
            log_weight=self.log_weight[pick],
            origin=self.origin[pick],
            departure=self.departure[:, pick],
        )

    def value(self, name: str) -> FloatArray:
        """Return a parameter of every member, in its own unit."""
        row = self.z[INDEX[name]]
        out = np.empty(self.members)
        kind = kind_of(self.family)
        for i, one in enumerate(KINDS):
            here = kind == i
            if here.any():
                out[here] = one.priors[name].value(row[here])
        return out

    @property
    def moist(self) -> BoolArray:
        """Which members boil."""
        return np.asarray(np.array([k.moist for k in KINDS])[kind_of(self.family)])

    @property
    def sleeved(self) -> BoolArray:
        """Which members have something around them."""
        return sleeved(self.family)


def nudged(ensemble: Ensemble, rng: np.random.Generator) -> Ensemble:
    """Return every member moved a little, so that the priors stay as they are.

    Some coordinates of each move, by a step of its own (Neal 1999; Cotter et al. 2013, Statistical
    Science 28:424): a move is as likely as its way back under the prior, so only the readings decide
    whether it is taken.
    """
    rows, members = ensemble.z.shape
    step = rng.choice(_STEPS, size=members)
    step = np.where(rng.random((rows, members)) < _MOVED, step, 0.0)
    fresh = rng.normal(size=(rows, members)) * ensemble.spread
    away = ensemble.z - ensemble.centre
    z = ensemble.centre + np.sqrt(1.0 - step * step) * away + step * fresh
    return replace(ensemble, z=z)


def crossed(ensemble: Ensemble, group: IntArray, rng: np.random.Generator) -> Ensemble:
    """Return every member moved along the difference of two others of its group.

    What readings leave open lies along narrow valleys (a thicker body that conducts better heats
    alike); the others already lie in them and show the way (differential evolution: ter Braak 2006,
    Statistics and Computing 16:239). A move and its way back are equally likely, so it is to be
    taken by readings and prior together, see `before`.

    Parameters
    ----------
    ensemble : the members
    group : (m,) number of the group of each; members move among their own
    rng : of the draws
    """
    rows, members = ensemble.z.shape
    order = np.argsort(group, kind="stable")
    _, start, count = np.unique(group[order], return_index=True, return_counts=True)
    one, other = np.empty(members, np.intp), np.empty(members, np.intp)
    for first, size in zip(start, count, strict=True):
        mine = order[first : first + size]
        one[mine], other[mine] = (
            mine[rng.integers(0, size, size)],
            mine[rng.integers(0, size, size)],
        )
    apart = ensemble.z[:, one] - ensemble.z[:, other]
    moved = rng.random((rows, members)) < rng.choice(_CROSSED, size=members)
    many = np.maximum(moved.sum(axis=0), 1)
    reach = _REACH / np.sqrt(2.0 * many) * rng.choice(_REACHES, size=members)
    blur = _BLUR * rng.normal(size=(rows, members)) * ensemble.spread
    z = ensemble.z + np.where(moved, reach * apart + blur, 0.0)
    beyond = np.any(np.abs(z) > _FARTHEST, axis=0)
    return replace(ensemble, z=np.where(beyond, ensemble.z, z))


def before(ensemble: Ensemble) -> FloatArray:
    """Return the log density (m,) of members' coordinates before the readings, up to a constant."""
    spread = np.where(ensemble.spread > 0.0, ensemble.spread, 1.0)
    away = (ensemble.z - ensemble.centre) / spread
    return np.asarray(-0.5 * np.sum(away * away, axis=0))


_REACH = 2.38  # the best of one Gaussian to another (ter Braak 2006)
_REACHES = np.array([0.35, 0.7, 1.0])
_CROSSED = np.array([0.3, 0.6, 1.0])  # share of the coordinates that move at once
_BLUR = 0.03
_FARTHEST = 5.0  # prior widths: no body is out there, and its properties might be none
_STEPS = np.array([0.15, 0.35, 0.7])
_MOVED = 0.6  # share of the coordinates that move at once


def joined(parts: list[Ensemble]) -> Ensemble:
    """Return several ensembles as one."""
    return Ensemble(
        family=np.concatenate([p.family for p in parts]),
        z=np.concatenate([p.z for p in parts], axis=1),
        centre=np.concatenate([p.centre for p in parts], axis=1),
        spread=np.concatenate([p.spread for p in parts], axis=1),
        log_weight=np.concatenate([p.log_weight for p in parts]),
        origin=np.concatenate([p.origin for p in parts]),
        departure=np.concatenate([p.departure for p in parts], axis=1),
    )


def draw_prior(
    members: int,
    *,
    seed: int,
    knots: int,
    kinds: str = "any",
    known: Mapping[str, float] | None = None,
    dry_only: bool = False,
    in_sleeve: bool | None = None,
) -> Ensemble:
    """Draw bodies from the general priors, evenly spread.

    Parameters
    ----------
    members : how many
    seed : of the draw
    knots : length of a departure, here 0
    kinds : one of `KNOWN_KINDS`
    known : parameters that are known, by name; a position or size that was measured
    dry_only : leave out what boils
    in_sleeve : whether a tin, can or sleeve stands around the body, where that is known

    Raises
    ------
    OutOfRange : for an unknown kind or parameter, or where nothing is left
    """
    if kinds not in KNOWN_KINDS:
        raise OutOfRange("kind", got=kinds, expected="one of " + ", ".join(KNOWN_KINDS))
    chosen = [
        (i, k)
        for i, k in enumerate(KINDS)
        if k.name in KNOWN_KINDS[kinds] and not (dry_only and k.moist)
    ]
    if not chosen:
        raise OutOfRange(
            "temperature to pass",
            got="above the boiling point",
            expected="below it for a moist body",
            remedy="a core that holds water stays at the boiling point; ask for a lower temperature",
        )
    sampler = qmc.Sobol(len(PARAMETERS) + 1, scramble=True, rng=np.random.default_rng(seed))
    points = np.clip(sampler.random_base2(int(np.ceil(np.log2(members))))[:members], 1e-9, 1 - 1e-9)
    shares = np.array([k.share for _, k in chosen])
    edges = np.cumsum(shares / shares.sum())
    place = np.minimum(np.searchsorted(edges, points[:, 0], side="right"), len(chosen) - 1)
    low = np.concatenate(([0.0], edges[:-1]))[place]
    within = (points[:, 0] - low) / (edges[place] - low)
    kind = np.array([i for i, _ in chosen])[place]
    share = SLEEVED_SHARE if in_sleeve is None else float(in_sleeve)
    family = np.array(
        [family_of(int(k), bool(w < share)) for k, w in zip(kind, within, strict=True)]
    )
    z = np.ascontiguousarray(ndtri(points[:, 1:]).T)
    spread = np.ones_like(z)
    centre = np.zeros_like(z)
    for name, value in (known or {}).items():
        if name not in INDEX:
            raise OutOfRange("known parameter", got=name, expected="one of " + ", ".join(INDEX))
        for i, one in chosen:
            at = one.priors[name].coordinate(value)
            z[INDEX[name], kind == i] = centre[INDEX[name], kind == i] = at
        spread[INDEX[name]] = 0.0
    return Ensemble(
        family=family,
        z=z,
        centre=centre,
        spread=spread,
        log_weight=np.full(members, -np.log(members)),
        origin=np.full(members, -1),
        departure=np.zeros((knots, members)),
    )
