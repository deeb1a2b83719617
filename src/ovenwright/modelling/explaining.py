"""What held one place back against another: one factor at a time, in seconds.

Two places of one run are fitted as a pair: each body at the slower place has a body at the other
that is the same product, moved a little. Then the slower one is marched again with one factor taken
from the other. Factors taken one at a time need not add up to the whole; what is left is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.errors import TooLittleData
from ovenwright.modelling.ensemble import Ensemble
from ovenwright.modelling.fitting import Fit, fit, past_surroundings
from ovenwright.modelling.forecasting import crossed
from ovenwright.modelling.heating import Heating, start_of
from ovenwright.modelling.priors import INDEX, PARAMETERS
from ovenwright.modelling.simulating import Simulation

PIECE_SPREAD = 0.1
"""How far one piece differs from the next of its batch, in prior widths; our choice."""

PLACE_SPREAD = 0.7
"""How far exchange and the sensor's place differ from place to place, likewise."""

_STEPS = 90
_LONGER = 2.5  # a changed body is followed so many times as long as the slower place took
_QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)

FACTORS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    (
        "exchange",
        "surface exchange: air moving past it, radiation it does not see, contact",
        ("coefficient_w_m2_k", "emissivity", "unseen_share", "gap_w_m2_k", "gap_emissivity"),
    ),
    ("size", "size and shape of the piece", ("half_size_m", "shape")),
    ("sensor place", "how deep the sensor sits", ("position",)),
)
"""Factors of a body, with the parameters that go with each."""


@dataclass(frozen=True, slots=True)
class Held:
    """What one factor cost the slower place.

    ``median_s`` and intervals: how much sooner it would have passed with the other place's factor;
    below 0 where it would have been later. ``never`` share of bodies that would not have passed.
    """

    factor: str
    words: str
    median_s: float
    interval_50: tuple[float, float]
    interval_90: tuple[float, float]
    never: float = 0.0

    @property
    def clear(self) -> bool:
        """Whether the interval leaves no doubt of its direction."""
        return self.interval_90[0] > 0.0 or self.interval_90[1] < 0.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """A zone, or a part of the heating, at both places.

    ``around_k`` how much cooler the surroundings of the slower place were on average, ``gap_k`` how
    far its core was behind at the end of it; heat in kJ per m² of the piece's face, (low, median,
    high) of 90 %, for the slower and the other place.
    """

    name: str
    from_s: float
    to_s: float
    around_k: float
    gap_k: float
    slow_kj_m2: tuple[float, float, float]
    other_kj_m2: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Explained:
    """Why one place passed a temperature later than another; times since heating began."""

    slow: str
    other: str
    temp_c: float
    slow_s: float
    other_s: float
    held: tuple[Held, ...]
    rest: Held
    stretches: tuple[Stretch, ...]
    part_at: str

    @property
    def late_s(self) -> float:
        """How much later the slower place was, as the readings say."""
        return self.slow_s - self.other_s


class Metered(Simulation):
    """A simulation that tells the heat each member took up."""

    def heat_j_m2(self) -> FloatArray:
        """Return heat through the faces so far, (members,) J per m² of outer face."""
        out = np.zeros(self.ensemble.members)
        for group in self._groups:
            if group.state is not None:
                t = group.state.totals
                out[group.pick] = t.convected + t.radiated + t.under
        return out


@dataclass(frozen=True, slots=True)
class Pair:
    """Two places fitted together; row i of one goes with row i of the other."""

    slow: Heating
    other: Heating
    slow_cast: Ensemble
    other_cast: Ensemble


def pair_up(slow: Fit, other: Heating, *, seed: int = 1) -> Pair:
    """Fit another place with the bodies of the slower one as its prior.

    Parameters
    ----------
    slow : fit of the slower place, of one channel
    other : the other place, of one core
    seed : of the draws

    Raises
    ------
    TooLittleData : if either can't be fitted
    """
    name = slow.heating.cores[0].name
    if name not in slow.channels:
        raise TooLittleData(
            f"{name} can't be fitted: {slow.refused[name]}", where=slow.heating.run_id
        )
    cast = slow.channels[name].ensemble
    rng = np.random.default_rng(seed)
    pick = np.repeat(np.arange(cast.members), 4)
    centre = cast.z[:, pick]
    spread = np.array([PLACE_SPREAD if p.own else PIECE_SPREAD for p in PARAMETERS])[:, None]
    spread = np.where(cast.spread[:, pick] > 0.0, spread, 0.0)  # what was measured stays
    moved = replace(
        cast.take(pick),
        z=centre + spread * rng.normal(size=centre.shape),
        centre=centre,
        spread=spread,
        log_weight=np.full(pick.size, -np.log(pick.size)),
        origin=pick,
    )
    fitted = fit(other, moved, cast=cast.members, seed=seed, all_channels=True)
    theirs = other.cores[0].name
    if theirs not in fitted.channels:
        raise TooLittleData(
            f"{theirs} can't be fitted: {fitted.refused[theirs]}", where=other.run_id
        )
    found = fitted.channels[theirs].ensemble
    return Pair(slow.heating, other, cast.take(found.origin), found)


def passed_s(heating: Heating, temp_c: float) -> float | None:
    """Return when the core of a place passed a temperature, since heating began; None if it never did."""
    at = crossed(heating.cores[0], temp_c)
    return None if at is None or at <= heating.start_s else at - heating.start_s


def explain(pair: Pair, temp_c: float, *, zones: Sequence[tuple[str, float, float]]) -> Explained:
    """Say what held the slower place back.

    Parameters
    ----------
    pair : from `pair_up`
    temp_c : both places passed it
    zones : name, from and to, s since heating began

    Raises
    ------
    TooLittleData : if one of them never passed the temperature, or no body of the fit does
    """
    slow_s, other_s = passed_s(pair.slow, temp_c), passed_s(pair.other, temp_c)
    for heating, at in ((pair.slow, slow_s), (pair.other, other_s)):
        if at is None:
            top = float(heating.cores[0].temp_c.max())
            raise TooLittleData(
                f"{heating.cores[0].name} was never seen to pass {temp_c:g} °C: it reached {top:.1f} °C",
                where=heating.run_id,
                remedy="ask for a temperature that both places passed: --pass",
            )
    assert slow_s is not None and other_s is not None  # noqa: S101, PT018  # by the loop
    base = _passes(pair.slow_cast, pair.slow, pair.slow, temp_c, slow_s)
    sound = np.isfinite(base)
    if int(sound.sum()) < 20:
        raise TooLittleData(
            f"the fitted bodies at {pair.slow.cores[0].name} don't pass {temp_c:g} °C as it did",
            where=pair.slow.run_id,
            remedy="ask for a lower temperature, or say what the product is with --kind",
        )
    held = [
        _held(
            "surroundings",
            "surroundings that its channel felt",
            slow_s,
            base,
            _passes(pair.slow_cast, pair.other, pair.slow, temp_c, slow_s),
        )
    ]
    for factor, words, names in FACTORS:
        changed = _with(pair.slow_cast, pair.other_cast, names)
        gone = _passes(changed, pair.slow, pair.slow, temp_c, slow_s)
        held.append(_held(factor, words, slow_s, base, gone))
    start = _passes(pair.slow_cast, pair.slow, pair.other, temp_c, slow_s)
    held.append(_held("start temperature", "temperature it began with", slow_s, base, start))
    rest = _rest(slow_s - other_s, slow_s, pair, base, temp_c)
    held.sort(key=lambda h: -h.median_s)
    stretches = _stretches(pair, zones)
    return Explained(
        slow=pair.slow.cores[0].name,
        other=pair.other.cores[0].name,
        temp_c=temp_c,
        slow_s=slow_s,
        other_s=other_s,
        held=tuple(held),
        rest=rest,
        stretches=stretches,
        part_at=_parting(stretches),
    )


def _with(ours: Ensemble, theirs: Ensemble, names: Sequence[str]) -> Ensemble:
    z = ours.z.copy()
    for name in names:
        z[INDEX[name]] = theirs.z[INDEX[name]]
    return replace(ours, z=z)


def started_c(heating: Heating) -> float:
    """Return the start of a place's body as the model can take it."""
    return float(np.clip(start_of(heating.cores[0], heating), 0.1, heating.boiling_c - 1.0))


def _passes(
    cast: Ensemble, around: Heating, start: Heating, temp_c: float, slow_s: float
) -> FloatArray:
    """Return when members pass a temperature, infinite where they don't."""
    simulation = Simulation(cast, start_s=0.0, start_c=started_c(start), boiling_c=around.boiling_c)
    time_s, around_c = past_surroundings(around)
    out_s = slow_s * _LONGER * np.linspace(0.0, 1.0, _STEPS)
    shift = started_c(start) - start_of(start.cores[0], start)
    course = simulation.advance(time_s, around_c, out_s) - shift
    above = course >= temp_c
    i = above.argmax(axis=0)
    member = np.arange(i.size)
    low = np.maximum(i - 1, 0)
    rise = course[i, member] - course[low, member]
    share = np.clip((temp_c - course[low, member]) / np.where(rise > 0, rise, 1.0), 0.0, 1.0)
    at = out_s[low] + share * (out_s[i] - out_s[low])
    return np.where(above.any(axis=0), at, np.inf)


def _held(factor: str, words: str, slow_s: float, base: FloatArray, changed: FloatArray) -> Held:
    """Set the members' ratio of times on the time that was seen."""
    sound = np.isfinite(base)
    gain = slow_s * (1.0 - changed[sound] / base[sound])
    return _summed(factor, words, gain)


def _summed(factor: str, words: str, gain_s: FloatArray) -> Held:
    finite = np.isfinite(gain_s)
    q = np.quantile(np.where(finite, gain_s, np.min(gain_s[finite], initial=0.0)), _QUANTILES)
    return Held(
        factor,
        words,
        float(q[2]),
        (float(q[1]), float(q[3])),
        (float(q[0]), float(q[4])),
        never=float(1.0 - finite.mean()),
    )


def _rest(late_s: float, slow_s: float, pair: Pair, base: FloatArray, temp_c: float) -> Held:
    """Return what is left of the delay once every factor above is the other place's."""
    names = [n for _, _, group in FACTORS for n in group]
    changed = _with(pair.slow_cast, pair.other_cast, names)
    gone = _passes(changed, pair.other, pair.other, temp_c, slow_s)
    sound = np.isfinite(base) & np.isfinite(gone)
    if not sound.any():
        return Held(
            "rest", "what the model can't tell apart", late_s, (late_s, late_s), (late_s, late_s)
        )
    left = late_s - slow_s * (1.0 - gone[sound] / base[sound])
    return _summed(
        "rest", "what is left with all of these alike: make-up of the piece, misfit", left
    )


def _stretches(pair: Pair, zones: Sequence[tuple[str, float, float]]) -> tuple[Stretch, ...]:
    ends = np.array([to_s for _, _, to_s in zones])
    slow = _heat(pair.slow_cast, pair.slow, ends)
    other = _heat(pair.other_cast, pair.other, ends)
    out = []
    for i, (name, from_s, to_s) in enumerate(zones):
        at = np.linspace(from_s, to_s, 60)
        felt = [
            np.interp(at + h.start_s, h.around.time_s, h.around.temp_c)
            for h in (pair.slow, pair.other)
        ]
        core = [
            float(np.interp(to_s + h.start_s, h.cores[0].time_s, h.cores[0].temp_c))
            for h in (pair.slow, pair.other)
        ]
        out.append(
            Stretch(
                name,
                from_s,
                to_s,
                float(np.mean(felt[1] - felt[0])),
                core[1] - core[0],
                _three(slow[i]),
                _three(other[i]),
            )
        )
    return tuple(out)


def _heat(cast: Ensemble, heating: Heating, ends_s: FloatArray) -> FloatArray:
    """Return heat taken up in each stretch, (stretches, members) kJ/m²."""
    meter = Metered(cast, start_s=0.0, start_c=started_c(heating), boiling_c=heating.boiling_c)
    time_s, around_c = past_surroundings(heating)
    rows = []
    for at in ends_s:
        meter.advance(time_s, around_c, np.array([at]))
        rows.append(meter.heat_j_m2() / 1e3)
    return np.diff(np.stack(rows), axis=0, prepend=0.0)


def _three(values: FloatArray) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return float(low), float(middle), float(high)


def _parting(stretches: tuple[Stretch, ...]) -> str:
    """Say where the surroundings of the two places differ most; "" where they are alike."""
    if not stretches:
        return ""
    worst = max(stretches, key=lambda s: abs(s.around_k))
    if abs(worst.around_k) < 3.0:
        return ""
    others = [abs(s.around_k) for s in stretches if s is not worst]
    alone = abs(worst.around_k) > 2.0 * max(others, default=0.0)
    way = "cooler" if worst.around_k > 0 else "warmer"
    return (
        f"the surroundings part {'in' if alone else 'most in'} {worst.name}, "
        f"{abs(worst.around_k):.0f} K {way} at the slower place"
    )
