"""`ovenwright import`: bring in readings from a file of any instrument."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING

from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.storage.readings import Choices
    from ovenwright.workflow.bringing_in import Brought, Noted

_EPILOG = """What is not given is concluded from the file and told with its reason. A file that can be
read in two ways is refused, naming the option that decides. Nothing is altered: the file itself is
kept in the logbook beside the sealed run."""


_MOST = 12


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.epilog = _EPILOG
    add = parser.add_argument
    add("files", nargs="+", type=Path, metavar="FILE", help="text, .gz, XLSX or Parquet")
    add(
        "--plan", type=Path, metavar="PLAN", help="plan whose channels the columns are matched with"
    )
    add("--title", default="", metavar="TEXT", help="name of the run")
    add(
        "--unit",
        action="append",
        default=[],
        metavar="[NAME=]U",
        help="unit of all temperatures, or of one column: C, F or K (repeatable)",
    )
    add("--channels", metavar="A,B,…", help="take these columns only")
    add("--leave-out", metavar="A,B,…", help="never take these columns")
    add("--time-column", metavar="NAME[,NAME2]", help="the time, or date and time of day")
    add("--time-unit", default="", metavar="U", help="s, min, h, ms, h:mm:ss, mm:ss, h:mm, serial")
    add(
        "--interval", type=float, metavar="S", help="seconds from row to row, where none has a time"
    )
    order = parser.add_mutually_exclusive_group()
    order.add_argument(
        "--day-first", dest="day_first", action="store_true", default=None, help="03/04 is 3 April"
    )
    order.add_argument(
        "--month-first", dest="day_first", action="store_false", help="03/04 is 4 March"
    )
    order.add_argument("--year-first", action="store_true", help="24-05-11 is 11 May 2024")
    add("--zone", metavar="ZONE", help="where the instrument's clock hung, such as Europe/Riga")
    add("--start", default="", metavar="ISO", help="date and time of elapsed zero")
    add("--delimiter", default="", metavar="D", help="comma, semicolon, tab, pipe, space")
    add("--decimal", default="", metavar="D", help="comma or point")
    add("--encoding", default="", metavar="E", help="utf-8, utf-16, cp1252, latin-1 …")
    add("--header-row", type=int, default=0, metavar="N", help="line of the headings, from 1")
    add("--sheet", default="", metavar="NAME", help="sheet of a spreadsheet")
    add(
        "--missing",
        action="append",
        default=[],
        metavar="MARK",
        help="a mark that stands for no reading (repeatable)",
    )
    add(
        "--join",
        default="auto",
        choices=("auto", "time", "beside", "after"),
        help="how several files become one run (default: auto)",
    )
    add(
        "--mark",
        action="append",
        default=[],
        metavar="KIND@TIME[=TEXT]",
        help="load-in, load-out, door or note, at s, m:ss or h:mm:ss after the first reading",
    )
    add("--dry-run", action="store_true", help="conclude only, keep nothing")


def choices_of(args: argparse.Namespace) -> Choices:
    """Return what the command line decides.

    Raises
    ------
    UsageError : if an option can't be understood
    """
    from ovenwright.storage.readings import Choices, Join

    everywhere = ""
    by_name: dict[str, str] = {}
    for word in args.unit:
        name, equals, unit = word.rpartition("=")
        if equals and name.strip():
            by_name[name.strip()] = unit.strip()
        elif everywhere and everywhere != word:
            raise UsageError(
                f"two units for all columns: {everywhere} and {word}",
                where="--unit",
                remedy="name the column: --unit NAME=U",
            )
        else:
            everywhere = unit.strip()
    if args.header_row < 0:
        raise UsageError("lines count from 1", where="--header-row")
    if args.interval is not None and not 0 < args.interval < math.inf:
        raise UsageError("a step is a number of seconds above 0", where="--interval")
    return Choices(
        unit=everywhere,
        units=by_name,
        time_columns=_names(args.time_column),
        time_unit=args.time_unit,
        channels=_names(args.channels),
        left_out=_names(args.leave_out),
        day_first=args.day_first,
        year_first=args.year_first,
        zone=args.zone or "",
        delimiter=args.delimiter,
        decimal=args.decimal,
        encoding=args.encoding,
        header_row=args.header_row,
        sheet=args.sheet,
        start=args.start,
        interval_s=args.interval or 0.0,
        missing=tuple(args.missing),
        join=Join(args.join),
    )


def noted_of(words: list[str]) -> tuple[Noted, ...]:
    """Return the marks that the command line notes.

    Raises
    ------
    UsageError : if one can't be understood
    """
    from ovenwright.domain.run import MarkKind
    from ovenwright.workflow.bringing_in import Noted

    kinds = {
        k.value: k for k in (MarkKind.LOAD_IN, MarkKind.LOAD_OUT, MarkKind.DOOR, MarkKind.NOTE)
    }
    out = []
    for word in words:
        head, _, text = word.partition("=")
        kind, at, moment = head.partition("@")
        parts = moment.split(":")
        try:
            seconds = sum(float(p) * 60**i for i, p in enumerate(reversed(parts)))
        except ValueError:
            seconds = -1.0
        if kind not in kinds or not at or len(parts) > 3 or not 0 <= seconds < 1e9:
            raise UsageError(
                f"{word!r} can't be understood",
                where="--mark",
                remedy=f"write KIND@TIME, for example door@1:30:00; kinds: {', '.join(kinds)}",
            )
        out.append(Noted(kinds[kind], seconds, text.strip()))
    return tuple(out)


def _names(text: str | None) -> tuple[str, ...]:
    return tuple(n.strip() for n in (text or "").split(",") if n.strip())


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Bring in the files and tell what was concluded."""
    choices = choices_of(args)
    from ovenwright.cli.show import emit_json, progress
    from ovenwright.compose import build
    from ovenwright.workflow.bringing_in import bring_in

    logbook = None if args.dry_run else build(settings).logbook
    with progress("reading", quiet=args.json):
        brought = bring_in(
            args.files,
            choices,
            logbook=logbook,
            plan_file=args.plan,
            title=args.title,
            usual_zone=settings.zone,
            noted=noted_of(args.mark),
        )
    if args.json:
        emit_json(brought.facts())
    else:
        _show(brought, args, settings)
    return 0


def _show(brought: Brought, args: argparse.Namespace, settings: Settings) -> None:
    from ovenwright.cli.show import say, show_table
    from ovenwright.reporting.words import clock

    unit = {"degC": "°C", "degF": "°F", "K": "K"}
    rows = [
        [
            c.name,
            unit.get(c.unit, c.unit),
            c.role_guess or "?",
            str(c.count),
            str(c.missing),
            _step(c.interval_s),
            _shown(c.first_c, settings),
            _shown(c.max_c, settings),
        ]
        for c in brought.channels
    ]
    title = f"{brought.samples} samples, every {_step(brought.interval_s)} s, from " + (
        brought.start or "an unknown date"
    )
    show_table(
        title,
        [
            "channel", "unit", "role?", "count", "missing", "step s",
            f"first °{settings.show_unit}", f"max °{settings.show_unit}",
        ],
        rows,
        right=(3, 4, 5, 6, 7),
    )  # fmt: skip
    say("Guessed roles (the plan's own hold, where there is one)")
    for line in _reasons(brought):
        say(f"- {line}")
    flags = [f for c in brought.channels for f in c.flags]
    say("Health" if flags else "Health: nothing was found")
    for f in flags[:_MOST]:
        words = f"{f.channel}: {f.check.replace('-', ' ')} ({f.severity})"
        say(f"- {words}, {clock(f.from_s)} to {clock(f.to_s)} after the first reading")
    if len(flags) > _MOST:
        say(f"- and {len(flags) - _MOST} more: ovenwright show lists all")
    if brought.notes:
        say("Notes")
        for note in brought.notes:
            say(f"- {note}")
    say()
    if not brought.sealed:
        say("Nothing was kept (--dry-run).")
        return
    say(f"Sealed as {brought.run.id} (SHA-256 {brought.run.digest[:12]}…).")
    if brought.run.plan_toml:
        say(f"Next: ovenwright judge {brought.run.id} --plan {args.plan}")
    else:
        say(f"Next: ovenwright show {brought.run.id}, or write a plan: ovenwright plan new")


def _reasons(brought: Brought) -> list[str]:
    """Tell each guess once, with the channels it is for."""
    said: dict[str, list[str]] = {}
    for c in brought.channels:
        said.setdefault(f"{c.role_guess or 'no guess'}: {c.role_reason}", []).append(c.name)
    return [f"{', '.join(names)} – {why}" for why, names in said.items()]


def _step(interval_s: float) -> str:
    return f"{interval_s:.4g}" if math.isfinite(interval_s) else "-"


def _shown(value_c: float | None, settings: Settings) -> str:
    if value_c is None:
        return "-"
    if settings.show_unit == "F":
        from ovenwright.physics.units import from_celsius

        return f"{float(from_celsius(value_c, 'degF')):.1f}"
    return f"{value_c:.1f}"
