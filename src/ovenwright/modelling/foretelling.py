"""What every channel would read with other settings, as a profile for the measures to be asked of.

Cores are marched by the fitted bodies and set on the readings: whatever a body missed at a
temperature is added again when it comes there. Surfaces keep their share of the way from start to
surroundings. Air and walls answer the setpoints. Other roles are not foretold.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.domain.profile import Profile
from ovenwright.domain.run import Role
from ovenwright.modelling.ensemble import Ensemble
from ovenwright.modelling.knobs import Response, Turned, shift_along
from ovenwright.modelling.simulating import Simulation

POINTS = 140
_KEPT = 0.5  # of the cast; common practice, no source
_MARCHED = 40  # times at which a march is read
CHANGE_DOUBT = 0.1
"""Of how much nearer a core comes to where it ends, as a share: bodies that are not
one-dimensional; common practice, no source."""

SURFACE_DOUBT = 0.15
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
        self.bake, self._response = bake, response
        rng = np.random.default_rng(seed)
        members = response.gain.size
        self._change = 1.0 + CHANGE_DOUBT * rng.normal(size=(members, len(bake.cores)))
        self._surface = 1.0 + SURFACE_DOUBT * rng.normal(size=members)
        still = Turned(np.zeros(bake.edges.size - 1), 1.0, 0.0)
        bake = replace(bake, cores=tuple(self._nearest(p, still) for p in bake.cores))
        self.bake = bake
        quiet = replace(response, wander_k=np.zeros(members))
        self._now = [self._march(p, still, quiet)[0] for p in bake.cores]

    def _nearest(self, place: CorePlace, still: Turned) -> CorePlace:
        """Return the bodies that come near the readings by themselves.

        A fit keeps bodies too that need a large departure from the model; set on the readings at one
        temperature they tell little of another.
        """
        members = place.cast.members
        plain = Response(np.ones(members), np.full(members, 0.2), np.zeros(members))
        course = self._march(place, still, plain)[0]
        seen = self.bake.profile.temp_c[:, self.bake.profile.names.index(place.channel)]
        miss = np.sqrt(np.mean((course - seen[:, None]) ** 2, axis=0))
        kept = np.flatnonzero(miss <= np.quantile(miss, _KEPT))
        return replace(place, cast=place.cast.take(kept))

    def _march(
        self, place: CorePlace, to: Turned, response: Response
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        bake = self.bake
        members = response.gain.size
        cast = place.cast.take(np.arange(members) % place.cast.members)
        felt = place.felt_c[:, None] + shift_along(bake.share, bake.edges, to.shift_k, response)
        felt = felt + response.wander_k
        time_s = bake.share * bake.bake_s * to.ratio
        start_c = float(np.clip(place.start_c + to.start_k, 0.1, bake.boiling_c - 1.0))
        simulation = _Metered(cast, start_s=0.0, start_c=start_c, boiling_c=bake.boiling_c)
        few_s = np.linspace(0.0, time_s[-1], _MARCHED)
        few = simulation.advance(time_s, felt, few_s)
        course = np.stack([np.interp(time_s, few_s, few[:, m]) for m in range(members)], axis=1)
        return course, *simulation.totals()

    def tell(self, to: Turned, *, members: int | None = None) -> Told:
        """Return what all channels would read.

        Parameters
        ----------
        to : the settings
        members : how many of them, the first ones; all where not given
        """
        bake, response = self.bake, self._response
        if members is not None:
            response = response.take(members)
        count = response.gain.size
        temp_c = np.repeat(bake.profile.temp_c[None], count, axis=0)
        names = bake.profile.names
        heat, vapour = np.zeros(count), np.zeros(count)
        for i, place in enumerate(bake.cores):
            course, taken, lost = self._march(place, to, response)
            moist = place.cast.moist[np.arange(count) % place.cast.members]
            heat += taken / len(bake.cores)
            vapour += lost / len(bake.cores)
            seen = bake.profile.temp_c[:, names.index(place.channel)]
            for m in range(count):
                then = np.maximum.accumulate(self._now[i][:, m])
                missed = np.interp(course[:, m], then, seen - self._now[i][:, m])
                if moist[m] and then[-1] < bake.boiling_c - 0.5:
                    # at boiling a wet core stands, whatever the body missed on its way there
                    left = (bake.boiling_c - course[:, m]) / (bake.boiling_c - then[-1])
                    missed = missed * np.clip(left, 0.0, 1.0)
                new = course[:, m] + missed
                end = bake.boiling_c if moist[m] else float(place.felt_c.max())
                temp_c[m, :, names.index(place.channel)] = _doubted(
                    seen, new, end, power=float(self._change[m, i])
                )
        shift = shift_along(bake.share, bake.edges, to.shift_k, response) + response.wander_k
        for c, channel in enumerate(bake.profile.channels):
            if channel.role in (Role.AIR, Role.WALL):
                # the first reading is outside the oven still
                temp_c[:, :, c] += (shift * np.minimum(bake.share[:, None] / 0.05, 1.0)).T
            elif channel.role is Role.SURFACE:
                temp_c[:, :, c] = self._faced(c, shift, to, count)
        return Told(self._plan(to), bake.bake_s * to.ratio, temp_c, heat, vapour)

    def _faced(self, c: int, shift: FloatArray, to: Turned, count: int) -> FloatArray:
        """Return a surface that keeps its share of the way from start to surroundings, (m, n)."""
        bake = self.bake
        seen = bake.profile.temp_c[:, c]
        felt = bake.surface_felt_c[bake.profile.names[c]]
        start = float(seen[0])
        part = np.clip((seen - start) / np.maximum(felt - start, 5.0), 0.0, 1.0)
        # longer in the oven it comes nearer to it: its lag is as if first order
        lag = -np.log(np.maximum(1.0 - part, 1e-3))
        later = 1.0 - np.exp(-lag * to.ratio)
        new = start + to.start_k * (1.0 - later) + later * (felt - start)
        new = new[:, None] + later[:, None] * shift
        base = start + part * (felt - start)
        change = (new - base[:, None]) * self._surface[:count]
        return np.asarray((seen[:, None] + change).T)

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


def _doubted(seen: FloatArray, new: FloatArray, end_c: float, *, power: float) -> FloatArray:
    """Return a foretold change made larger or smaller, never carrying a core past where it ends.

    The way still to go from either is a share of it; the logarithm of that share is what is doubted.
    """
    least = 0.2  # of what is near the end, K
    was, will = np.maximum(end_c - seen, least), np.maximum(end_c - new, least)
    beyond = np.minimum(end_c - new, least) - least  # above the end as the readings were
    return np.asarray(end_c - was * (will / was) ** power - beyond)
