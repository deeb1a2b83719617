"""Forecast a run: fit a body to what was known at a moment, and look ahead."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.errors import UsageError
from ovenwright.modelling.curves import Funnel, funnel
from ovenwright.modelling.ensemble import Ensemble
from ovenwright.modelling.fitting import fit
from ovenwright.modelling.forecasting import Outlook, Passing, Refused, look_ahead, passing
from ovenwright.modelling.heating import Heating, Line
from ovenwright.modelling.product_record import ProductRecord
from ovenwright.modelling.requirements_ahead import Goal, Meeting, goals_of, meeting
from ovenwright.modelling.surroundings_ahead import EarlierCourse
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.laying_out import (
    Laid,
    Wanted,
    kind_of,
    lay_out,
    prior_of,
    record_for,
    record_words,
)

CAUTION = (
    "A forecast says what is likely, it proves nothing: only readings show that a product was hot "
    "enough for long enough. Never take a product out, or call it safe, on a forecast."
)


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
    if not wanted.passes and not run.plan_toml:
        raise _nothing_asked()
    laid = lay_out(run, library, wanted)
    asked = ask(laid, library, wanted, record=record_for(logbook, product, run))
    outlooks = {}
    for dry_only in asked.parts:
        fitted = fit(
            laid.heating, asked.prior(dry_only=dry_only), seed=wanted.seed, origins=asked.origins
        )
        outlooks[dry_only] = look_ahead(fitted, seed=wanted.seed, earlier=asked.earlier)
    told = answer(asked, outlooks)
    last = list(outlooks.values())[-1]
    return replace(told, funnels=_funnels(laid.heating, told.channels, last))


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of a run that has been laid out, and what a fit of it starts from.

    ``parts`` are asked apart: whether they are of a body that doesn't boil, and the temperatures and
    requirements.
    """

    laid: Laid
    wanted: Wanted
    kind: str
    record: ProductRecord | None
    parts: Mapping[bool, tuple[tuple[float, ...], tuple[Goal, ...]]]
    not_foreseen: tuple[tuple[str, str], ...]

    @property
    def origins(self) -> tuple[str, ...]:
        """Channels of the record."""
        return self.record.origins if self.record else ()

    @property
    def earlier(self) -> tuple[EarlierCourse, ...]:
        """Surroundings of the record's runs."""
        return self.record.courses if self.record else ()

    def prior(self, *, dry_only: bool) -> Ensemble:
        """Return the members before the run is looked at."""
        return prior_of(self.kind, self.wanted, dry_only=dry_only, record=self.record)


def ask(
    laid: Laid, library: ReferenceLibrary, wanted: Wanted, *, record: ProductRecord | None = None
) -> Asked:
    """Lay out what is asked.

    Raises
    ------
    UsageError : if that is nothing
    """
    goals, others = goals_of(laid.plan, library) if laid.plan is not None else ((), {})
    if not wanted.passes and not goals:
        raise _nothing_asked()
    boils_c = laid.heating.boiling_c + 2.0
    parts = {}
    for dry_only in (False, True):
        levels = tuple(t for t in wanted.passes if (t > boils_c) is dry_only)
        some = tuple(g for g in goals if (g.beyond_c > boils_c) is dry_only)
        if levels or some:
            parts[dry_only] = (levels, some)
    kind = kind_of(laid.plan, wanted.kind)
    return Asked(laid, wanted, kind, record, parts, tuple(others.items()))


def _nothing_asked() -> UsageError:
    return UsageError(
        "no temperature to pass is given, and no plan says what is to be met",
        where="--pass",
        remedy="for example --pass 95",
    )


def answer(asked: Asked, outlooks: Mapping[bool, Outlook]) -> Forecast:
    """Return what outlooks, one for each part, say of what is asked; without funnels."""
    laid, wanted, heating = asked.laid, asked.wanted, asked.laid.heating
    found: dict[tuple[str, float], Passing | Refused] = {}
    meets: dict[str, list[Meeting]] = {}
    rests: dict[str, None] = dict.fromkeys(heating.notes)
    for dry_only, (levels, goals) in asked.parts.items():
        outlook = outlooks[dry_only]
        for core in heating.cores:
            for level in levels:
                found[core.name, level] = passing(outlook, core.name, level, core=core)
            meets.setdefault(core.name, []).extend(_meetings(goals, core, outlook, heating))
        rests |= dict.fromkeys(_rests_on(asked, outlook.rests_on, dry_only=dry_only))
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
            why = dict.fromkeys(o.refused[name] for o in outlooks.values() if name in o.refused)
            words = reasons or tuple(why) or ("no requirement of the plan is on it",)
            words = (*words, *laid.remarks[name][:1])
            channels.append(ChannelForecast(name, (), "; ".join(words), (), known))
    return Forecast(
        run_id=heating.run_id,
        until_s=heating.until_s,
        start_s=heating.start_s,
        surroundings=heating.around.name,
        channels=tuple(channels),
        rests_on=tuple(rests),
        not_foreseen=asked.not_foreseen,
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


def _rests_on(asked: Asked, surroundings: Sequence[str], *, dry_only: bool) -> tuple[str, ...]:
    words = [*surroundings]
    if dry_only:
        words.append(
            f"above {asked.laid.heating.boiling_c:.1f} °C: a body that doesn't boil, for a moist core stays there"
        )
    words += record_words(asked.record)
    words.append(
        "general priors of size, properties and exchange"
        + (f", kind of body: {asked.kind}" if asked.kind != "any" else ", kind of body not known")
    )
    return tuple(words)
