"""What is foreseen for a recording that goes on: the model's forecast from what has come so far."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS, Mark, MarkKind, Role, Run, Series
from ovenwright.errors import OvenwrightError
from ovenwright.modelling.forecasting import Outlook
from ovenwright.modelling.kept_forecast import Grounds, KeptForecast, Work
from ovenwright.modelling.observing import refusal
from ovenwright.storage import toml_edit
from ovenwright.storage.journal import JournalHead
from ovenwright.workflow.aside import Doing
from ovenwright.workflow.forecasting import CAUTION, Asked, Forecast, answer, ask
from ovenwright.workflow.laying_out import Wanted, lay_out
from ovenwright.workflow.overview import Bins

LEAST_S = 120.0
"""So long the product must have been in the heat before anything is said."""
_MEMBERS = 1500
_MOST_LEVELS = 3
_REST = 3.0  # times what the last long work took: a quarter of a core at most
_SORRY_S = 30.0  # longer where it came to nothing
FITTED_NOW = "it is being fitted now"


@dataclass(frozen=True, slots=True)
class Foreseen:
    """When a channel passes a temperature, or meets a requirement of the plan, which it then names.

    Times are UTC ns by the instruments' clock: the median, and what holds it half of the time and
    nine times in ten. ``open_ended`` says that it may never be.
    """

    channel: str
    level_c: float | None
    requirement: str
    median_ns: int
    half_ns: tuple[int, int]
    most_ns: tuple[int, int]
    open_ended: bool


@dataclass(frozen=True, slots=True)
class Foresight:
    """What is foreseen at a moment, why some of it is not, and what it rests on.

    ``passes`` of the plan's temperatures, and ``meets`` of its requirements, that are still ahead.
    """

    at_ns: int
    passes: tuple[Foreseen, ...]
    meets: tuple[Foreseen, ...]
    refused: str
    rests_on: tuple[str, ...]
    caution: str = CAUTION


def levels_of(plan: Plan) -> tuple[float, ...]:
    """Return the temperatures that a plan wants its cores to pass: crossings, then requirements."""
    cores = {c.name for c in plan.channels if c.role is Role.CORE}
    found = [w.level_c for w in plan.crossings if set(plan.names(w.on)) & cores]
    found += [
        r.at_least
        for r in plan.requirements
        if r.measure == "end_temperature" and r.at_least is not None and r.on is Role.CORE
    ]
    return tuple(sorted(dict.fromkeys(found), reverse=True)[:_MOST_LEVELS])


def can_foresee(plan: Plan) -> bool:
    """Return whether a plan has what a forecast needs: cores, something around them, levels."""
    roles = {c.role for c in plan.channels}
    return Role.CORE in roles and bool(roles & {Role.AIR, Role.WALL}) and bool(levels_of(plan))


class Foreseeing:
    """Foresees a recording as it goes on, by forecasts that are kept up to date.

    Parameters
    ----------
    library : for the plan's kinetics
    head, plan : of the recording
    aside : does what takes long
    """

    def __init__(
        self, library: ReferenceLibrary, head: JournalHead, plan: Plan, aside: Doing
    ) -> None:
        self._library, self._head, self._plan, self._aside = library, head, plan, aside
        self._wanted = Wanted(passes=levels_of(plan), members=_MEMBERS)
        self._kept: dict[bool, KeptForecast] = {}
        self._grounds: dict[bool, Grounds] = {}
        self._asked_s = -math.inf
        self._rest_until_s = -math.inf
        self._failed = ""
        self.waiting = False
        """Whether the first fit is being made, so that there will be more to say soon."""

    def see(self, bins: Bins, *, entry_ns: int, now_s: float) -> Foresight:
        """Take in what has come and return what is foreseen; quick, for fits are made aside.

        Parameters
        ----------
        bins : the whole recording so far
        entry_ns : when the product entered
        now_s : by a clock that never steps, so that fits leave time for others

        Raises
        ------
        OvenwrightError : as the forecast of a run, where nothing can be said at all
        """
        run = _run_of(self._head, self._plan, bins, entry_ns)
        laid = lay_out(run, self._library, self._wanted)
        # remarks come and go from reading to reading; the page and the checks tell them
        laid = replace(laid, remarks=dict.fromkeys(laid.remarks, ()))
        asked = ask(laid, self._library, self._wanted)
        self._take(now_s)
        outlooks = {part: self._outlook(asked, part) for part in asked.parts}
        self._ask(asked, now_s)
        self.waiting = self._aside.busy and not asked.parts.keys() <= self._kept.keys()
        return _said(run, answer(asked, outlooks))

    def _outlook(self, asked: Asked, dry_only: bool) -> Outlook:
        kept = self._kept.get(dry_only)
        if kept is not None:
            return kept.update(asked.laid.heating)
        heating = asked.laid.heating
        refused = {
            core.name: refusal(core, heating) or self._failed or FITTED_NOW
            for core in heating.cores
        }
        return Outlook(heating.until_s, {}, refused)

    def _take(self, now_s: float) -> None:
        """Take in what has been done aside."""
        done = self._aside.take()
        if done is None:
            return
        dry_only, fresh = done
        kept = self._kept.get(dry_only)
        self._rest_until_s = now_s + _REST * (now_s - self._asked_s)
        self._failed = fresh if isinstance(fresh, str) else ""
        if isinstance(fresh, str):
            self._rest_until_s += _SORRY_S
            if kept is not None:
                kept.give_up()
        elif kept is not None:
            kept.adopt(fresh)
        elif fresh.fit is not None and fresh.fit.channels:
            self._kept[dry_only] = KeptForecast(self._grounds[dry_only], fresh)

    def _ask(self, asked: Asked, now_s: float) -> None:
        """Have done aside what is due, if there is time for it."""
        if self._aside.busy or now_s < self._rest_until_s:
            return
        heating = asked.laid.heating
        for dry_only in asked.parts:
            kept = self._kept.get(dry_only)
            if kept is not None:
                work = kept.work()
            elif any(not refusal(core, heating) for core in heating.cores):
                grounds = Grounds(asked.prior(dry_only=dry_only), seed=self._wanted.seed)
                self._grounds[dry_only] = grounds
                work = Work("nothing has been fitted yet", heating, grounds, None)
            else:
                continue
            if work is not None:
                self._asked_s = now_s
                self._aside.ask(dry_only, work)
                return


def _run_of(head: JournalHead, plan: Plan, bins: Bins, entry_ns: int) -> Run:
    wanted = {Role.CORE, Role.AIR, Role.WALL}
    roles = {c.name: c.role for c in plan.channels}
    middle: FloatArray = ((bins.low + bins.high) / 2.0).astype(np.float64)
    times = bins.start_ns + np.arange(len(middle), dtype=np.int64) * bins.width_ns
    times += bins.width_ns // 2
    series = {}
    for i, name in enumerate(head.channels):
        known = np.isfinite(middle[:, i])
        if roles.get(name) in wanted and known.any():
            n = int(known.sum())
            series[name] = Series(times[known], middle[known, i], np.zeros(n, dtype=np.uint8))
    text = toml_edit.set_value(head.plan_toml, ("recording", "interval_s"), bins.width_ns / NS)
    return Run(
        id=head.id,
        series=series,
        marks=(Mark(MarkKind.LOAD_IN, entry_ns),),
        plan_toml=text,
        title=head.title,
        time_zone=head.time_zone,
    )


def _said(run: Run, forecast: Forecast) -> Foresight:
    passes: list[Foreseen] = []
    meets: list[Foreseen] = []
    refused: dict[str, list[str]] = {}

    def at_ns(seconds: float) -> int:
        return run.start_ns + round(seconds * NS)

    def both(interval: tuple[float, float]) -> tuple[int, int]:
        return at_ns(interval[0]), at_ns(interval[1])

    for channel in forecast.channels:
        if channel.refused:  # numbers alone make no other reason
            alike = (why for why in refused if numberless(why) == numberless(channel.refused))
            refused.setdefault(next(alike, channel.refused), []).append(channel.name)
        passes += [
            Foreseen(
                channel.name, p.temp_c, "", at_ns(p.median_s), both(p.interval_50),
                both(p.interval_90), p.open_ended,
            )
            for p in channel.passes
            if not p.passed
        ]  # fmt: skip
        for m in channel.meets:
            if m.met or m.median_s is None or m.interval_50 is None or m.interval_90 is None:
                continue
            meets.append(
                Foreseen(
                    channel.name, None, m.requirement, at_ns(m.median_s), both(m.interval_50),
                    both(m.interval_90), m.open_ended,
                )
            )  # fmt: skip
    reasons = "; ".join(f"{', '.join(names)}: {why}" for why, names in refused.items())
    rests_on = forecast.rests_on
    return Foresight(at_ns(forecast.until_s), tuple(passes), tuple(meets), reasons, rests_on)


def numberless(words: str) -> str:
    """Return words with every number as the same sign, to tell a new reason from a new number."""
    return re.sub(r"\d+(\.\d+)?", "#", words)


def refusal_of(trouble: OvenwrightError, at_ns: int) -> Foresight:
    """Return a foresight that says why there is none."""
    return Foresight(at_ns, (), (), trouble.what, ())
