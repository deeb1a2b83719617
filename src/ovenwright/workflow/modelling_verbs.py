"""Fit a body to runs and foresee: readings up to a moment, a fit, a look ahead, a product record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ovenwright.conditioning.condition import condition
from ovenwright.conditioning.health import check_run, make_bench
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan
from ovenwright.domain.profile import FlagSpan, Severity
from ovenwright.domain.run import NS, MarkKind, Quality, Role, Run
from ovenwright.errors import TooLittleData, UnknownName, UsageError
from ovenwright.modelling.curves import FittedCurve, Funnel, fitted_curves, funnel
from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import Ensemble, draw_prior
from ovenwright.modelling.fitting import Fit, fit
from ovenwright.modelling.forecasting import Outlook, Passing, Refused, look_ahead, passing
from ovenwright.modelling.heating import Heating, Line, begin, mean_line
from ovenwright.modelling.identifying import Identified, identified, kind_shares, misfit_words
from ovenwright.modelling.product_record import (
    ProductRecord,
    draw_recorded,
    heating_ends,
    recorded,
    whole_fit,
)
from ovenwright.modelling.requirements_ahead import Goal, Meeting, goals_of, meeting
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.product_records import read_record, record_path, write_record
from ovenwright.workflow.planning import checked_text

CAUTION = (
    "A forecast says what is likely, it proves nothing: only readings show that a product was hot "
    "enough for long enough. Never take a product out, or call it safe, on a forecast."
)
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


@dataclass(frozen=True, slots=True)
class ChannelForecast:
    """What is foreseen for one channel."""

    name: str
    passes: tuple[Passing, ...]
    refused: str
    remarks: tuple[str, ...] = ()
    meets: tuple[Meeting, ...] = ()


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is foreseen for a run, and on what it rests."""

    run_id: str
    until_s: float
    start_s: float
    surroundings: str
    channels: tuple[ChannelForecast, ...]
    rests_on: tuple[str, ...]
    funnels: tuple[Funnel, ...] = ()
    not_foreseen: tuple[tuple[str, str], ...] = ()
    """Requirements of the plan of which no moment is foreseen, and why."""

    def facts(self) -> dict[str, Any]:
        """Return plain data for machines."""
        return {
            "run": self.run_id,
            "until_s": self.until_s,
            "heating_from_s": self.start_s,
            "surroundings": self.surroundings,
            "channels": [
                {"name": c.name, "refused": c.refused} | _meets_facts(c)
                if c.refused
                else {
                    "name": c.name,
                    "passes": [_pass_facts(p) for p in c.passes],
                    "remarks": list(c.remarks),
                }
                | _meets_facts(c)
                for c in self.channels
            ],
            "requirements_not_foreseen": [
                {"requirement": name, "reason": why} for name, why in self.not_foreseen
            ],
            "rests_on": list(self.rests_on),
            "caution": CAUTION,
        }


def _pass_facts(p: Passing) -> dict[str, Any]:
    return {
        "temp_c": p.temp_c,
        "median_s": round(p.median_s, 2),
        "interval_50": [round(v, 2) for v in p.interval_50],
        "interval_90": [round(v, 2) for v in p.interval_90],
        "share_that_passes": round(p.share_that_passes, 3),
        "open_ended": p.open_ended,
        "passed": p.passed,
    }


def _meets_facts(channel: ChannelForecast) -> dict[str, Any]:
    if not channel.meets:
        return {}
    return {
        "requirements": [
            {
                "requirement": m.requirement,
                "measure": m.measure,
                "at_least": m.at_least,
                "unit": m.unit,
                "so_far": m.so_far,
                "met": m.met,
                "median_s": None if m.median_s is None else round(m.median_s, 2),
                "interval_50": _rounded(m.interval_50),
                "interval_90": _rounded(m.interval_90),
                "share_that_meets": round(m.share_that_meets, 3),
                "open_ended": m.open_ended,
                "safety": m.safety,
                "rests_on": m.rests_on,
            }
            for m in channel.meets
        ]
    }


def _rounded(interval: tuple[float, float] | None) -> list[float] | None:
    return None if interval is None else [round(v, 2) for v in interval]


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
            position=None,
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


def forecast_run(
    logbook: Logbook,
    library: ReferenceLibrary,
    run_ref: str,
    wanted: Wanted,
    *,
    product: str = "",
) -> Forecast:
    """Foresee when channels of a run pass temperatures, from what was known at a moment.

    ``product`` is the file or the name of a product record; empty for none.

    Raises
    ------
    UsageError, UnknownName, TooLittleData : as in `lay_out`
    """
    run = logbook.open(run_ref)
    nothing_asked = UsageError(
        "no temperature to pass is given, and no plan says what is to be met",
        where="--pass",
        remedy="for example --pass 95",
    )
    if not wanted.passes and not run.plan_toml:
        raise nothing_asked
    laid = lay_out(run, library, wanted)
    heating = laid.heating
    goals, others = goals_of(laid.plan, library) if laid.plan is not None else ((), {})
    if not wanted.passes and not goals:
        raise nothing_asked
    record = _without(read_record(record_path(logbook, product)), run) if product else None
    kind = kind_of(laid.plan, wanted.kind)
    found: dict[tuple[str, float], Passing | Refused] = {}
    meets: dict[str, list[Meeting]] = {}
    outlooks: list[Outlook] = []
    rests: dict[str, None] = dict.fromkeys(heating.notes)
    boils_c = heating.boiling_c + 2.0
    for dry_only in (False, True):
        levels = [t for t in wanted.passes if (t > boils_c) is dry_only]
        asked = [g for g in goals if (g.beyond_c > boils_c) is dry_only]
        if not levels and not asked:
            continue
        fitted = fit(
            heating,
            prior_of(kind, wanted, dry_only=dry_only, record=record),
            seed=wanted.seed,
            origins=record.origins if record else (),
        )
        outlook = look_ahead(fitted, seed=wanted.seed, earlier=record.courses if record else ())
        outlooks.append(outlook)
        for core in heating.cores:
            for level in levels:
                found[core.name, level] = passing(outlook, core.name, level, core=core)
            meets.setdefault(core.name, []).extend(_meetings(asked, core, outlook, heating))
        rests |= dict.fromkeys(
            _rests_on(fitted, outlook.rests_on, kind, dry_only=dry_only, record=record)
        )
    rests |= dict.fromkeys(m.rests_on for some in meets.values() for m in some if m.rests_on)
    channels = []
    for name in wanted.cores or tuple(c.name for c in heating.cores) + tuple(laid.out):
        if name in laid.out:
            channels.append(ChannelForecast(name, (), laid.out[name]))
            continue
        answers = [found[name, t] for t in wanted.passes]
        passes = tuple(a for a in answers if isinstance(a, Passing))
        reasons = tuple(dict.fromkeys(a.reason for a in answers if isinstance(a, Refused)))
        known = tuple(meets.get(name, ()))
        if passes or (not answers and known):
            remarks = reasons + laid.remarks[name]
            channels.append(ChannelForecast(name, passes, "", remarks, known))
        else:
            why = dict.fromkeys(o.refused[name] for o in outlooks if name in o.refused)
            words = reasons or tuple(why) or ("no requirement of the plan is on it",)
            words = (*words, *laid.remarks[name][:1])
            channels.append(ChannelForecast(name, (), "; ".join(words), (), known))
    return Forecast(
        run_id=run.id,
        until_s=heating.until_s,
        start_s=heating.start_s,
        surroundings=heating.around.name,
        channels=tuple(channels),
        rests_on=tuple(rests),
        funnels=_funnels(heating, channels, outlooks[-1]),
        not_foreseen=tuple(others.items()),
    )


def _meetings(
    goals: Sequence[Goal], core: Line, outlook: Outlook, heating: Heating
) -> list[Meeting]:
    on = [g for g in goals if core.name in g.channels]
    made = (meeting(g, core, outlook, from_s=heating.start_s) for g in on)
    return [m for m in made if m is not None]


def _funnels(
    heating: Heating, channels: Sequence[ChannelForecast], outlook: Outlook
) -> tuple[Funnel, ...]:
    """Return the funnels of what is foreseen, a little past the last moment spoken of."""
    ends = [p.interval_90[1] for c in channels for p in c.passes if not p.passed]
    ends += [m.interval_90[1] for c in channels for m in c.meets if m.interval_90 and not m.met]
    to_s = heating.until_s + 1.15 * (
        max(ends, default=heating.until_s + 0.5 * heating.elapsed_s) - heating.until_s
    )
    spoken = {c.name for c in channels if c.passes or c.meets}
    made = (funnel(outlook, core, to_s=to_s) for core in heating.cores if core.name in spoken)
    return tuple(f for f in made if f is not None)


def kind_of(plan: Plan | None, kind: str) -> str:
    """Return what kind of body it is: as said, else moist where the plan's product holds water."""
    if kind != "any" or plan is None or plan.product.moisture is None:
        return kind
    return "moist" if plan.product.moisture >= 0.15 else "dry"


def _without(record: ProductRecord, run: Run) -> ProductRecord:
    """Return a record without the run that is looked at: it must not know its own future."""
    others = tuple(r for r in record.runs if r.run_id != run.id and r.digest != run.digest)
    return replace(record, runs=others)


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


def _rests_on(
    fitted: Fit,
    surroundings: Sequence[str],
    kind: str,
    *,
    dry_only: bool,
    record: ProductRecord | None = None,
) -> tuple[str, ...]:
    words = [*surroundings]
    if dry_only:
        words.append(
            f"above {fitted.heating.boiling_c:.1f} °C: a body that doesn't boil, for a moist core stays there"
        )
    if record is not None and record.runs:
        count = len(record.runs)
        words.append(
            f"product record {record.name!r}: {count} earlier run" + ("s" if count > 1 else "")
        )
    elif record is not None:
        words.append(f"product record {record.name!r} holds no other run than this one")
    words.append(
        "general priors of size, properties and exchange"
        + (f", kind of body: {kind}" if kind != "any" else ", kind of body not known")
    )
    return tuple(words)


@dataclass(frozen=True, slots=True)
class ChannelTold:
    """What a fit told of one channel."""

    name: str
    kinds: dict[str, float]
    parameters: tuple[Identified, ...]
    misfit: str
    effective: float


@dataclass(frozen=True, slots=True)
class RunTold:
    """What a fit told of one run."""

    run_id: str
    from_s: float
    until_s: float
    surroundings: str
    channels: tuple[ChannelTold, ...]
    refused: dict[str, str]
    notes: tuple[str, ...]
    curves: tuple[FittedCurve, ...] = ()


@dataclass(frozen=True, slots=True)
class FitTold:
    """What fitting runs told, and the product record it went into."""

    runs: tuple[RunTold, ...]
    record: Path | None
    recorded_runs: int

    def facts(self) -> dict[str, Any]:
        """Return plain data for machines."""
        return {
            "runs": [
                {
                    "run": r.run_id,
                    "from_s": r.from_s,
                    "until_s": r.until_s,
                    "surroundings": r.surroundings,
                    "channels": [
                        {
                            "name": c.name,
                            "kinds": c.kinds,
                            "parameters": [
                                {
                                    "name": p.parameter,
                                    "unit": p.unit,
                                    "median": p.median,
                                    "interval_90": list(p.interval_90),
                                    "prior_90": list(p.prior_90),
                                    "kept": p.kept,
                                    "told": p.told,
                                    "source": p.source,
                                }
                                for p in c.parameters
                            ],
                            "misfit": c.misfit,
                            "effective_members": c.effective,
                        }
                        for c in r.channels
                    ],
                    "refused": r.refused,
                    "notes": list(r.notes),
                }
                for r in self.runs
            ],
            "product_record": None if self.record is None else str(self.record),
            "recorded_runs": self.recorded_runs,
        }


def fit_runs(
    logbook: Logbook,
    library: ReferenceLibrary,
    run_refs: Sequence[str],
    wanted: Wanted,
    *,
    product: str = "",
) -> FitTold:
    """Fit bodies to whole runs, and keep what they told in a product record where one is named.

    Each run is fitted for itself from the general priors, so that the order in which runs come and
    the record they go into do not matter to it.

    Raises
    ------
    UsageError, UnknownName, TooLittleData : as in `lay_out`, and where no channel can be fitted
    StorageTrouble : if the record can't be read or written
    """
    target = record_path(logbook, product) if product else None
    record = read_record(target) if target is not None and target.exists() else None
    told = []
    for ref in run_refs:
        run = logbook.open(ref)
        laid = lay_out(run, library, wanted)
        heating = heating_ends(laid.heating)
        kind = kind_of(laid.plan, wanted.kind)
        top = max((float(c.temp_c.max()) for c in heating.cores), default=0.0)
        dry = top > heating.boiling_c + 3.0
        fitted = whole_fit(
            heating, prior_of(kind, wanted, dry_only=dry and kind == "any"), seed=wanted.seed
        )
        entry = recorded(fitted, digest=run.digest)
        if target is not None:
            held = record or ProductRecord(target.stem, kind, ())
            record = held.joined_by(entry)
        told.append(
            RunTold(
                run_id=run.id,
                from_s=heating.start_s,
                until_s=heating.until_s,
                surroundings=heating.around.name,
                channels=tuple(
                    ChannelTold(
                        name,
                        kind_shares(one),
                        identified(one),
                        misfit_words(fitted, name),
                        one.effective,
                    )
                    for name, one in fitted.channels.items()
                ),
                refused=fitted.refused | laid.out,
                notes=heating.notes,
                curves=fitted_curves(fitted),
            )
        )
    if target is not None and record is not None:
        write_record(target, record)
    return FitTold(tuple(told), target, len(record.runs) if record else 0)
