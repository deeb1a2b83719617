"""A run as a bake: what every channel read along its way from load-in to load-out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.domain.profile import Profile
from ovenwright.domain.results import Results
from ovenwright.domain.run import Role
from ovenwright.errors import TooLittleData
from ovenwright.modelling.foretelling import POINTS, Bake
from ovenwright.workflow.laying_out import Laid

_MIDDLE = 0.15  # of a zone at either end, where its neighbour's air is felt too


def lay_bake(run_id: str, results: Results, plan: Plan) -> Bake:
    """Lay the run out along its way through the oven."""
    profile = results.profile
    bake_s = results.load_out.at_s - results.load_in.at_s
    if not bake_s > 60.0:
        raise TooLittleData(
            "load-in and load-out are not known, so there is no bake to change",
            where=run_id,
            remedy="give recording.load_in_s and load_out_s in the plan, or set marks",
        )
    share = np.linspace(0.0, 1.0, POINTS)
    at = results.load_in.at_s + share * bake_s
    kept, rows = [], []
    for c in range(len(profile.channels)):
        sound = np.isfinite(profile.temp_c[:, c])
        inside = (profile.time_s >= at[0]) & (profile.time_s <= at[-1])
        # a channel with holes over more than a fifth of the bake is not foretold
        if sound[inside].sum() > 0.8 * inside.sum() and inside.sum() > 10:
            kept.append(c)
            rows.append(np.interp(at, profile.time_s[sound], profile.temp_c[sound, c]))
    if not kept:
        raise TooLittleData("no channel is sound over the bake", where=run_id)
    short = _some(profile, kept, np.stack(rows, axis=1), at)
    if isinstance(plan.oven, TunnelOven):
        edges = np.cumsum([0.0, *(z.length_m for z in plan.oven.zones)]) / plan.oven.length_m
    else:
        edges = np.array([0.0, 1.0])
    return Bake(
        plan=plan,
        profile=short,
        share=share,
        bake_s=bake_s,
        edges=edges,
        cores=(),
        surface_felt_c=_felt_by_surfaces(short),
        boiling_c=profile.boiling_c,
    )


def _some(profile: Profile, kept: list[int], temp_c: Any, at: Any) -> Profile:
    return replace(
        profile,
        time_s=at,
        channels=tuple(profile.channels[c] for c in kept),
        temp_c=temp_c,
        raw_c=temp_c,
        flags=np.zeros(temp_c.shape, dtype=profile.flags.dtype),
        spans=(),
        errors=tuple(profile.errors[c] for c in kept),
        noise_k=profile.noise_k[kept],
        resolution_k=profile.resolution_k[kept],
        lag_s=profile.lag_s[kept],
    )


def _felt_by_surfaces(profile: Profile) -> dict[str, Any]:
    around = [i for i, c in enumerate(profile.channels) if c.role in (Role.AIR, Role.WALL)]
    out = {}
    for c in profile.channels:
        if c.role is not Role.SURFACE:
            continue
        lane = [i for i in around if profile.channels[i].place.lane == c.place.lane]
        if not around:
            # nothing tells what it feels: it is taken to follow its own highest reading
            i = profile.index(c.name)
            out[c.name] = np.full(profile.time_s.size, float(profile.temp_c[:, i].max()))
        else:
            out[c.name] = profile.temp_c[:, lane or around].mean(axis=1)
    return out


def felt_along(place: Laid, bake: Bake) -> FloatArray:
    """Return the surroundings a core feels along the way, (n,) °C."""
    around = place.heating.around
    at_s = bake.profile.time_s[0] + bake.share * bake.bake_s
    return np.asarray(np.interp(at_s, around.time_s, around.temp_c))


def zone_means(bake: Bake) -> dict[Role, dict[str, FloatArray]]:
    """Return what wall and air channels read in the middle of every zone: (zones,) °C by name."""
    wide = np.diff(bake.edges)
    inside = [
        (bake.share >= low + _MIDDLE * w) & (bake.share <= low + (1.0 - _MIDDLE) * w)
        for low, w in zip(bake.edges[:-1], wide, strict=True)
    ]
    out: dict[Role, dict[str, FloatArray]] = {Role.WALL: {}, Role.AIR: {}}
    for c, channel in enumerate(bake.profile.channels):
        if channel.role in out and all(i.any() for i in inside):
            means = [float(bake.profile.temp_c[i, c].mean()) for i in inside]
            out[channel.role][channel.name] = np.array(means)
    return out


def setpoints_of(plan: Plan) -> FloatArray | None:
    """Return the setpoints, (zones,) °C; None where one is not given."""
    if isinstance(plan.oven, TunnelOven):
        given = [z.setpoint_c for z in plan.oven.zones]
    else:
        given = [plan.oven.setpoint_c]
    known = [s for s in given if s is not None]
    return np.array(known) if len(known) == len(given) else None


def zone_names(plan: Plan) -> tuple[str, ...]:
    """Return what the zones are called."""
    if isinstance(plan.oven, TunnelOven):
        return tuple(z.name for z in plan.oven.zones)
    return (plan.oven.name or "the chamber",)
