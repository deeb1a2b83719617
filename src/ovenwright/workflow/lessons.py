"""What earlier runs tell for an advice: which of them fit, and what they say, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.domain.run import Role, Run
from ovenwright.errors import OvenwrightError, UsageError
from ovenwright.modelling.answering import Answered, OtherRun
from ovenwright.modelling.foretelling import Bake
from ovenwright.modelling.responding import FELT, WANDER_K, Learnt, Lived, learn
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.bakes import felt_along, lay_bake, setpoints_of, zone_means, zone_names
from ovenwright.workflow.explaining import places
from ovenwright.workflow.judging import plan_for, results_of
from ovenwright.workflow.laying_out import Wanted

SAME_OVEN = "same-oven"
"""Stands for the runs of the same oven in the logbook."""

_MOST = 40  # runs of the logbook looked at, the newest ones
_DEFAULT = (
    "one to one, give or take 15 % (one standard deviation), and up to a quarter of a change goes to "
    "each neighbouring zone instead (common practice, no source)"
)


@dataclass(frozen=True, slots=True)
class Lessons:
    """What earlier runs bring: how zones follow setpoints, and other bakes of the product."""

    zones: Learnt | None
    others: tuple[OtherRun, ...]
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Told:
    """A run that fits: its bake, and the means of its zones by role and channel."""

    run: Run
    plan: Plan
    bake: Bake
    means: dict[Role, dict[str, np.ndarray]]


def gather(
    logbook: Logbook,
    library: ReferenceLibrary,
    run: Run,
    bake: Bake,
    *,
    refs: Sequence[str],
    wanted: Wanted,
) -> Lessons:
    """Learn from earlier runs of the oven what they tell.

    Parameters
    ----------
    logbook, library : where runs and kinetics are
    run, bake : the run to advise on
    refs : runs by any reference, and `SAME_OVEN` for the newest forty of the logbook that fit
    wanted : channels and kind of body

    Raises
    ------
    UsageError : for a named run that is of another oven, lacks setpoints, or shares no channel
    """
    plain = (
        f"surroundings follow a setpoint {_DEFAULT}",
        f"from run to run the surroundings differ by {WANDER_K:g} K anyway (our choice)",
    )
    if not refs:
        return Lessons(None, (), plain)
    told = _gathered(logbook, library, run, bake, refs)
    if not told:
        none = (
            f"the logbook holds no other run of {bake.plan.oven.name or 'this oven'} to learn from"
        )
        return Lessons(None, (), (none, *plain))
    mine = _Told(run, bake.plan, bake, zone_means(bake))
    zones = learn(_lived([mine, *told]))
    others = tuple(other for t in told if (other := _other(t, bake, library, wanted)) is not None)
    return Lessons(zones, others, _zone_words(zones, zone_names(bake.plan)))


def _gathered(
    logbook: Logbook, library: ReferenceLibrary, run: Run, bake: Bake, refs: Sequence[str]
) -> list[_Told]:
    told: dict[str, _Told] = {}
    for ref in refs:
        if ref == SAME_OVEN:
            for run_id in sorted(logbook.run_ids())[::-1][:_MOST]:
                try:
                    one = _look(logbook.open(run_id), library, bake)
                except OvenwrightError:
                    continue  # not a bake of this oven that tells anything
                told[one.run.id] = one
            continue
        one = _look(logbook.open(ref), library, bake)
        told[one.run.id] = one
    return _once(list(told.values()), run)


def _once(told: Sequence[_Told], run: Run) -> list[_Told]:
    """Leave out the run itself, and of each run restated from another all but the last."""
    parent = {t.run.digest: t.run.parent_digest for t in told} | {run.digest: run.parent_digest}

    def root(digest: str) -> str:
        while parent.get(digest):
            digest = parent[digest]
        return digest

    last = {root(t.run.digest): t for t in sorted(told, key=lambda t: t.run.sealed_ns)}
    last.pop(root(run.digest), None)
    return list(last.values())


def _look(run: Run, library: ReferenceLibrary, bake: Bake) -> _Told:
    """Lay out a run that may be learnt from."""
    plan, _ = plan_for(run, None, library)
    where = f"--learn-from {run.id}"
    if not _same_oven(plan, bake.plan):
        raise UsageError(
            f"it was baked in another oven: {plan.oven.name or 'one without a name'}, not "
            f"{bake.plan.oven.name or 'this one'}, or its zones are laid out differently",
            where=where,
            remedy=f"name runs of the same oven, or {SAME_OVEN} for those in the logbook",
        )
    if setpoints_of(plan) is None or setpoints_of(bake.plan) is None:
        raise UsageError(
            "not every zone has a setpoint in the plan, so nothing can be learnt of how it is followed",
            where=where,
            remedy="give setpoint_c for every zone in the plans of both runs",
        )
    laid = lay_bake(run.id, results_of(run, plan, library), plan)
    means = zone_means(laid)
    mine = zone_means(bake)
    if not any(set(means[r]) & set(mine[r]) for r in means):
        raise UsageError(
            "it has no sound air or wall channel in common with this run",
            where=where,
            remedy="learn from runs with the same channel names",
        )
    return _Told(run, plan, laid, means)


def _same_oven(one: Plan, other: Plan) -> bool:
    if one.oven.kind != other.oven.kind or one.oven.name != other.oven.name:
        return False
    if isinstance(one.oven, TunnelOven) and isinstance(other.oven, TunnelOven):
        ours, theirs = ([(z.name, z.length_m) for z in o.zones] for o in (one.oven, other.oven))
        return ours == theirs
    return True


def _lived(told: Sequence[_Told]) -> list[Lived]:
    """Return zone means by the channels that all runs share, walls before air."""
    for role in (Role.WALL, Role.AIR):
        common = set.intersection(*(set(t.means[role]) for t in told))
        if common:
            break
    else:
        raise UsageError(
            "the runs have no sound air or wall channel that all of them share",
            where="--learn-from",
            remedy="name fewer runs, those with the same channels",
        )
    lived = []
    for t in told:
        set_c = setpoints_of(t.plan)
        assert set_c is not None  # noqa: S101  # looked at before
        around = np.mean([t.means[role][n] for n in sorted(common)], axis=0)
        lived.append(Lived(t.run.id, set_c, around))
    return lived


def _other(told: _Told, bake: Bake, library: ReferenceLibrary, wanted: Wanted) -> OtherRun | None:
    """Return a run as another bake of the same product, None where it is none."""
    name = bake.plan.product.name
    if not name or told.plan.product.name != name:
        return None
    try:
        found, _ = places(told.run, library, wanted)
    except OvenwrightError:
        return None  # it tells of the oven all the same
    names = told.bake.profile.names
    at = {p.heating.cores[0].name: p for p in found if p.heating.cores[0].name in names}
    if not at:
        return None
    return OtherRun(
        told.run.id,
        told.bake.bake_s,
        {n: felt_along(p, told.bake) for n, p in at.items()},
        {n: told.bake.profile.temp_c[:, names.index(n)] for n in at},
    )


def _zone_words(learnt: Learnt, names: Sequence[str]) -> tuple[str, ...]:
    """Say what the zones' answers rest on."""
    runs = f"{learnt.runs} runs"
    wander = (
        f"from run to run the surroundings differ by {learnt.wander_k:.1f} K, learnt from {runs}"
    )
    if not learnt.turned:
        alike = f"setpoints were alike in all {runs}, so surroundings follow a setpoint {_DEFAULT}"
        return (alike, wander)
    words = f"how surroundings follow setpoints was learnt from {runs} in which "
    words += f"{_listed([names[i] for i in learnt.turned])} "
    words += "was changed" if len(learnt.turned) == 1 else "were changed"
    sd = learnt.sd()
    own = [f"{names[i]} {learnt.centre[i, i]:.2f} ± {1.645 * sd[i, i]:.2f}" for i in learnt.told]
    if own:
        words += f"; of a kelvin on its setpoint a zone follows (nine in ten) {_listed(own)}"
    together = [names[i] for i in learnt.turned if i not in learnt.told]
    if together:
        words += f"; of {_listed(together)} the runs don't tell each zone's own share"
    rest = [n for i, n in enumerate(names) if i not in learnt.turned]
    out = [words]
    if rest:
        out.append(f"{_listed(rest)} by default: surroundings follow a setpoint {_DEFAULT}")
    return (*out, wander)


def answer_words(answered: Answered | None, lessons: Lessons) -> str:
    """Say what the cores' answer to a change around them rests on."""
    if answered is not None:
        low, middle, high = (100.0 * v for v in answered.interval())
        count = len(answered.runs)
        return (
            f"cores answer to {middle:.0f} % of a change around them, of what the model alone would "
            f"have ({low:.0f} to {high:.0f} % in nine of ten), learnt from {count} other run"
            + ("s" if count > 1 else "")
            + " of the product"
        )
    low, high = (100.0 * v for v in FELT)
    why = (
        "the other runs can't tell either"
        if lessons.others
        else "one run can't tell steam and what it lies on from air and walls"
    )
    return (
        f"cores answer to {low:.0f} to {high:.0f} % of a change around them, of what the model alone "
        f"would have: {why} (our choice)"
    )


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
