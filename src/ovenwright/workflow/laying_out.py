"""Lay a run out for the model: readings up to a moment, what is asked, and the bodies to begin with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ovenwright.conditioning.condition import condition
from ovenwright.conditioning.health import check_run, make_bench
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan
from ovenwright.domain.profile import FlagSpan, Severity
from ovenwright.domain.run import NS, MarkKind, Quality, Role, Run
from ovenwright.errors import TooLittleData, UnknownName, UsageError
from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import Ensemble, draw_prior
from ovenwright.modelling.heating import Heating, Line, begin, mean_line
from ovenwright.modelling.product_record import ProductRecord, draw_recorded
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.product_records import read_record, record_path
from ovenwright.workflow.planning import checked_text

_MEMBERS = 6000
_LOST = int(Quality.MISSING | Quality.OVERFLOW)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of a run; names left empty come from the roles of the run's plan."""

    cores: tuple[str, ...] = ()
    surroundings: tuple[str, ...] = ()
    passes: tuple[float, ...] = ()
    until_s: float | None = None
    kind: str = "any"
    members: int = _MEMBERS
    seed: int = 1


def cut_at(run: Run, until_s: float | None) -> Run:
    """Return a run as it stood at a moment, nothing later in it."""
    if until_s is None:
        return run
    if not until_s > 0:
        raise UsageError(f"{until_s:g} s is before the run", where="--until")
    last = run.start_ns + round(until_s * NS)
    series = {}
    for name, one in run.series.items():
        n = int(np.searchsorted(one.time_ns, last, side="right"))
        if n == 0:
            continue
        series[name] = replace(
            one,
            time_ns=one.time_ns[:n],
            value_c=one.value_c[:n],
            quality=one.quality[:n],
            raw=None if one.raw is None else one.raw[:n],
        )
    if not series:
        raise TooLittleData(
            f"no channel has a reading before {until_s:g} s",
            where=run.id,
            remedy="give a later --until",
        )
    marks = tuple(m for m in run.marks if m.time_ns <= last)
    return replace(run, series=series, marks=marks)


@dataclass(frozen=True, slots=True)
class Laid:
    """A run laid out for the model: the heating, why channels are out, and remarks on them."""

    heating: Heating
    out: dict[str, str]
    remarks: dict[str, tuple[str, ...]]
    plan: Plan | None


def lay_out(run: Run, library: ReferenceLibrary, wanted: Wanted) -> Laid:
    """Lay a run out for the model as it stood at the wanted moment.

    Raises
    ------
    UsageError : if no surroundings or core channel is known
    UnknownName : for a channel the run doesn't have
    TooLittleData : if there are no readings
    """
    end_s = run.elapsed_s(run.end_ns)
    until_s = end_s if wanted.until_s is None else min(wanted.until_s, end_s)
    known = tuple(run.series)
    run = cut_at(run, until_s)
    plan = (
        checked_text(run.plan_toml, library, file=f"plan sealed in {run.id}")
        if run.plan_toml
        else None
    )
    surroundings = wanted.surroundings or _by_role(plan, Role.WALL) or _by_role(plan, Role.AIR)
    cores = wanted.cores or _by_role(plan, Role.CORE)
    names = set(known) | ({c.name for c in plan.channels} if plan else set())
    for name in (*surroundings, *cores):
        if name not in names:
            raise UnknownName("channel", name, known=tuple(sorted(names)), where=run.id)
    if not surroundings:
        raise UsageError(
            "no channel tells what surrounds the product, and a body can't be foreseen without",
            where=run.id,
            remedy="name it: --surroundings NAME, or give channels the role air or wall in the plan",
        )
    if not cores:
        raise UsageError(
            "no channel sits in the product",
            where=run.id,
            remedy="name one or more: --core NAME, or give channels the role core in the plan",
        )
    both = set(surroundings) & set(cores)
    if both:
        raise UsageError(
            f"{', '.join(sorted(both))} can't be core and surroundings at once",
            where="--core and --surroundings",
        )
    lines, out, remarks = _lines(run, plan, (*surroundings, *cores))
    around = tuple(lines[n] for n in surroundings if n in lines)
    if not around:
        reasons = "; ".join(f"{n}: {out[n]}" for n in surroundings if n in out)
        raise TooLittleData(
            f"no surroundings channel is sound ({reasons})",
            where=run.id,
            remedy="name another one with --surroundings",
        )
    heating = begin(
        run.id,
        mean_line(around),
        tuple(lines[n] for n in cores if n in lines),
        until_s=until_s,
        load_in_s=_load_in(run, plan),
        boiling_c=_boiling(run, plan),
    )
    return Laid(heating, {n: out[n] for n in cores if n in out}, remarks, plan)


def _by_role(plan: Plan | None, role: Role) -> tuple[str, ...]:
    return tuple(c.name for c in plan.channels if c.role is role) if plan else ()


def _boiling(run: Run, plan: Plan | None) -> float:
    return make_bench(run, plan).boiling_c


def _load_in(run: Run, plan: Plan | None) -> float | None:
    if plan is not None and plan.recording.load_in_s is not None:
        return plan.recording.load_in_s
    marks = [m for m in run.marks if m.kind is MarkKind.LOAD_IN]
    return run.elapsed_s(marks[0].time_ns) if marks else None


def _lines(
    run: Run, plan: Plan | None, names: Sequence[str]
) -> tuple[dict[str, Line], dict[str, str], dict[str, tuple[str, ...]]]:
    """Return sound readings of channels, why others have none, and what was flagged."""
    lines: dict[str, Line] = {}
    out: dict[str, str] = {}
    # a plan's core was put into the middle; a channel that is only asked about may sit anywhere
    central = _by_role(plan, Role.CORE)
    profile = condition(run, plan) if plan is not None else None
    spans = profile.spans if profile is not None else check_run(run)
    remarks = {n: tuple(s.reason for s in spans if s.channel == n) for n in names}
    bench = None if profile is not None else make_bench(run)
    for name in dict.fromkeys(names):
        bad = [s for s in spans if s.channel == name and s.severity is Severity.BAD]
        if profile is not None and name in profile.names:
            i = profile.index(name)
            time_s, temp_c = profile.time_s, profile.temp_c[:, i]
            lag, noise = float(profile.lag_s[i]), float(profile.noise_k[i])
        elif bench is not None and name in run.series:
            series = run.series[name]
            time_s = (series.time_ns - run.start_ns) / NS
            temp_c = np.where((series.quality & _LOST) == 0, series.value_c, np.nan)
            bad = [s for s in bad if not _grown_into(s, time_s, temp_c)]
            for s in bad:
                temp_c[(time_s >= s.from_s) & (time_s <= s.to_s)] = np.nan
            trace = next(t for t in bench.traces if t.name == name)
            lag, noise = 0.0, trace.noise_k
        else:
            out[name] = "it has no reading so far"
            continue
        sound = np.isfinite(temp_c)
        if int(sound.sum()) < 5:
            out[name] = _faulty(bad) or "it has no sound reading so far"
            continue
        lines[name] = Line(
            name,
            time_s[sound],
            temp_c[sound],
            lag_s=lag if np.isfinite(lag) else 0.0,
            noise_k=noise if np.isfinite(noise) else 0.1,
            position=0.0 if name in central else None,
        )
    return lines, out, remarks


_JUMP_K = 30.0  # common practice, no source


def _grown_into(span: FlagSpan, time_s: FloatArray, temp_c: FloatArray) -> bool:
    """Whether a value "far outside everything else" was reached steadily, as surroundings do.

    Without a plan the check knows no roles, and what heats a body is hotter than all bodies.
    """
    if span.check != "rail-value":
        return False
    before = np.flatnonzero((time_s < span.from_s) & np.isfinite(temp_c))
    inside = (time_s >= span.from_s) & (time_s <= span.to_s) & np.isfinite(temp_c)
    if not before.size or not inside.any():
        return False
    course = np.concatenate((temp_c[before[-1:]], temp_c[inside]))
    return bool(np.max(np.abs(np.diff(course))) < _JUMP_K)


def _faulty(bad: Sequence[FlagSpan]) -> str:
    return f"its sensor is not sound: {bad[-1].reason}; {bad[-1].remedy}" if bad else ""


def kind_of(plan: Plan | None, kind: str) -> str:
    """Return what kind of body it is: as said, else moist where the plan's product holds water."""
    if kind != "any" or plan is None or plan.product.moisture is None:
        return kind
    return "moist" if plan.product.moisture >= 0.15 else "dry"


def record_for(logbook: Logbook, product: str, run: Run) -> ProductRecord | None:
    """Return a product record for a look at a run, None where no product is named.

    It is without the run that is looked at: it must not know its own future.

    Parameters
    ----------
    logbook : where named records are
    product : a file, or a name in the logbook; empty for none
    run : the run that is looked at

    Raises
    ------
    UsageError, StorageTrouble : if it can't be read
    """
    if not product:
        return None
    record = read_record(record_path(logbook, product))
    others = tuple(r for r in record.runs if r.run_id != run.id and r.digest != run.digest)
    return replace(record, runs=others)


def record_words(record: ProductRecord | None) -> tuple[str, ...]:
    """Say what a product record adds."""
    if record is None:
        return ()
    if not record.runs:
        return (f"product record {record.name!r} holds no other run than this one",)
    count = len(record.runs)
    return (f"product record {record.name!r}: {count} earlier run" + ("s" if count > 1 else ""),)


def prior_of(
    kind: str, wanted: Wanted, *, dry_only: bool, record: ProductRecord | None = None
) -> Ensemble:
    """Return the members before the run is looked at."""
    if record is not None and record.runs:
        if record.kind == "any" and kind != "any":
            record = replace(record, kind=kind)
        return draw_recorded(record, wanted.members, seed=wanted.seed, dry_only=dry_only)
    return draw_prior(
        wanted.members, seed=wanted.seed, knots=KNOTS.size, kinds=kind, dry_only=dry_only
    )
