"""Heating of a body in changing surroundings, for many bodies at once.

One dimension, from the centre (position 0) to the outer face (1), or through a slab from its
underside (0) to its top (1). `march` is the door::

    body = BodyParameters(half_size_m=0.035, shape=1.0, conductivity_w_m_k=0.4, ...)
    around = Surroundings(time_s, air_c, wall_c)
    run = march(body, around, start_c=25.0, out_times_s=time_s, out_positions=(0.0, 0.5, 1.0))
    run.temp_c  # (times, members, sensors)
    more = march(body, around, state=run.state, out_times_s=later_s)  # goes on from there

Any number of the body, any line of the surroundings and the start may differ between members.
"""

from __future__ import annotations

import math
from dataclasses import fields

import numpy as np
from numpy.typing import ArrayLike

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_curve import COLDEST_C, HOTTEST_C
from ovenwright.physics.body_grid import body_grid
from ovenwright.physics.body_marched import BodyState, Ledger, Marched
from ovenwright.physics.body_moment import Moment, Totals
from ovenwright.physics.body_parameters import BodyParameters
from ovenwright.physics.body_step import Stepper
from ovenwright.physics.body_surroundings import Surroundings

__all__ = ["BodyState", "Ledger", "Marched", "march", "monotone_cubic"]

_SHORTEST = 1e-9  # of the whole march; a step as short as this is no step
_MOST_STEPS = 2_000_000
_REFUSED = 3.0  # a step with so many times the error asked for is taken again, shorter


def march(
    body: BodyParameters,
    around: Surroundings,
    *,
    out_times_s: ArrayLike,
    start_c: ArrayLike | None = None,
    state: BodyState | None = None,
    out_positions: ArrayLike = (0.0, 1.0),
    nodes: int = 41,
    step_s: float | None = None,
    tolerance_k: float = 0.1,
    start_s: float | None = None,
) -> Marched:
    """Heat the bodies and read them at places and times.

    Parameters
    ----------
    body : one body or an ensemble
    around : air, walls, underside
    out_times_s : (times,) rising, s, from the start on
    start_c : one number, (members,) or (nodes, members), °C; not with `state`
    state : go on from here; not with `start_c`
    out_positions : (sensors,) or (members, sensors), 0 centre or underside to 1 outer face
    nodes : from position 0 to 1; taken from `state` where there is one
    step_s : fixed step; chosen by the error where not given
    tolerance_k : error of one step, K, when steps are chosen; that of the whole stays below it
        (docs/explanation/product-model.md)
    start_s : when the start is; the first time of the surroundings where not given

    Returns
    -------
    `Marched`, of shape (times, members, sensors)

    Raises
    ------
    OutOfRange : for a start, place or time that can't be, or lengths that don't fit

    Source: the enthalpy form of conduction with a front (CRANK1984, ch. 6), front after
    ZANONI1993; time scheme ALEXANDER1977. Checked in tests/evidence/test_body_exact.py.
    """
    out_times = np.atleast_1d(np.asarray(out_times_s, dtype=np.float64))
    if step_s is not None and not (step_s > 0 and np.isfinite(step_s)):
        raise OutOfRange("step_s", got=step_s, expected="above 0 s")
    if not (tolerance_k > 0 and np.isfinite(tolerance_k)):
        raise OutOfRange("tolerance_k", got=tolerance_k, expected="above 0 K")
    if _dries(body) and around.vapour_pressure_pa is None:
        raise OutOfRange(
            "vapour_pressure_pa",
            got="none",
            expected="the vapour pressure of the air",
            where="surroundings",
            remedy="give it, or set mass_transfer_kg_m2_s_pa to 0",
        )
    members = _common_members(body, around, start_c, state, out_positions)
    if state is not None:
        nodes = state.temp_c.shape[0]
    size = np.broadcast_to(np.asarray(body.half_size_m, np.float64), (members,))
    shape = np.broadcast_to(np.asarray(body.shape, np.float64), (members,))
    grid = body_grid(nodes=nodes, size_m=size, shape=shape)
    stepper = Stepper(body, grid, around, tolerance_k=tolerance_k)
    if state is None:
        begin_s = float(around.time_s[0]) if start_s is None else float(start_s)
        now, stored = _start(stepper, start_c, members, begin_s)
        trial_s = _first_step(stepper, now)
    else:
        now, stored, trial_s = _resume(stepper, state), state.stored_j_m2, state.step_s
    _check_times(out_times, now.time_s)
    record = _Record(_positions(out_positions, members), stepper, now)
    end_s, steps = float(out_times[-1]), 0
    shortest_s = _SHORTEST * max(end_s - now.time_s, 1.0)
    while end_s - now.time_s > shortest_s:
        left_s = end_s - now.time_s
        wanted_s = trial_s if step_s is None else step_s
        taken_s = wanted_s if wanted_s < left_s - shortest_s else left_s
        then, error = stepper.advance(now, taken_s)
        if step_s is None:
            # the mean over members: each has its own moments when a node dries out, and no step
            # is short enough for all of them
            strict = math.sqrt(float(error @ error) / members) / tolerance_k
            factor = min(max(0.9 / math.sqrt(max(strict, 1e-12)), 0.2), 2.0)
            cut_short = taken_s < wanted_s and factor > 1.0
            trial_s = wanted_s if cut_short else taken_s * factor
            if strict > _REFUSED and taken_s > 1e3 * shortest_s:
                continue
        now = then
        record.add(now)
        steps += 1
        if steps > _MOST_STEPS:
            raise OutOfRange("step_s", got=taken_s, expected="a longer step", where="march")
    return record.result(out_times, now, stored=stored, body=body, trial_s=trial_s, steps=steps)


def _dries(body: BodyParameters) -> bool:
    return body.moist and bool(np.any(np.asarray(body.mass_transfer_kg_m2_s_pa) > 0.0))


def _common_members(
    body: BodyParameters,
    around: Surroundings,
    start_c: ArrayLike | None,
    state: BodyState | None,
    out_positions: ArrayLike,
) -> int:
    if (start_c is None) == (state is None):
        raise OutOfRange(
            "start_c and state",
            got="both" if state is not None else "neither",
            expected="one of them",
            remedy="give start_c for a new march, state to go on with one",
        )
    start = np.asarray(0.0 if start_c is None else start_c)
    positions = np.asarray(out_positions)
    counts = {
        "body": body.members,
        "surroundings": around.members,
        "start_c": start.shape[-1] if start.ndim else 1,
        "state": state.members if state is not None else 1,
        "out_positions": positions.shape[0] if positions.ndim == 2 else 1,
    }
    members = max(counts.values())
    for name, count in counts.items():
        if count not in (1, members) or (
            name == "state" and state is not None and count != members
        ):
            raise OutOfRange(
                f"members of {name}",
                got=count,
                expected=f"1 or {members}",
                remedy="all parts of an ensemble must speak of the same members",
            )
    return members


def _check_times(out_times: FloatArray, start_s: float) -> None:
    rising = bool(np.all(np.diff(out_times) > 0)) and bool(np.all(np.isfinite(out_times)))
    if not rising or not len(out_times) or out_times[0] < start_s:
        raise OutOfRange(
            "out_times_s",
            got=f"{out_times[0]:g} … {out_times[-1]:g} s" if len(out_times) else "none",
            expected=f"rising times from {start_s:g} s on",
        )


def _positions(given: ArrayLike, members: int) -> FloatArray:
    positions = np.asarray(given, dtype=np.float64)
    if not bool(np.all((positions >= 0.0) & (positions <= 1.0))):
        raise OutOfRange(
            "out_positions",
            got=float(positions[~((positions >= 0.0) & (positions <= 1.0))].ravel()[0]),
            expected="0 (centre or underside) to 1 (outer face)",
            remedy="divide the distance from the centre by half_size_m",
        )
    if positions.ndim < 2:
        positions = np.broadcast_to(np.atleast_1d(positions), (members, positions.size))
    return np.ascontiguousarray(np.broadcast_to(positions, (members, positions.shape[1])).T)


def _start(
    stepper: Stepper, start_c: ArrayLike | None, members: int, begin_s: float
) -> tuple[Moment, FloatArray]:
    material, shape = stepper.material, stepper.grid.volume_m.shape
    temp_c = np.broadcast_to(np.asarray(start_c, dtype=np.float64), shape).copy()
    low = 0.0 if material.evaporates else COLDEST_C
    high = material.boiling_c if material.evaporates else np.asarray(HOTTEST_C)
    fits = (temp_c >= low) & (temp_c <= high)
    if not bool(np.all(fits)):
        raise OutOfRange(
            "start_c",
            got=f"{float(temp_c[~fits].ravel()[0]):g} °C",
            expected=f"{low:g} to {float(np.min(high)):g} °C",
            where="march",
            remedy="a moist body starts unfrozen and below boiling" if material.evaporates else "",
        )
    zero = np.zeros(members)
    now = stepper.moment(
        begin_s,
        temp_c,
        np.ones(shape) if material.evaporates else None,
        kept=np.zeros(shape) if material.evaporates else None,
        pan_c=temp_c[0].copy() if stepper.has_pan else None,
        rate=np.zeros(shape),
        inward=zero,
        totals=Totals(*([zero] * len(fields(Totals)))),
    )
    return now, np.sum(stepper.grid.volume_m * now.heat, axis=0)


def _resume(stepper: Stepper, state: BodyState) -> Moment:
    temp_c = state.temp_c
    if state.water is not None:
        temp_c = np.where(state.water > 0.0, np.minimum(temp_c, stepper.material.boiling_c), temp_c)
    return stepper.moment(
        state.time_s,
        temp_c,
        state.water,
        kept=state.kept_j_m3,
        pan_c=state.pan_c,
        rate=state.rate,
        inward=state.inward_w_m2,
        totals=state.totals,
    )


def _first_step(stepper: Stepper, now: Moment) -> float:
    """Return the time in which heat crosses one spacing, of the quickest member."""
    k = stepper.material.evaluate(now.temp_c, now.phase)[0]
    return float(np.min(stepper.grid.spacing_m**2 / (k * now.per_heat)))


class _Record:
    """What each step leaves behind, read at the asked times in the end."""

    def __init__(self, positions: FloatArray, stepper: Stepper, now: Moment) -> None:
        self._stepper, self._sensors = stepper, len(positions)
        self._left, self._share = stepper.grid.places(positions)
        self._times: list[float] = []
        self._sensed: list[FloatArray] = []
        self._rest: list[tuple[FloatArray, ...]] = []
        self._at_start = now
        self.add(now)

    def add(self, now: Moment) -> None:
        profile = now.temp_c
        if now.left is not None:
            profile = profile.copy()
            profile[-1], profile[0] = now.face_c, now.under_c
        flat = profile.ravel()
        low = flat.take(self._left)
        high = flat.take(self._left + profile.shape[1])
        high -= low
        high *= self._share
        high += low
        totals = now.totals
        self._times.append(now.time_s)
        self._sensed.append(high)
        self._rest.append(
            (
                now.face_c,
                now.under_c,
                totals.vapour_kg_m2,
                totals.convected + totals.radiated + totals.under,
            )
        )

    def result(
        self,
        out_times: FloatArray,
        now: Moment,
        *,
        stored: FloatArray,
        body: BodyParameters,
        trial_s: float,
        steps: int,
    ) -> Marched:
        rows = np.concatenate((np.stack(self._sensed), np.array(self._rest)), axis=1)
        rows = monotone_cubic(np.array(self._times), rows, out_times)
        face, under, vapour, heat = np.moveaxis(rows[:, self._sensors :], 1, 0)
        grid, material, totals = self._stepper.grid, self._stepper.material, now.totals
        whole = np.sum(grid.volume_m, axis=0)
        left = np.ones_like(vapour)
        first = self._at_start
        if first.left is not None:
            had = np.sum(grid.volume_m * first.left, axis=0) / whole
            left = had - (vapour - first.totals.vapour_kg_m2) / (self._stepper.water_kg_m3 * whole)
        size_m = grid.spacing_m * (grid.nodes - 1)
        depth = size_m * (1.0 - np.clip(left, 0.0, 1.0) ** (1.0 / (grid.shape + 1.0)))
        content = material.evaluate(now.temp_c, now.phase)[2]
        if now.kept is not None:
            content = content + now.kept
        content = np.sum(grid.volume_m * content, axis=0)
        return Marched(
            time_s=out_times,
            temp_c=np.moveaxis(rows[:, : self._sensors], 1, 2),
            surface_c=face,
            under_c=under,
            mass_loss_kg_m2=vapour,
            mass_loss=vapour / (np.asarray(body.density_kg_m3) * whole),
            water_left=left,
            dried_depth_m=depth,
            heat_j_m2=heat,
            ledger=Ledger(
                convected=totals.convected,
                radiated=totals.radiated,
                under=totals.under,
                warming=content - stored,
                boiled=totals.boiled,
                dried=totals.dried,
                carried=totals.carried,
            ),
            state=BodyState(
                time_s=now.time_s,
                temp_c=now.temp_c,
                water=now.left,
                kept_j_m3=now.kept,
                pan_c=now.pan_c,
                rate=now.rate,
                step_s=trial_s,
                inward_w_m2=now.inward,
                totals=totals,
                stored_j_m2=stored,
            ),
            steps=steps,
        )


def monotone_cubic(time_s: FloatArray, values: FloatArray, at_s: FloatArray) -> FloatArray:
    """Read rows between steps by cubics that never overshoot (FRITSCH1980), (times, ...)."""
    if len(time_s) == 1:
        return np.repeat(values, len(at_s), axis=0)
    width = np.diff(time_s)
    wide = width.reshape(-1, *([1] * (values.ndim - 1)))
    slope = np.diff(values, axis=0) / wide
    bend = np.empty_like(values)
    bend[0], bend[-1] = slope[0], slope[-1]
    if len(width) > 1:
        one, two = 2.0 * wide[1:] + wide[:-1], wide[1:] + 2.0 * wide[:-1]
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = (one + two) / (one / slope[:-1] + two / slope[1:])
        bend[1:-1] = np.where(slope[:-1] * slope[1:] > 0.0, mean, 0.0)
    i = np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, len(width) - 1)
    span = wide[i]
    x = ((at_s - time_s[i]) / width[i]).reshape(span.shape)
    return np.asarray(
        values[i] * (1.0 + 2.0 * x) * (1.0 - x) ** 2
        + span * bend[i] * x * (1.0 - x) ** 2
        + values[i + 1] * x * x * (3.0 - 2.0 * x)
        + span * bend[i + 1] * x * x * (x - 1.0)
    )
