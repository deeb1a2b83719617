"""What every channel would read with other settings, as a profile for the measures to be asked of.

Cores are marched by the fitted bodies and set on the readings: whatever a body missed at a
temperature is added again when it comes there. Surfaces keep their share of the way from start to
surroundings. Air and walls answer the setpoints; cores feel a share of that which one run cannot tell.
Other roles are not foretold.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.domain.profile import Profile
from ovenwright.domain.run import Role
from ovenwright.modelling.ensemble import Ensemble, joined
from ovenwright.modelling.knobs import Turned
from ovenwright.modelling.responding import Response, shift_along
from ovenwright.modelling.simulating import Simulation

POINTS = 140
_KEPT = 0.5  # of the cast; our choice
_MARCHED = 24  # times at which a march is read
_BOILS_K = 0.5  # a core so near to boiling stands
_ALIKE_K = 3.0  # cores that begin so near to each other are marched together, from their mean

CHANGE_DOUBT = (0.15, 0.08)
"""Of how much nearer cores come to where they end, as a share: what all cores have in common, for it
is one model that may be wrong, and what each has for itself. Common practice, no source."""

NEXT_PIECE = 0.02
"""How far the next piece in a place differs from this one in time, its sensor included, standard
deviation; our choice."""

PLACE_K = 0.3
"""How far one air or wall channel differs from run to run for itself, its side of the oven and gusts,
standard deviation; the errors of its sensor are in the measures already. Common practice, no source."""

SURFACE_FOLLOWS = (0.2, 1.0)
"""A surface that is a share of the way to its surroundings follows a change of them by that share to
a power between these: with a crust that dries it comes to follow more. Common practice, no source."""

SURFACE_LATER = (0.0, 1.0)
"""The lag of a surface grows with the bake time to a power between these: none where water holds it,
1 for a lump, half for what heat goes deeper into. Common practice, no source."""

FORETOLD = (Role.CORE, Role.SURFACE, Role.AIR, Role.WALL)


@dataclass(frozen=True, slots=True)
class CorePlace:
    """A core with its cast and the surroundings it feels: ``felt_c`` (n,) along the way."""

    channel: str
    cast: Ensemble
    felt_c: FloatArray
    start_c: float


@dataclass(frozen=True, slots=True)
class Bake:
    """A run between load-in and load-out, along the way ``share`` (n,) from 0 to 1.

    ``profile`` holds ``temp_c`` (n, c) at those shares, without holes.
    """

    plan: Plan
    profile: Profile
    share: FloatArray
    bake_s: float
    edges: FloatArray
    cores: tuple[CorePlace, ...]
    surface_felt_c: dict[str, FloatArray]
    boiling_c: float


@dataclass(frozen=True, slots=True)
class Told:
    """What would be read: ``temp_c`` (members, n, c) after ``bake_s``.

    Heat in kJ/m² and vapour in kg/m² of a piece's face, (members,), are means over the cores' places.
    """

    plan: Plan
    bake_s: float
    temp_c: FloatArray
    heat_kj_m2: FloatArray
    vapour_kg_m2: FloatArray


class _Metered(Simulation):
    """A simulation that tells heat and vapour."""

    def totals(self) -> tuple[FloatArray, FloatArray]:
        """Return kJ and kg per m² of each member."""
        heat, vapour = np.zeros(self.ensemble.members), np.zeros(self.ensemble.members)
        for group in self._groups:
            if group.state is not None:
                t = group.state.totals
                heat[group.pick] = (t.convected + t.radiated + t.under) / 1e3
                vapour[group.pick] = t.vapour_kg_m2
        return heat, vapour


class Foreteller:
    """Foretells a bake with other settings, member by member alike from one asking to the next."""

    def __init__(self, bake: Bake, response: Response, *, seed: int = 1) -> None:
        self.response = response
        rng = np.random.default_rng(seed)
        members = response.members
        common, own = CHANGE_DOUBT
        self._change = 1.0 + common * rng.normal(size=(members, 1))
        self._change = self._change + own * rng.normal(size=(members, len(bake.cores)))
        self._piece = NEXT_PIECE * rng.normal(size=(members, len(bake.cores)))
        self._follows = rng.uniform(*SURFACE_FOLLOWS, members)
        self._later = rng.uniform(*SURFACE_LATER, members)
        self._place_k = PLACE_K * rng.normal(size=(members, len(bake.profile.channels)))
        self.bake = replace(bake, cores=tuple(self._nearest(p, bake) for p in bake.cores))
        still = [p.felt_c[:, None] + np.zeros(members) for p in self.bake.cores]
        marched = self._march(still, bake.share * bake.bake_s, start_k=0.0)
        self.now = [course for course, _, _ in marched]

    def answering(self, felt: FloatArray) -> Foreteller:
        """Return one whose cores answer to these shares, (members,), of a change around them."""
        other = copy(self)
        other.response = replace(self.response, felt=felt)
        return other

    def first(self, members: int) -> Foreteller:
        """Return one of the first members alone."""
        other = copy(self)
        other.response = self.response.take(members)
        return other

    @staticmethod
    def _nearest(place: CorePlace, bake: Bake) -> CorePlace:
        """Return the place with the bodies that speak of it."""
        whole = replace(bake, cores=(place,))
        felt = place.felt_c[:, None] + np.zeros(place.cast.members)
        course = _marched(whole, [felt], bake.share * bake.bake_s, start_k=0.0)[0][0]
        seen = bake.profile.temp_c[:, bake.profile.names.index(place.channel)]
        kept = _speaking(course, seen, moist=place.cast.moist, boiling_c=bake.boiling_c)
        return replace(place, cast=place.cast.take(kept))

    def _march(
        self, around_c: Sequence[FloatArray], time_s: FloatArray, *, start_k: float
    ) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
        return _marched(self.bake, around_c, time_s, start_k=start_k)

    def set_on(self, core: int, course: FloatArray) -> FloatArray:
        """Set marched courses of a core on its readings, (n, members).

        Whatever a body missed at a temperature is added again when it comes there. Member m is held
        against what it did with nothing turned.
        """
        bake, place = self.bake, self.bake.cores[core]
        seen = bake.profile.temp_c[:, bake.profile.names.index(place.channel)]
        moist = place.cast.moist
        new = np.empty_like(course)
        for m in range(course.shape[1]):
            then = np.maximum.accumulate(self.now[core][:, m])
            missed = np.interp(course[:, m], then, seen - self.now[core][:, m])
            if moist[m % moist.size] and then[-1] < bake.boiling_c - _BOILS_K:
                # at boiling a wet core stands, whatever the body missed on its way there
                left = (bake.boiling_c - course[:, m]) / (bake.boiling_c - then[-1])
                missed = missed * np.clip(left, 0.0, 1.0)
            new[:, m] = course[:, m] + missed
        return new

    def as_around(
        self, core: int, around_c: Sequence[FloatArray], bake_s: float, *, start_k: float
    ) -> list[FloatArray]:
        """Foretell one core in surroundings that are known, set on its readings, without doubt.

        Parameters
        ----------
        core : its place in the bake's cores
        around_c : courses of surroundings, each (n,) along the way
        bake_s : how long
        start_k : how much warmer it begins

        Returns
        -------
        a course (n, members) for each
        """
        members = self.response.members
        alone = replace(self.bake, cores=(self.bake.cores[core],) * len(around_c))
        wide = [a[:, None] + np.zeros(members) for a in around_c]
        marched = _marched(alone, wide, self.bake.share * bake_s, start_k=start_k)
        return [self.set_on(core, course) for course, _, _ in marched]

    def tell(self, to: Turned, *, members: int | None = None) -> Told:
        """Return what all channels would read.

        Parameters
        ----------
        to : the settings
        members : how many of them, the first ones; all where not given
        """
        bake, response = self.bake, self.response
        if members is not None:
            response = response.take(members)
        count = response.members
        temp_c = np.repeat(bake.profile.temp_c[None], count, axis=0)
        names = bake.profile.names
        moved = shift_along(bake.share, bake.edges, to.shift_k, response) + response.wander_k
        roomier = 10.0 * (to.spacing - 1.0) * response.spacing_k
        felt = response.felt * moved + roomier
        marched = self._march(
            [p.felt_c[:, None] + felt for p in bake.cores],
            bake.share * bake.bake_s * to.ratio,
            start_k=to.start_k,
        )
        heat, vapour = np.zeros(count), np.zeros(count)
        for i, (place, (course, taken, lost)) in enumerate(zip(bake.cores, marched, strict=True)):
            moist = place.cast.moist[np.arange(count) % place.cast.members]
            heat += taken / len(bake.cores)
            vapour += lost / len(bake.cores)
            c = names.index(place.channel)
            end = np.where(moist, bake.boiling_c, float(place.felt_c.max()))
            temp_c[:, :, c] = _doubted(
                bake.profile.temp_c[:, c][:, None],
                self.set_on(i, _paced(course, bake.share, self._piece[:count, i])),
                end,
                power=self._change[:count, i],
            ).T
        for c, channel in enumerate(bake.profile.channels):
            if channel.role in (Role.AIR, Role.WALL):
                # the first reading is outside the oven still
                apart = moved + self._place_k[:count, c]
                temp_c[:, :, c] += (apart * np.minimum(bake.share[:, None] / 0.05, 1.0)).T
            elif channel.role is Role.SURFACE:
                temp_c[:, :, c] = self._faced(c, moved + roomier, to, count)
        return Told(self._plan(to), bake.bake_s * to.ratio, temp_c, heat, vapour)

    def _faced(self, c: int, shift: FloatArray, to: Turned, count: int) -> FloatArray:
        """Return a surface that keeps its share of the way from start to surroundings, (m, n)."""
        bake = self.bake
        seen = bake.profile.temp_c[:, c][:, None]
        felt = bake.surface_felt_c[bake.profile.names[c]][:, None]
        start = float(seen[0, 0])
        part = np.clip((seen - start) / np.maximum(felt - start, 5.0), 0.0, 1.0)
        # longer in the oven it comes nearer to it: its lag is as if first order
        lag = -np.log(np.maximum(1.0 - part, 1e-3))
        later = 1.0 - np.exp(-lag * to.ratio ** self._later[:count])
        new = start + to.start_k * (1.0 - later) + later * (felt - start)
        new = new + later ** self._follows[:count] * shift
        base = start + part * (felt - start)
        return np.asarray((seen + new - base).T)

    def _plan(self, to: Turned) -> Plan:
        plan = self.bake.plan
        if isinstance(plan.oven, TunnelOven):
            zones = tuple(
                z
                if z.setpoint_c is None
                else z.model_copy(update={"setpoint_c": z.setpoint_c + float(k)})
                for z, k in zip(plan.oven.zones, to.shift_k, strict=True)
            )
            speed = plan.oven.length_m / (self.bake.bake_s * to.ratio) * 60.0
            tunnel = plan.oven.model_copy(update={"zones": zones, "belt_speed_m_min": speed})
            return plan.model_copy(update={"oven": tunnel})
        setpoint = plan.oven.setpoint_c
        moved = None if setpoint is None else setpoint + float(to.shift_k[0])
        return plan.model_copy(update={"oven": plan.oven.model_copy(update={"setpoint_c": moved})})


def _marched(
    bake: Bake, around_c: Sequence[FloatArray], time_s: FloatArray, *, start_k: float
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """March every core's cast through its surroundings, (n, members) each.

    Returns
    -------
    for each core its course (n, members), heat (members,) kJ/m² and vapour (members,) kg/m²

    Cores that begin alike go together, for a march costs much the same for one member and for many.
    """
    few_s = np.linspace(0.0, time_s[-1], _MARCHED)
    out: list[tuple[FloatArray, FloatArray, FloatArray]] = [()] * len(bake.cores)  # type: ignore[list-item]
    for together in _alike([p.start_c for p in bake.cores]):
        casts = []
        for i in together:
            cast, members = bake.cores[i].cast, around_c[i].shape[1]
            casts.append(cast.take(np.arange(members) % cast.members))
        start_c = float(np.mean([bake.cores[i].start_c for i in together])) + start_k
        simulation = _Metered(
            joined(casts),
            start_s=0.0,
            start_c=float(np.clip(start_c, 0.1, bake.boiling_c - 1.0)),
            boiling_c=bake.boiling_c,
        )
        felt = np.concatenate([around_c[i] for i in together], axis=1)
        few = simulation.advance(time_s, felt, few_s)
        course = _between(time_s, few_s, few)
        heat, vapour = simulation.totals()
        ends = np.cumsum([c.members for c in casts])
        for i, part in zip(together, np.split(np.arange(ends[-1]), ends[:-1]), strict=True):
            out[i] = (course[:, part], heat[part], vapour[part])
    return out


def _alike(start_c: Sequence[float]) -> list[list[int]]:
    groups: list[list[int]] = []
    for i in np.argsort(start_c, kind="stable"):
        if groups and start_c[i] - start_c[groups[-1][0]] <= _ALIKE_K:
            groups[-1].append(int(i))
        else:
            groups.append([int(i)])
    return groups


def _between(time_s: FloatArray, few_s: FloatArray, few: FloatArray) -> FloatArray:
    """Read straight lines between rows, (n, members)."""
    low = np.clip(np.searchsorted(few_s, time_s, side="right") - 1, 0, few_s.size - 2)
    share = ((time_s - few_s[low]) / (few_s[low + 1] - few_s[low]))[:, None]
    return np.asarray((1.0 - share) * few[low] + share * few[low + 1])


def _speaking(
    course: FloatArray, seen: FloatArray, *, moist: BoolArray, boiling_c: float
) -> IntArray:
    """Return which bodies (n, m) come near the readings (n,) by themselves: the better half.

    A fit keeps bodies too that need a large departure from the model; set on the readings at one
    temperature they tell little of another. A body that boils already where the readings still rise
    tells nothing of what comes next, however near it came.
    """
    miss = np.sqrt(np.mean((course - seen[:, None]) ** 2, axis=0))
    stands = moist & (course[-1] > boiling_c - _BOILS_K)
    goes_on = ~(stands & (seen[-1] < boiling_c - 2.0 * _BOILS_K))
    some = goes_on if goes_on.any() else np.ones_like(goes_on)
    return np.flatnonzero(some & (miss <= np.quantile(miss[some], _KEPT)))


def _paced(course: FloatArray, share: FloatArray, faster: FloatArray) -> FloatArray:
    """Return courses (n, members) of bodies that are so much faster, to first order."""
    return np.asarray(course + faster * share[:, None] * np.gradient(course, share, axis=0))


def _doubted(
    seen: FloatArray, new: FloatArray, end_c: FloatArray | float, *, power: FloatArray | float
) -> FloatArray:
    """Return a foretold change made larger or smaller, never carrying a core past where it ends.

    The way still to go from either is a share of it; the logarithm of that share is what is doubted.
    """
    least = 0.2  # of what is near the end, K
    was, will = np.maximum(end_c - seen, least), np.maximum(end_c - new, least)
    beyond = np.minimum(end_c - new, least) - least  # above the end as the readings were
    return np.asarray(end_c - was * (will / was) ** power - beyond)
