"""How lethality or extent builds up over time, for pictures and the sheet with live formulas."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ovenwright.analysis.declaration import Values
from ovenwright.analysis.measures.lethality import law_of, reduction_of
from ovenwright.analysis.measures.temperatures import curve_of
from ovenwright.analysis.registry import declared_measures
from ovenwright.analysis.requirements import check_requirement, chosen_channels, look_up
from ovenwright.analysis.subject import Scene
from ovenwright.analysis.work import Arrhenius, Bigelow, running_total
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import Kinetics, Model, ReferenceLibrary
from ovenwright.domain.plan import Requirement
from ovenwright.domain.results import BuildUp

_BUILDING = frozenset({"log_reduction", "equivalent_time", "pasteurisation_units", "extent"})


def build_ups(scene: Scene, library: ReferenceLibrary) -> tuple[BuildUp, ...]:
    """Return the running total of every channel that a lethality or extent requirement is on.

    ``total`` is in the unit of the measure and its last number is the measure's value.
    ``parameters`` of a reduction hold ``d_s``, or ``delta_s`` and ``p``, beside what the plan gave.
    ``reference_c`` and ``z_k`` are NaN for a reaction that follows an activation energy.
    """
    made: list[BuildUp] = []
    for requirement in scene.plan.requirements:
        if requirement.measure not in _BUILDING:
            continue
        if check_requirement(requirement, scene.plan, library):
            continue
        made.extend(_of_requirement(scene, requirement, library))
    return tuple(made)


def _of_requirement(
    scene: Scene, requirement: Requirement, library: ReferenceLibrary
) -> Iterator[BuildUp]:
    measure = declared_measures()[requirement.measure]
    values, _ = look_up(measure, requirement, library)
    law = law_of(values)
    for name in chosen_channels(measure, requirement, scene.plan):
        if name not in scene.profile.names:
            continue
        curve = curve_of(scene.subject(name), values)
        if len(curve) < 2:
            continue
        running = running_total(curve, law)
        given = dict(requirement.parameters)
        if values.kinetics is not None:
            given.setdefault("kinetics", values.kinetics.id)
            if measure.name == "log_reduction":
                given |= _divisors(values.kinetics)
        yield BuildUp(
            measure=measure.name,
            channel=name,
            reference_c=law.reference_c if isinstance(law, Bigelow) else float("nan"),
            z_k=law.z_k if isinstance(law, Bigelow) else float("nan"),
            time_s=curve.time_s,
            temp_c=curve.temp_c,
            total=_in_unit(measure.name, values, running, isinstance(law, Arrhenius)),
            unit=measure.unit,
            parameters=given,
        )


def _divisors(kinetics: Kinetics) -> dict[str, float]:
    """Return what turns an equivalent time into reductions, so that a sheet can do it too."""
    if kinetics.model is Model.WEIBULL:
        known = {"delta_s": kinetics.delta_s, "p": kinetics.p}
    else:
        known = {"d_s": kinetics.d_s}
    return {name: value for name, value in known.items() if value is not None}


def _in_unit(measure: str, values: Values, running: FloatArray, reaction: bool) -> FloatArray:
    if reaction:
        return np.asarray(-np.expm1(-running))
    if measure == "pasteurisation_units":
        return running / 60.0
    if measure == "log_reduction" and values.kinetics is not None:
        return reduction_of(values.kinetics, running)
    return running
