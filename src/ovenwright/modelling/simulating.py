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

NODES = 21
TOLERANCE_K = 0.5
"""Of a step while members are held against readings: the same member must come out alike in any company."""

_WINDOW = 0.08  # of the time since heating began: sleeve and body take turns at least that often
_MOST_WINDOWS = 2  # between two moments that are asked for
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
    face_pace: FloatArray | None = None


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
        self._boiling_c, self._tolerance_k = boiling_c, TOLERANCE_K
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
        out._tolerance_k = self._tolerance_k
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
            new.face_pace = None if group.face_pace is None else group.face_pace[inner]
            out._groups.append(new)
        return out

    def advance(
        self,
        time_s: FloatArray,
        around_c: FloatArray,
        out_s: FloatArray,
        *,
        tolerance_k: float = TOLERANCE_K,
    ) -> FloatArray:
        """Go on through surroundings and read every member's sensor.

        Parameters
        ----------
        time_s : (t,) rising, of the surroundings, from where the simulation stands on
        around_c : (t,) or (t, members) °C
        out_s : (n,) rising, the last one is where the simulation stands then
        tolerance_k : error of one step, K

        Returns
        -------
        (n, members) °C
        """
        self._tolerance_k = tolerance_k
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
        unseen = np.minimum(group.unseen, 1.0)
        air = wide + unseen * (self.start_c - wide)
        hot, cold = (wide + _ZERO_C_K) ** 4, (self.start_c + _ZERO_C_K) ** 4
        wall = (hot + unseen * (cold - hot)) ** 0.25 - _ZERO_C_K
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
            tolerance_k=self._tolerance_k,
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
        """Sleeve and body in turn over each window: the sleeve is one lump in front.

        The sleeve goes first, with the body's face as it has moved so far; once the body has
        followed, the sleeve is set right with the face as it really moved, so that both are of
        second order in the window.
        """
        assert group.sleeve is not None  # noqa: S101  # by the caller
        members = group.pick.size
        sleeve_c = np.full(members, self.start_c) if group.sleeve_c is None else group.sleeve_c
        face_c = np.full(members, self.start_c) if group.face_c is None else group.face_c
        pace = np.zeros(members) if group.face_pace is None else group.face_pace
        air, wall = self._felt(group, around_c)
        row, at_s = None, self.time_s
        out = np.empty((len(out_s), members))
        for i, goal_s in enumerate(out_s):
            count = int(np.ceil((goal_s - at_s) / (_WINDOW * max(goal_s, 1e-9))))
            count = min(max(count, 1), _MOST_WINDOWS)
            for to_s in np.linspace(at_s, goal_s, count + 1)[1:]:
                span = to_s - at_s
                if span <= 0.0:
                    continue
                ends = np.array([at_s, to_s])
                felt = _line(time_s, air, ends), _line(time_s, wall, ends)
                guess_c = _sleeve(group, sleeve_c, felt, (face_c, face_c + pace * span), span)
                lines = np.stack([sleeve_c, guess_c])
                row = self._go(group, Surroundings(ends, lines, lines), np.array([to_s]))[0]
                after_c = face_c if group.face_c is None else group.face_c
                sleeve_c = _sleeve(group, sleeve_c, felt, (face_c, after_c), span)
                pace, face_c, at_s = (after_c - face_c) / span, after_c, float(to_s)
            if row is None:
                row = np.full(members, self.start_c) if group.state is None else self._read(group)
            out[i] = row
        group.sleeve_c, group.face_pace = sleeve_c, pace
        return out

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


def _sleeve(
    group: _Group,
    was_c: FloatArray,
    felt: tuple[FloatArray, FloatArray],
    face: tuple[FloatArray, FloatArray],
    span_s: float,
) -> FloatArray:
    """Return a sleeve's temperature after a window over which all it meets moves in straight lines.

    Linear about the middle of the window, and exact in time (exponential integrator of second
    order; Cox and Matthews 2002, J Comput Phys 176:430).

    Parameters
    ----------
    group : for what the sleeves are
    was_c : (m,) temperature before
    felt : air and wall, each (2, m) at both ends
    face : (m,) of the body's face, at both ends
    span_s : of the window
    """
    assert group.sleeve is not None  # noqa: S101  # by the caller
    capacity, h, e, _ = group.sleeve
    gap_h, gap_e = np.asarray(group.body.coefficient_w_m2_k), np.asarray(group.body.emissivity)
    grey = e * _SIGMA
    middle = 0.5 * (face[0] + face[1]) + _ZERO_C_K
    now_c = was_c
    for _ in range(2):
        kelvin = 0.5 * (was_c + now_c) + _ZERO_C_K
        across = gap_h + gap_e * _SIGMA * (kelvin**2 + middle**2) * (kelvin + middle)
        pull = h + across + 4.0 * grey * kelvin**3
        still = grey * (3.0 * kelvin**4) + 4.0 * grey * kelvin**3 * -_ZERO_C_K
        first, last = (
            (h * air + grey * (wall + _ZERO_C_K) ** 4 + across * touched + still) / pull
            for air, wall, touched in zip(*felt, face, strict=True)
        )
        decays = pull * span_s / capacity
        kept = np.exp(-decays)
        lag = -np.expm1(-decays) / decays  # share of a straight move that is not yet followed
        now_c = first + kept * (was_c - first) + (1.0 - lag) * (last - first)
    return np.asarray(now_c)


def _line(time_s: FloatArray, values: FloatArray, at_s: FloatArray) -> FloatArray:
    """Read straight lines between rows at several times."""
    i = np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, len(time_s) - 2)
    width = time_s[i + 1] - time_s[i]
    share = np.clip((at_s - time_s[i]) / width, 0.0, 1.0)[:, None]
    return np.asarray((1 - share) * values[i] + share * values[i + 1])
