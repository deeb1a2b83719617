"""How an oven and the product in it answer what is turned: as thought before, or as earlier runs told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.errors import OutOfRange

SPILL = (0.0, 0.25)
"""Share of a zone's change that each neighbour feels instead: none where a thermostat holds its own
zone, a quarter where fans carry air along; common practice, no source."""

GAIN_DOUBT = 0.15
"""Standard deviation of how much of a change near the product follows the setpoint, about 1; half of
its square is common to all zones, half each zone's own. Common practice, no source."""

FELT = (0.3, 1.1)
"""How much of a change around it a core answers to, of what the model has it answer: a product also
takes heat from condensing steam and from what it lies on, and boils at one temperature, and one run
cannot tell these from air and walls. Common practice, no source; from several runs it is learnt."""

WANDER_K = 1.5
"""How far surroundings differ from run to run with nothing turned; our choice."""

SPACING_DOUBT = 0.3  # of a gain that a person gave, as a share of it; our choice
_FAR = 0.03  # what a zone feels of zones further off, standard deviation; our choice
_BLEND = 0.08  # of the oven's length over which one zone's air turns into the next one's


@dataclass(frozen=True, slots=True)
class Response:
    """How an oven and the product in it answer what is turned, drawn.

    ``matrix`` (members, zones, zones): what the surroundings in a zone (row) follow of each setpoint
    (column). ``wander_k`` (members,): how far the next run differs with nothing turned. ``felt``
    (members,): the share of a change around it that a core answers to. ``spacing_k`` (members,):
    warmer surroundings that a piece feels with a tenth more room.
    """

    matrix: FloatArray
    wander_k: FloatArray
    felt: FloatArray
    spacing_k: FloatArray

    @property
    def members(self) -> int:
        """How many were drawn."""
        return int(self.wander_k.size)

    def take(self, members: int) -> Response:
        """Return the first members."""
        return Response(
            self.matrix[:members],
            self.wander_k[:members],
            self.felt[:members],
            self.spacing_k[:members],
        )


def plain_response(members: int, zones: int, *, spill: float = 0.125) -> Response:
    """Return the middle of what is thought before anything is learnt, every member alike."""
    matrix = follow(np.ones((members, zones)), np.full(members, spill))
    still = np.zeros(members)
    return Response(matrix, still, np.full(members, sum(FELT) / 2.0), still)


def follow(gain: FloatArray, spill: FloatArray) -> FloatArray:
    """Return (members, zones, zones) from each zone's gain (members, zones) and the spill (members,).

    A neighbour takes its share out of the zone whose setpoint was turned, so that setpoints that are
    all turned alike move everything alike.
    """
    members, zones = gain.shape
    out = np.zeros((members, zones, zones))
    for i in range(zones):
        near = [j for j in (i - 1, i + 1) if 0 <= j < zones]
        out[:, i, i] = 1.0 - len(near) * spill
        for j in near:
            out[:, i, j] = spill
    return out * gain[:, :, None]


def draw_matrix(members: int, zones: int, *, rng: np.random.Generator) -> FloatArray:
    """Draw what surroundings follow of setpoints before anything is learnt: (members, zones, zones)."""
    part = GAIN_DOUBT / np.sqrt(2.0)
    gain = 1.0 + part * rng.normal(size=(members, 1)) + part * rng.normal(size=(members, zones))
    return follow(gain, rng.uniform(*SPILL, members))


def draw_response(
    members: int,
    zones: int,
    *,
    rng: np.random.Generator,
    learnt: Learnt | None = None,
    spacing_gain_k: float = 0.0,
) -> Response:
    """Draw answers to what may be turned: from what earlier runs told, else from the prior.

    Parameters
    ----------
    members : how many
    zones : of the oven
    rng : of the draws
    learnt : of the zones, by `learn`
    spacing_gain_k : warmer surroundings felt with a tenth more room, K, as a person gave it
    """
    matrix = draw_matrix(members, zones, rng=rng) if learnt is None else learnt.draw(members, rng)
    wander_k = WANDER_K if learnt is None else learnt.wander_k
    return Response(
        matrix=matrix,
        wander_k=rng.normal(0.0, wander_k, members),
        felt=rng.uniform(*FELT, members),
        spacing_k=spacing_gain_k * rng.normal(1.0, SPACING_DOUBT, members),
    )


@dataclass(frozen=True, slots=True)
class Lived:
    """What an earlier run tells of its oven: setpoints and means of the surroundings, (zones,) °C."""

    run_id: str
    setpoint_c: FloatArray
    around_c: FloatArray


@dataclass(frozen=True, slots=True)
class Learnt:
    """What earlier runs told of how surroundings follow setpoints.

    ``centre`` (zones, zones) and ``root``, a root of the covariance of its entries row by row,
    (zones², zones²). ``turned`` which zones' setpoints differed between runs, ``told`` those of them
    whose own answer was narrowed to two thirds of its prior or less. ``wander_k`` from run to run.
    """

    centre: FloatArray
    root: FloatArray
    wander_k: float
    runs: int
    turned: tuple[int, ...]
    told: tuple[int, ...]

    def draw(self, members: int, rng: np.random.Generator) -> FloatArray:
        """Draw (members, zones, zones)."""
        flat = self.centre.ravel() + rng.normal(size=(members, self.centre.size)) @ self.root.T
        return np.asarray(flat.reshape(members, *self.centre.shape))

    def sd(self) -> FloatArray:
        """Return the standard deviation of every entry, (zones, zones)."""
        return np.asarray(np.sqrt(np.sum(self.root**2, axis=1)).reshape(self.centre.shape))


_TURNED_K = 2.0  # a setpoint that differed by less tells nothing; our choice
_TOLD = 2.0 / 3.0
_WANDER_SAY = 4.0  # runs' worth that the prior of the wander counts; our choice


def learn(runs: Sequence[Lived]) -> Learnt:
    """Learn how surroundings follow setpoints from runs that were set differently.

    A Bayesian linear regression of each zone's mean surroundings on all setpoints, with an offset of
    each zone's own that nothing is known of, and as prior what is thought without any run: of what the
    runs leave open, that stays. The scatter is found with it, by expectation and maximisation.

    Parameters
    ----------
    runs : two or more, of one oven

    Raises
    ------
    OutOfRange : for fewer than two runs

    Source: Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, ch. 14 (linear regression with an
    informative prior), from memory. Checked in tests/unit/modelling/test_knobs.py against numbers
    worked out by other means.
    """
    if len(runs) < 2:
        raise OutOfRange("runs to learn from", got=len(runs), expected="two or more")
    set_c = np.stack([r.setpoint_c for r in runs])
    around = np.stack([r.around_c for r in runs])
    zones = set_c.shape[1]
    # an offset with a flat prior takes the means out of both sides
    x, y = set_c - set_c.mean(axis=0), around - around.mean(axis=0)
    drawn = draw_matrix(4000, zones, rng=np.random.default_rng(0)).reshape(4000, -1)
    before = np.cov(drawn, rowvar=False).reshape(zones**2, zones**2) + _FAR**2 * np.eye(zones**2)
    middle = drawn.mean(axis=0)
    precise = np.linalg.inv(before)
    gram = np.kron(np.eye(zones), x.T @ x)
    right = (x.T @ y).T.ravel()  # row by row: zone, then setpoint
    free = zones * (len(runs) - 1)
    variance = WANDER_K**2
    for _ in range(50):
        after = np.linalg.inv(precise + gram / variance)
        centre = after @ (precise @ middle + right / variance)
        missed = y - x @ centre.reshape(zones, zones).T
        left = float(np.sum(missed**2)) + float(np.sum(after * gram))
        variance = (_WANDER_SAY * WANDER_K**2 + left) / (_WANDER_SAY + free)
    moved = tuple(int(i) for i in np.flatnonzero(np.ptp(set_c, axis=0) >= _TURNED_K))
    own = np.arange(zones) * (zones + 1)
    narrowed = np.sqrt(np.diag(after)[own] / np.diag(before)[own])
    return Learnt(
        centre=centre.reshape(zones, zones),
        root=np.linalg.cholesky(after),
        wander_k=float(np.sqrt(variance)),
        runs=len(runs),
        turned=moved,
        told=tuple(i for i in moved if narrowed[i] <= _TOLD),
    )


def shift_along(
    share: FloatArray, edges: FloatArray, shift_k: FloatArray, response: Response
) -> FloatArray:
    """Return how much warmer the surroundings get along the oven, (n, members) K.

    Parameters
    ----------
    share : (n,) of the way through, 0 to 1
    edges : (zones + 1,) of the zones, 0 to 1
    shift_k : (zones,) of the setpoints
    response : drawn
    """
    zones = shift_k.size
    felt = (response.matrix @ shift_k).T
    weight = np.zeros((share.size, zones))
    for i in range(zones):
        up = 1.0 if i == 0 else np.clip((share - edges[i]) / _BLEND + 0.5, 0.0, 1.0)
        down = 1.0 if i == zones - 1 else np.clip((edges[i + 1] - share) / _BLEND + 0.5, 0.0, 1.0)
        weight[:, i] = up * down
    weight /= weight.sum(axis=1, keepdims=True)
    return np.asarray(weight @ felt)
