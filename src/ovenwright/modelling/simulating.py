"""March an ensemble through surroundings: bare bodies, and bodies in a tin or sleeve."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.modelling.ensemble import Ensemble
from ovenwright.modelling.priors import KINDS, kind_of
from ovenwright.physics.body_curve import PropertyCurve
from ovenwright.physics.body_march import BodyState, march
from ovenwright.physics.body_parameters import BodyParameters
from ovenwright.physics.body_surroundings import Surroundings

NODES = 11
_TOLERANCE_K = 2.0
_BATCH = 1000  # members marched together: more no longer fit the cache
_ZERO_C_K = 273.15
_SIGMA = 5.670374419e-8

# a moist porous body conducts better as it nears boiling, for vapour moves heat inward; shape from
# memory (Purlis & Salvadori 2009), scaled by each member's own conductivity at rest
_RISEN_K = PropertyCurve.of(
    lambda c: 1.0 + 4.5 / (1.0 + np.exp(-0.1 * (c - 80.0))), low_c=-30.0, high_c=200.0
)


@dataclass(slots=True)
class _Group:
    """Members alike in how they are marched."""

    pick: IntArray
    body: BodyParameters
    position: FloatArray
    unseen: FloatArray
    sleeve: tuple[FloatArray, FloatArray, FloatArray, FloatArray] | None
    state: BodyState | None = None
    sleeve_c: FloatArray | None = None
    face_c: FloatArray | None = None


class Simulation:
    """An ensemble on its way; it remembers where every member stands.

    Parameters
    ----------
    ensemble : the members
    start_s, start_c : when and how warm all begin
    boiling_c : of water on the spot
    """

    def __init__(
        self, ensemble: Ensemble, *, start_s: float, start_c: float, boiling_c: float
    ) -> None:
        self.ensemble, self.start_c, self.time_s = ensemble, start_c, start_s
        self._boiling_c = boiling_c
        self._groups = list(self._grouped())

    def _grouped(self) -> Iterator[_Group]:
        ens = self.ensemble
        kind, in_sleeve = kind_of(ens.family), ens.sleeved
        manner = np.where([KINDS[k].moist for k in kind], 2, 0) + np.where(
            [KINDS[k].risen for k in kind], 1, 0
        )
        for way in np.unique(manner):
            for sleeve in (False, True):
                here = np.flatnonzero((manner == way) & (in_sleeve == sleeve))
                for at in range(0, here.size, _BATCH):
                    yield self._group(ens, here[at : at + _BATCH], moist=way >= 2, risen=way == 3)

    def _group(self, ens: Ensemble, pick: IntArray, *, moist: bool, risen: bool) -> _Group:
        part = ens.take(pick)
        v = {name: part.value(name) for name in _NEEDED}
        sleeve = bool(part.sleeved.all())
        k = v["conductivity_w_m_k"]
        body = BodyParameters(
            half_size_m=v["half_size_m"],
            conductivity_w_m_k=_RISEN_K.scaled(k) if risen else k,
            heat_capacity_j_m3_k=v["heat_capacity_j_m3_k"],
            shape=v["shape"],
            coefficient_w_m2_k=v["gap_w_m2_k"] if sleeve else v["coefficient_w_m2_k"],
            emissivity=v["gap_emissivity"] if sleeve else v["emissivity"],
            water_kg_m3=v["water_kg_m3"] if moist else 0.0,
            dry_conductivity_w_m_k=k if risen else (0.5 * k if moist else None),
            dry_heat_capacity_j_m3_k=0.6 * v["heat_capacity_j_m3_k"] if moist else None,
            boiling_c=self._boiling_c,
        )
        around = None
        if sleeve:
            around = (
                v["sleeve_j_m2_k"],
                v["coefficient_w_m2_k"],
                v["emissivity"],
                v["gap_emissivity"],
            )
        return _Group(pick, body, v["position"][:, None], v["unseen_share"], around)

    def copy(self) -> Simulation:
        """Return a simulation that stands where this one does and goes its own way."""
        return self.take(np.arange(self.ensemble.members))

    def take(self, pick: IntArray) -> Simulation:
        """Return a simulation of some members, each as often as named, standing where they stand."""
        out = object.__new__(Simulation)
        out.ensemble, out.start_c = self.ensemble.take(pick), self.start_c
        out.time_s, out._boiling_c = self.time_s, self._boiling_c
        where = np.empty(self.ensemble.members, dtype=np.intp)
        group_of = np.empty(self.ensemble.members, dtype=np.intp)
        for g, group in enumerate(self._groups):
            where[group.pick] = np.arange(group.pick.size)
            group_of[group.pick] = g
        out._groups = []
        for g, group in enumerate(self._groups):
            mine = np.flatnonzero(group_of[pick] == g)
            if mine.size == 0:
                continue
            inner = where[pick[mine]]
            new = out._group(
                out.ensemble,
                mine,
                moist=group.body.moist,
                risen=isinstance(group.body.conductivity_w_m_k, PropertyCurve),
            )
            new.state = None if group.state is None else group.state.take(inner)
            new.sleeve_c = None if group.sleeve_c is None else group.sleeve_c[inner]
            new.face_c = None if group.face_c is None else group.face_c[inner]
            out._groups.append(new)
        return out

    def advance(self, time_s: FloatArray, around_c: FloatArray, out_s: FloatArray) -> FloatArray:
        """Go on through surroundings and read every member's sensor.

        Parameters
        ----------
        time_s : (t,) rising, of the surroundings, from where the simulation stands on
        around_c : (t,) or (t, members) °C
        out_s : (n,) rising, the last one is where the simulation stands then

        Returns
        -------
        (n, members) °C
        """
        sensed = np.empty((len(out_s), self.ensemble.members))
        for group in self._groups:
            mine = around_c if around_c.ndim == 1 else around_c[:, group.pick]
            way = self._bare if group.sleeve is None else self._in_sleeve
            sensed[:, group.pick] = way(group, time_s, mine, out_s)
        self.time_s = float(out_s[-1])
        return sensed

    def _felt(self, group: _Group, around_c: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Air and walls as a body meets them whose surroundings are partly as cool as its start."""
        wide = around_c[:, None] if around_c.ndim == 1 else around_c
        air = wide + group.unseen * (self.start_c - wide)
        hot, cold = (wide + _ZERO_C_K) ** 4, (self.start_c + _ZERO_C_K) ** 4
        wall = (hot + group.unseen * (cold - hot)) ** 0.25 - _ZERO_C_K
        return air, wall

    def _go(self, group: _Group, around: Surroundings, out_s: FloatArray) -> FloatArray:
        begin: dict[str, Any] = (
            {"start_c": self.start_c, "start_s": self.time_s}
            if group.state is None
            else {"state": group.state}
        )
        moved = march(
            group.body,
            around,
            out_times_s=out_s,
            out_positions=group.position,
            nodes=NODES,
            tolerance_k=_TOLERANCE_K,
            **begin,
        )
        group.state = moved.state
        group.face_c = moved.surface_c[-1]
        return np.asarray(moved.temp_c[:, :, 0])

    def _bare(
        self, group: _Group, time_s: FloatArray, around_c: FloatArray, out_s: FloatArray
    ) -> FloatArray:
        air, wall = self._felt(group, around_c)
        return self._go(group, Surroundings(time_s, air, wall), out_s)

    def _in_sleeve(
        self, group: _Group, time_s: FloatArray, around_c: FloatArray, out_s: FloatArray
    ) -> FloatArray:
        """Sleeve and body in turn over each output window: the sleeve is one lump in front."""
        assert group.sleeve is not None  # noqa: S101  # by the caller
        capacity, h, e, _ = group.sleeve
        gap_h = np.asarray(group.body.coefficient_w_m2_k)
        gap_e = np.asarray(group.body.emissivity)
        members = group.pick.size
        sleeve_c = np.full(members, self.start_c) if group.sleeve_c is None else group.sleeve_c
        face_c = np.full(members, self.start_c) if group.face_c is None else group.face_c
        air, wall = self._felt(group, around_c)
        rows, at_s = [], self.time_s
        for to_s in out_s:
            if to_s <= at_s:
                if group.state is None:
                    rows.append(np.full(members, self.start_c))
                else:
                    rows.append(rows[-1] if rows else self._read(group))
                continue
            span = to_s - at_s
            middle = np.array([at_s + 0.25 * span, at_s + 0.75 * span])
            felt = [_line(time_s, v, middle).mean(axis=0) for v in (air, wall)]
            was = sleeve_c
            kelvin, face_k = was + _ZERO_C_K, face_c + _ZERO_C_K
            across = gap_h + gap_e * _SIGMA * (kelvin**2 + face_k**2) * (kelvin + face_k)
            grey = e * _SIGMA
            slope = h + 4.0 * grey * kelvin**3
            level = h * felt[0] + grey * ((felt[1] + _ZERO_C_K) ** 4 - kelvin**4)
            level = level + 4.0 * grey * kelvin**3 * was
            per = capacity / span
            sleeve_c = (per * was + level + across * face_c) / (per + slope + across)
            lines = np.stack([was, sleeve_c])
            rows.append(
                self._go(
                    group, Surroundings(np.array([at_s, to_s]), lines, lines), np.array([to_s])
                )[0]
            )
            face_c = group.face_c if group.face_c is not None else face_c
            at_s = float(to_s)
        group.sleeve_c = sleeve_c
        return np.stack(rows)

    @staticmethod
    def _read(group: _Group) -> FloatArray:
        assert group.state is not None  # noqa: S101  # by the caller
        profile = group.state.temp_c
        place = group.position[:, 0] * (profile.shape[0] - 1)
        low = np.minimum(place.astype(np.intp), profile.shape[0] - 2)
        member = np.arange(profile.shape[1])
        return np.asarray(
            profile[low, member] * (1 - (place - low)) + profile[low + 1, member] * (place - low)
        )


_NEEDED = (
    "half_size_m",
    "heat_capacity_j_m3_k",
    "conductivity_w_m_k",
    "coefficient_w_m2_k",
    "emissivity",
    "unseen_share",
    "shape",
    "position",
    "sleeve_j_m2_k",
    "gap_w_m2_k",
    "gap_emissivity",
    "water_kg_m3",
)


def _line(time_s: FloatArray, values: FloatArray, at_s: FloatArray) -> FloatArray:
    """Read straight lines between rows at several times."""
    i = np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, len(time_s) - 2)
    width = time_s[i + 1] - time_s[i]
    share = np.clip((at_s - time_s[i]) / width, 0.0, 1.0)[:, None]
    return np.asarray((1 - share) * values[i] + share * values[i + 1])
