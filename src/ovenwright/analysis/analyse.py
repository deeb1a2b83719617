"""From a profile to results: events, measures, crossings, zones, build-ups. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ovenwright.analysis.build_up import build_ups
from ovenwright.analysis.crossings import find_crossings
from ovenwright.analysis.cycling import find_cycling
from ovenwright.analysis.declaration import Finding, Measure, Values
from ovenwright.analysis.doubt import touching, weigh
from ovenwright.analysis.draws import Draws
from ovenwright.analysis.events import find_events
from ovenwright.analysis.registry import declared_measures
from ovenwright.analysis.requirements import check_requirement, chosen_channels, look_up
from ovenwright.analysis.subject import Readings, Scene
from ovenwright.analysis.surroundings import find_surroundings
from ovenwright.analysis.uniformity import assess_uniformity
from ovenwright.analysis.zones import lane_balance, zone_stats
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Decision, Plan, Requirement
from ovenwright.domain.profile import FlagSpan, Profile
from ovenwright.domain.results import Event, MeasureResult, Results, Unit

_ALWAYS = ("max_temperature", "min_temperature", "mean_temperature", "end_temperature")
_ALWAYS_DRAWS = 500  # for the tables that no requirement rests on


def analyse(profile: Profile, plan: Plan, library: ReferenceLibrary) -> Results:
    """Return everything that can be found in a profile for a plan.

    The same profile, plan and library give the same results to the last bit: the draws are seeded
    by the plan's decision rule and named by what they stand for, so neither the order of channels
    nor what else was asked changes them.

    Parameters
    ----------
    profile : a conditioned run
    plan : what was planned; its requirements say which measures to evaluate
    library : kinetics and time-temperature tables that parameters name

    Returns
    -------
    Results; a requirement that can't be evaluated has NaN and the reason
    """
    readings = Readings(profile)
    load_in, load_out, notes = find_events(readings, plan)
    scenes = _Scenes(readings, plan, load_in, load_out)
    scene = scenes.of(plan.decision)
    by_requirement = tuple(
        tuple(_evaluate(scenes.of(r.decision or plan.decision), r, library))
        for r in plan.requirements
    )
    brief = scenes.of(plan.decision, most=_ALWAYS_DRAWS)
    measures = tuple(_always(brief))
    zones = zone_stats(scene)
    return Results(
        profile=profile,
        load_in=load_in,
        load_out=load_out,
        measures=measures,
        by_requirement=by_requirement,
        crossings=find_crossings(scene),
        zones=zones,
        balance=lane_balance(scene, zones),
        build_up=build_ups(scene, library),
        uniformity=assess_uniformity(scene),
        cycling=find_cycling(scene),
        surroundings=find_surroundings(scene),
        notes=notes + _plain_notes(readings, load_in, load_out),
    )


def _plain_notes(readings: Readings, load_in: Event, load_out: Event) -> tuple[str, ...]:
    notes = []
    if load_out.at_s <= load_in.at_s:
        notes.append(
            f"load-out at {load_out.at_s:.0f} s is not after load-in at {load_in.at_s:.0f} s: "
            "nothing can be measured between them"
        )
    silent = [
        name
        for name, usable in zip(readings.profile.names, readings.usable, strict=True)
        if not usable.any()
    ]
    if silent:
        notes.append(f"without a single usable reading: {', '.join(silent)}")
    return tuple(notes)


class _Scenes:
    """One scene for each number of draws and seed that the plan asks for."""

    def __init__(self, readings: Readings, plan: Plan, load_in: Event, load_out: Event) -> None:
        self._made: dict[tuple[int, int], Scene] = {}
        self._readings = readings
        self._plan = plan
        self._events = (load_in, load_out)

    def of(self, decision: Decision, *, most: int | None = None) -> Scene:
        count = decision.draws if most is None else min(decision.draws, most)
        key = (count, decision.seed)
        if key not in self._made:
            self._made[key] = Scene(
                self._readings,
                self._plan,
                Draws(count, seed=decision.seed),
                load_in=self._events[0],
                load_out=self._events[1],
            )
        return self._made[key]


def _evaluate(
    scene: Scene, requirement: Requirement, library: ReferenceLibrary
) -> Iterator[MeasureResult]:
    faults = check_requirement(requirement, scene.plan, library)
    measure = declared_measures().get(requirement.measure)
    if faults or measure is None:
        reason = "; ".join(f.words() for f in faults)
        unit = Unit.ONE if measure is None else measure.unit
        yield _unanswered(requirement, unit, reason)
        return
    values, _ = look_up(measure, requirement, library)
    names = chosen_channels(measure, requirement, scene.plan)
    missing = [n for n in names if n not in scene.profile.names]
    if missing:
        reason = f"channel {missing[0]!r} is not in this run"
        yield _unanswered(requirement, measure.unit, reason, channel=missing[0])
        names = tuple(n for n in names if n not in missing)
    if measure.of_channel is not None:
        for name in names:
            finding = measure.of_channel(scene.subject(name), values)
            yield _result(scene, measure, values, finding, names=(name,), requirement=requirement)
    elif measure.of_group is not None:
        finding = measure.of_group(scene.group(names), values)
        yield _result(scene, measure, values, finding, names=names, requirement=requirement)


def _unanswered(
    requirement: Requirement, unit: Unit, reason: str, *, channel: str | None = None
) -> MeasureResult:
    return MeasureResult(
        measure=requirement.measure,
        channel=channel,
        value=math.nan,
        unit=unit,
        samples=np.zeros(0),
        parameters=dict(requirement.parameters),
        reason=reason,
    )


def _result(
    scene: Scene,
    measure: Measure,
    values: Values,
    finding: Finding,
    *,
    names: tuple[str, ...],
    requirement: Requirement | None,
) -> MeasureResult:
    pad = 2.0 * scene.profile.interval_s
    touched = touching(scene.profile.spans, finding, frozenset(names), pad)
    standing = tuple(s for s in touched if _has_readings(scene, s))
    doubt, notes = weigh(finding, requirement, standing)
    given = dict(requirement.parameters) if requirement is not None else {}
    given |= {k: v for k, v in values.numbers.items() if k not in given}
    if values.kinetics is not None:
        given.setdefault("kinetics", values.kinetics.id)
    return MeasureResult(
        measure=measure.name,
        channel=names[0] if measure.of_channel is not None else None,
        value=finding.value,
        unit=measure.unit,
        samples=finding.samples,
        parameters=given,
        at_s=finding.at_s,
        reason=finding.reason,
        doubt=doubt,
        touched=touched,
        sources=finding.sources,
        notes=finding.notes + notes,
    )


def _has_readings(scene: Scene, span: FlagSpan) -> bool:
    """Tell whether readings of a flagged stretch are still in the curve.

    A stretch may begin and end at sound readings, so those inside decide where there are any.
    """
    time_s = scene.profile.time_s
    i = int(np.searchsorted(time_s, span.from_s, side="left"))
    j = int(np.searchsorted(time_s, span.to_s, side="right"))
    usable = scene.readings.usable[scene.profile.index(span.channel), i:j]
    inner = usable[1:-1]
    return bool(inner.any() if inner.size else usable.any())


def _always(scene: Scene) -> Iterator[MeasureResult]:
    declared = declared_measures()
    plain = Values(words={"until": "load-out"})
    for name in _ALWAYS:
        measure = declared[name]
        if measure.of_channel is None:
            continue
        for channel in scene.profile.names:
            finding = measure.of_channel(scene.subject(channel), plain)
            yield _result(scene, measure, plain, finding, names=(channel,), requirement=None)
