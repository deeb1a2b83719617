"""Bring in readings: files understood, matched with the plan, looked at, sealed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from ovenwright.analysis.roles import Guess, guess_roles, on_one_axis
from ovenwright.domain.arrays import IntArray
from ovenwright.domain.plan import Plan
from ovenwright.domain.profile import FlagSpan, Severity
from ovenwright.domain.run import NS, Instrument, Mark, MarkKind, Quality, Run, Series
from ovenwright.errors import ReadingsRefused, UsageError
from ovenwright.physics.units import to_celsius
from ovenwright.physics.water import boiling_point_c, pressure_at_altitude_kpa
from ovenwright.storage.plan_file import read_plan
from ovenwright.storage.readings import (
    ChannelFound,
    Choices,
    Concluded,
    FileFound,
    Joined,
    SetAside,
    join_files,
    read_file,
)

if TYPE_CHECKING:
    from ovenwright.storage.logbook import Logbook


Reader = Callable[[Path, Choices], FileFound]


@dataclass(frozen=True, slots=True)
class Noted:
    """A mark that a person noted, in seconds since the first reading."""

    kind: MarkKind
    at_s: float
    text: str = ""
    until_s: float | None = None

    def mark(self, start_ns: int) -> Mark:
        """Return it on the run's own time axis."""
        until = None if self.until_s is None else start_ns + round(self.until_s * NS)
        return Mark(
            self.kind, start_ns + round(self.at_s * NS), self.text, by="person", until_ns=until
        )


@dataclass(frozen=True, slots=True)
class ChannelBrought:
    """What is told of one channel after import; temperatures in °C, None without a reading."""

    name: str
    column: str
    unit: str
    role_guess: str | None
    role_reason: str
    count: int
    missing: int
    interval_s: float
    first_c: float | None
    last_c: float | None
    max_c: float | None
    flags: tuple[FlagSpan, ...]


@dataclass(frozen=True, slots=True)
class Brought:
    """A run that was brought in, and everything that was concluded on the way.

    ``run`` is sealed unless ``sealed`` is False; ``samples`` counts the instants with readings.
    """

    run: Run
    sealed: bool
    start: str | None
    interval_s: float
    samples: int
    channels: tuple[ChannelBrought, ...]
    set_aside: tuple[SetAside, ...]
    concluded: tuple[Concluded, ...]
    notes: tuple[str, ...]

    def facts(self) -> dict[str, object]:
        """Return the answer for machines."""
        # a file without dates has a clock of its own, which need not begin at zero
        zero_s = None if self.run.absolute else self.run.start_ns / NS
        return {
            "run": self.run.id or None,
            "start": self.start,
            "first_file_time_s": zero_s,
            "interval_s": self.interval_s,
            "samples": self.samples,
            "channels": [
                {
                    "name": c.name,
                    "column": c.column,
                    "unit": c.unit,
                    "role_guess": c.role_guess,
                    "role_reason": c.role_reason,
                    "count": c.count,
                    "missing": c.missing,
                    "interval_s": c.interval_s,
                    "first_c": c.first_c,
                    "last_c": c.last_c,
                    "max_c": c.max_c,
                    "flags": [
                        {
                            "name": f.check,
                            "from_s": f.from_s,
                            "to_s": f.to_s,
                            "from_file_time_s": None if zero_s is None else zero_s + f.from_s,
                            "to_file_time_s": None if zero_s is None else zero_s + f.to_s,
                            "severity": str(f.severity),
                            "reason": f.reason,
                        }
                        for f in c.flags
                    ],
                }
                for c in self.channels
            ],
            "set_aside": [a.name for a in self.set_aside],
            "set_aside_reasons": {a.name: a.why for a in self.set_aside},
            "notes": list(self.notes),
            "concluded": [
                {"about": c.about, "found": c.found, "why": c.why, "option": c.option}
                for c in self.concluded
            ],
            "digest": self.run.digest or None,
            "sealed": self.sealed,
        }


def bring_in(
    files: Sequence[Path],
    choices: Choices,
    *,
    logbook: Logbook | None,
    plan_file: Path | None = None,
    title: str = "",
    noted: Sequence[Noted] = (),
    usual_zone: str = "",
    reader: Reader = read_file,
) -> Brought:
    """Read files into one run and seal it.

    Parameters
    ----------
    files : at least one
    choices : what a person decided
    logbook : where the run is sealed; None to conclude only
    plan_file : a plan whose channels are matched with the columns and which is kept with the run
    title : name of the run; the plan's, or the first file's, when left empty
    noted : what a person noted on the time axis: load-in, load-out, a door, a word
    usual_zone : time zone of clocks where neither `choices` nor the plan names one
    reader : reads one file

    Raises
    ------
    ReadingsRefused, UnknownName, UsageError : see :func:`ovenwright.storage.readings.read_file`
    PlanFaults : if the plan can't be used
    StorageTrouble : if the logbook can't be written; nothing half-written stays
    """
    if not files:
        raise UsageError("no file was named", remedy="ovenwright import FILE…")
    plan = read_plan(plan_file) if plan_file is not None else None
    plan_text = plan_file.read_text(encoding="utf-8-sig") if plan_file is not None else ""
    notes: list[str] = []
    choices, zone_note = _with_plan(choices, plan, usual_zone)
    joined = join_files([reader(f, choices) for f in files], choices.join)
    if joined.absolute and zone_note:
        notes.append(zone_note)
    if not joined.channels:
        raise ReadingsRefused("no temperature column was found", file=files[0].name)
    channels = joined.channels
    if plan is not None:
        channels, said = match_plan(channels, plan, files[0].name)
        notes += said
    notes = [c.words() for c in joined.concluded if not c.certain] + list(joined.notes) + notes
    notes += [a.words() for a in joined.set_aside]
    run = _run_of(
        channels,
        joined,
        notes,
        plan=plan,
        plan_text=plan_text,
        title=title or _title(files, plan),
        files=files,
    )
    if noted:
        run = replace(run, marks=tuple(n.mark(run.start_ns) for n in noted))
    flags = _health(run, plan)
    brought = _told(run, joined, channels, flags=flags, notes=notes, plan=plan)
    if logbook is None:
        return brought
    sealed = logbook.seal(run, originals=[(f.name, f) for f in files])
    return replace(brought, run=sealed, sealed=True)


def _with_plan(choices: Choices, plan: Plan | None, usual_zone: str) -> tuple[Choices, str]:
    """Add what plan and settings know: which columns are temperatures, where the clock hung."""
    note = ""
    if not choices.zone:
        zone, whose = usual_zone, "the one in the settings"
        if plan is not None and plan.site.time_zone != "UTC":
            zone, whose = plan.site.time_zone, "the plan's"
        if zone:
            note = f"times without a zone are read in {zone}, {whose} (--zone overrules)"
        choices = replace(choices, zone=zone)
    if plan is not None:
        planned = tuple(n for c in plan.channels for n in (c.name, c.column) if n)
        choices = replace(choices, planned=(*choices.planned, *planned))
    return choices, note


def match_plan(
    channels: Sequence[ChannelFound], plan: Plan, file: str
) -> tuple[tuple[ChannelFound, ...], list[str]]:
    """Give columns the plan's channel names; tell what has no partner on either side.

    Raises
    ------
    ReadingsRefused : if no column fits any channel of the plan
    """
    by_word: dict[str, str] = {}
    for c in plan.channels:
        by_word[_fold(c.name)] = c.name
    for c in plan.channels:
        if c.column:
            by_word[_fold(c.column)] = c.name
    named: list[ChannelFound] = []
    taken: set[str] = set()
    strangers: list[str] = []
    for channel in channels:
        name = next(
            (
                by_word[w]
                for w in (_fold(channel.heading), _fold(channel.name))
                if w in by_word and by_word[w] not in taken
            ),
            None,
        )
        if name is None:
            strangers.append(channel.name)
            named.append(channel)
        else:
            taken.add(name)
            named.append(replace(channel, name=name))
    lacking = [c.name for c in plan.channels if c.name not in taken]
    if not taken:
        raise ReadingsRefused(
            f"none of the plan's channels is in the file: the plan has {', '.join(lacking[:8])}, "
            f'the file {", ".join(strangers[:8])}; write the file\'s heading as column = "…" in '
            "the plan's channel",
            file=file,
        )
    clash = taken & set(strangers)
    named = [
        replace(c, name=f"{c.name} (column)") if c.name in clash and c.heading in strangers else c
        for c in named
    ]
    notes = []
    if lacking:
        notes.append(f"the plan's channels without a column: {', '.join(lacking)}")
    if strangers:
        notes.append(f"columns that the plan does not know, kept: {', '.join(strangers)}")
    return tuple(named), notes


def _fold(text: str) -> str:
    return " ".join(text.split()).casefold()


def _title(files: Sequence[Path], plan: Plan | None) -> str:
    return plan.title if plan is not None else files[0].name.split(".")[0]


def _run_of(
    channels: Sequence[ChannelFound],
    joined: Joined,
    notes: Sequence[str],
    *,
    plan: Plan | None,
    plan_text: str,
    title: str,
    files: Sequence[Path],
) -> Run:
    series: dict[str, Series] = {}
    axes: list[IntArray] = []
    for c in channels:
        # channels read together share one time axis object, which keeps a long run small
        axis = next((a for a in axes if a is c.time_ns or np.array_equal(a, c.time_ns)), None)
        if axis is None:
            axis = c.time_ns
            axes.append(axis)
        celsius = c.unit == "degC"
        series[c.name] = Series(
            time_ns=axis,
            value_c=c.value if celsius else to_celsius(c.value, c.unit),
            quality=c.quality,
            raw=None if celsius else c.value,
            raw_unit=c.unit,
        )
    return Run(
        id="",
        series=series,
        absolute=joined.absolute,
        instrument=Instrument(
            reference_junction_c=joined.reference_junction_c,
            origin=tuple(f.name for f in files),
        ),
        plan_toml=plan_text,
        title=title,
        notes=tuple(notes),
        set_aside=tuple(a.name for a in joined.set_aside),
        time_zone=joined.zone if plan is None or joined.zone != "UTC" else plan.site.time_zone,
    )


def _health(run: Run, plan: Plan | None) -> tuple[FlagSpan, ...]:
    from ovenwright.conditioning.health import check_run

    return check_run(run, plan)


def _roles(run: Run, plan: Plan | None, flags: Sequence[FlagSpan]) -> tuple[Guess, ...]:
    boiling = 100.0
    if plan is not None and plan.site.pressure_kpa is not None:
        boiling = float(boiling_point_c(plan.site.pressure_kpa))
    elif plan is not None and plan.site.altitude_m is not None:
        boiling = float(boiling_point_c(pressure_at_altitude_kpa(plan.site.altitude_m)))
    times = [(s.time_ns - run.start_ns) / NS for s in run.series.values()]
    axis, temps = on_one_axis(times, [s.value_c for s in run.series.values()])
    for f in flags:
        if f.severity is Severity.BAD:
            # what a failing sensor says must not make it the hottest
            span = (axis >= f.from_s) & (axis <= f.to_s)
            temps[span, list(run.series).index(f.channel)] = np.nan
    return guess_roles(axis, temps, boiling_c=boiling)


def _told(
    run: Run,
    joined: Joined,
    channels: Sequence[ChannelFound],
    *,
    flags: Sequence[FlagSpan],
    notes: Sequence[str],
    plan: Plan | None,
) -> Brought:
    told = []
    for (name, series), channel, guess in zip(
        run.series.items(), channels, _roles(run, plan, flags), strict=True
    ):
        known = series.value_c[np.isfinite(series.value_c)]
        missing = int(np.count_nonzero(series.quality & int(Quality.MISSING)))
        told.append(
            ChannelBrought(
                name=name,
                column=channel.heading,
                unit=channel.unit,
                role_guess=str(guess[0]) if guess[0] is not None else None,
                role_reason=guess[1],
                count=int(known.size),
                missing=missing,
                interval_s=_interval_s(series.time_ns),
                first_c=float(known[0]) if known.size else None,
                last_c=float(known[-1]) if known.size else None,
                max_c=float(known.max()) if known.size else None,
                flags=tuple(f for f in flags if f.channel == name),
            )
        )
    axes = {id(s.time_ns): s.time_ns for s in run.series.values()}
    instants = (
        next(iter(axes.values())).size
        if len(axes) == 1
        else np.unique(np.concatenate(list(axes.values()))).size
    )
    longest = max(axes.values(), key=lambda t: t.size)
    return Brought(
        run=run,
        sealed=False,
        start=start_words(run),
        interval_s=_interval_s(longest),
        samples=int(instants),
        channels=tuple(told),
        set_aside=joined.set_aside,
        concluded=joined.concluded,
        notes=tuple(notes),
    )


def _interval_s(time_ns: IntArray) -> float:
    return float(np.median(np.diff(time_ns))) / NS if time_ns.size > 1 else float("nan")


def start_words(run: Run) -> str | None:
    """Return the time of the first reading as ISO 8601 with its offset, None if it has no date."""
    if not run.absolute:
        return None
    whole, rest = divmod(run.start_ns, NS)
    zone = ZoneInfo(run.time_zone)
    moment = np.datetime64(whole, "s").astype("datetime64[us]").item()
    local = moment.replace(tzinfo=ZoneInfo("UTC")).astimezone(zone)
    text: str = local.isoformat(timespec="seconds")
    if not rest:
        return text
    fraction = f"{rest:09d}".rstrip("0")
    return f"{text[:19]}.{fraction}{text[19:]}"
