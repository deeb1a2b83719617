"""Crossings: the moments channels pass temperatures, kept by plain name."""

from __future__ import annotations

import math

import numpy as np

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.levels import find_passage
from ovenwright.analysis.subject import Scene, Subject
from ovenwright.domain.plan import CrossingWish, Plan
from ovenwright.domain.results import Crossing, Found
from ovenwright.domain.run import Role

_USUAL: tuple[tuple[Role, float], ...] = (
    # common practice, no source: the levels most asked about in moist products and ovens
    (Role.CORE, 60.0),
    (Role.CORE, 90.0),
    (Role.SURFACE, 100.0),
    (Role.AIR, 100.0),
)


def wished_crossings(plan: Plan) -> tuple[CrossingWish, ...]:
    """Return the plan's wishes, or usual levels and those its requirements speak of."""
    if plan.crossings:
        return plan.crossings
    wishes = [CrossingWish(level_c=level, on=role) for role, level in _USUAL if plan.names(role)]
    for requirement in plan.requirements:
        level = requirement.parameters.get("level_c")
        if requirement.on is None or not isinstance(level, (int, float)):
            continue
        wish = CrossingWish(level_c=float(level), on=requirement.on)
        if wish not in wishes:
            wishes.append(wish)
    return tuple(wishes)


def find_crossings(scene: Scene) -> tuple[Crossing, ...]:
    """Find every wished crossing of every channel, in the order of the wishes.

    ``standard_s`` and ``interval_s`` (95 %, on the axis that starts at load-in) come from the
    draws of the error budget, load-in's own uncertainty included.
    """
    return tuple(
        _crossing(scene, scene.subject(name), wish)
        for wish in wished_crossings(scene.plan)
        for name in scene.plan.names(wish.on)
        if name in scene.profile.names
    )


def _crossing(scene: Scene, subject: Subject, wish: CrossingWish) -> Crossing:
    level = wish.level_c
    name = wish.name or f"{subject.channel.role.value} {level:g} °C"
    passage = find_passage(
        _searched(scene, subject, level), level, subject.errors, tag="at load-in"
    )
    if math.isnan(passage.at_s):
        nan = math.nan
        return Crossing(
            name, subject.name, level, nan, nan, nan, (nan, nan), nan, nan, passage.reason
        )
    since = passage.draws_s - scene.load_in_draws_s
    reached = since[np.isfinite(since)]
    low, high = np.percentile(reached, [2.5, 97.5]) if reached.size else (math.nan, math.nan)
    share = reached.size / since.size
    reason = ""
    if share < 0.995:
        reason = f"not reached in {100 * (1 - share):.0f} % of the draws of the error budget"
    elif passage.edge:
        reason = "at the edge of a gap in the readings"
    elif passage.earlier:
        reason = "an earlier passing could hide in a gap in the readings"
    process = scene.process_s
    from_load = passage.at_s - scene.load_in.at_s
    return Crossing(
        name=name,
        channel=subject.name,
        level_c=level,
        at_s=passage.at_s,
        since_load_s=from_load,
        standard_s=float(np.std(reached)) if reached.size else math.nan,
        interval_s=(float(low), float(high)),
        share_of_process=from_load / process if process > 0 else math.nan,
        rate_k_min=60.0 * passage.rate_k_s,
        reason=reason,
    )


def _searched(scene: Scene, subject: Subject, level_c: float) -> Curve:
    """Return where to look: a little before load-in too, when load-in itself is not certain."""
    curve = subject.process
    start = scene.load_in
    if start.found is not Found.FOUND or len(curve) == 0 or curve.temp_c[0] < level_c:
        return curve
    early = start.at_s - 3.0 * start.standard_s - subject.interval_s
    return scene.readings.cut(subject.index, early, scene.load_out.at_s)
