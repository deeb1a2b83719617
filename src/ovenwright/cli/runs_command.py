"""`ovenwright runs`: the runs of the logbook, the one sealed last first."""

from __future__ import annotations

import argparse
import sys
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.catalogue.entries import RunEntry
    from ovenwright.workflow.recording_verbs import OpenRecording

_SHOWN = 30


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "words",
        nargs="*",
        metavar="WORD",
        help="only runs with every word in id, title, oven, product, notes or channel names",
    )
    parser.add_argument("--oven", default="", metavar="NAME", help="only runs on this oven")
    parser.add_argument("--product", default="", metavar="NAME", help="only runs of this product")
    parser.add_argument(
        "--verdict",
        default="",
        choices=["pass", "fail", "undecided", "none"],
        help="only runs with this last verdict; none for runs never judged",
    )
    parser.add_argument("--since", metavar="DATE", help="only runs begun on this UTC day or later")
    parser.add_argument("--until", metavar="DATE", help="only runs begun before this UTC day")
    parser.add_argument(
        "--limit", type=int, metavar="N", help=f"at most N runs (default {_SHOWN}; all with --json)"
    )
    parser.add_argument(
        "--rebuild", action="store_true", help="make the index anew from the sealed runs first"
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Show the list; an empty logbook says how to fill it."""
    from ovenwright.cli.show import emit_json, progress, say, show_table
    from ovenwright.compose import build
    from ovenwright.domain.run import junctions_among
    from ovenwright.workflow.keeping import Wish, list_runs
    from ovenwright.workflow.recording_verbs import open_recordings

    if args.limit is not None and args.limit < 1:
        raise UsageError(f"--limit is {args.limit}, expected 1 or more")
    wish = Wish(
        text=" ".join(args.words),
        oven=args.oven,
        product=args.product,
        verdict=args.verdict,
        since_ns=_day_ns(args.since, "--since"),
        until_ns=_day_ns(args.until, "--until"),
        limit=args.limit or (None if args.json else _SHOWN),
    )
    tools = build(settings)
    with progress("reading the logbook", quiet=args.json):
        found = list_runs(tools.logbook, tools.catalogue, wish, rebuild=args.rebuild)
    words = [word.lower() for word in args.words]
    opened = [
        one
        for one in open_recordings(tools.logbook)
        if all(word in f"{one.id} {one.title} {one.channels}".lower() for word in words)
        and not (args.oven or args.product or args.verdict or args.since or args.until)
    ]
    for trouble in found.troubles:
        print(f"ovenwright: {trouble}", file=sys.stderr)
    if args.json:
        emit_json(
            {
                "logbook": str(tools.logbook.folder),
                "total": found.total,
                "runs": [*map(_open_facts, opened), *map(_facts, found.runs)],
                "troubles": list(found.troubles),
            }
        )
        return 0
    if opened:
        show_table(
            "Recordings not sealed yet",
            ["run", "started", "readings", "state"],
            [
                [
                    f"{one.id}\n{one.title}",
                    _when(one.started_ns, settings.zone or one.time_zone),
                    f"{one.readings:,}",
                    "recording" if one.recording else "cut off",
                ]
                for one in opened
            ],
            right=(2,),
        )
        if not all(one.recording for one in opened):
            say("What was cut off is sealed by: ovenwright record --recover")
    if not found.runs:
        if opened:
            return 0
        if found.total:
            say(f"None of the {found.total} runs in {tools.logbook.folder} fits.")
        else:
            say(f"No run in {tools.logbook.folder} yet. Try one of these:")
            say("  ovenwright demo           an invented bakehouse, no hardware needed")
            say("  ovenwright import FILE    readings from any instrument you own")
        return 0
    show_table(
        f"Runs in {tools.logbook.folder}",
        ["run", "started", "ch.", "length", "verdict"],
        [
            [
                f"{r.id}\n{r.title}" if r.title else r.id,
                _started(r, settings.zone),
                str(len(r.channels) - len(junctions_among(r.channels))),
                _length(r.duration_s),
                r.verdict or "–",
            ]
            for r in found.runs
        ],
        right=(2, 3),
    )
    if len(found.runs) < found.total:
        say(f"{len(found.runs)} of {found.total} runs shown; narrow with a word, or use --limit.")
    return 0


def _open_facts(one: OpenRecording) -> dict[str, Any]:
    from ovenwright.storage.run_facts import iso_from_ns

    return {
        "run": one.id,
        "state": "recording" if one.recording else "cut off",
        "title": one.title,
        "start": iso_from_ns(one.started_ns),
        "sealed": None,
        "channels": list(one.channels),
        "samples": one.readings,
        "verdict": None,
    }


def _facts(entry: RunEntry) -> dict[str, Any]:
    from ovenwright.domain.run import junctions_among
    from ovenwright.storage.run_facts import iso_from_ns

    return {
        "run": entry.id,
        "state": "sealed",
        "title": entry.title,
        "start": iso_from_ns(entry.start_ns) if entry.absolute else None,
        "sealed": iso_from_ns(entry.sealed_ns),
        "duration_s": entry.duration_s,
        "channels": list(entry.channels),
        "reference_junctions": list(junctions_among(entry.channels)),
        "samples": entry.samples,
        "oven": entry.oven,
        "product": entry.product,
        "verdict": entry.verdict or None,
        "judgements": entry.judgements,
        "digest": entry.digest,
        "parent_digest": entry.parent_digest or None,
        "time_zone": entry.time_zone,
        "notes": list(entry.notes),
        "path": entry.path,
    }


def _day_ns(text: str | None, option: str) -> int | None:
    if text is None:
        return None
    from datetime import UTC, datetime

    try:
        day = datetime.fromisoformat(text)
    except ValueError as cause:
        raise UsageError(
            f"{text!r} is no date", where=option, remedy="write it like 2026-03-04"
        ) from cause
    if day.tzinfo is None:
        day = day.replace(tzinfo=UTC)
    return int(day.timestamp()) * 1_000_000_000


def _started(entry: RunEntry, zone: str) -> str:
    if not entry.absolute:
        return "no date"
    return _when(entry.start_ns, zone or entry.time_zone)


def _when(time_ns: int, zone: str) -> str:
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    at = datetime.fromtimestamp(time_ns // 1_000_000_000, UTC)
    with suppress(ZoneInfoNotFoundError, ValueError):  # else in UTC, and the cell says so
        at = at.astimezone(ZoneInfo(zone or "UTC"))
    return at.strftime("%Y-%m-%d\n%H:%M %Z")


def _length(seconds: float) -> str:
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"
