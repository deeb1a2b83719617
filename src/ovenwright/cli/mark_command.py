"""`ovenwright mark`: set a mark at this moment in a recording that is going on."""

from __future__ import annotations

import argparse

from ovenwright.config import Settings

_KINDS = ("note", "door", "load-in", "load-out", "zone-edge", "fault")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("text", nargs="?", default="", metavar="TEXT", help="what happened")
    parser.add_argument(
        "--kind",
        choices=_KINDS,
        help="what it is (default: the text itself where it is one of these, else note)",
    )
    parser.add_argument(
        "--run",
        dest="run_ref",
        default="",
        metavar="RUN",
        help="which recording, where several are going on",
    )
    parser.add_argument("--channel", metavar="NAME", help="the one channel it is about")


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Set the mark; when this returns it is on the disk."""
    from ovenwright.cli.show import emit_json, say
    from ovenwright.compose import build
    from ovenwright.domain.run import MarkKind
    from ovenwright.errors import UsageError
    from ovenwright.storage.run_facts import iso_from_ns
    from ovenwright.workflow.recording_verbs import mark_recording

    kind = args.kind or (args.text if args.text in _KINDS else "note")
    if not args.text and args.kind is None:
        raise UsageError(
            "a mark needs a text or a --kind", remedy='such as: ovenwright mark "door"'
        )
    run_id, mark = mark_recording(
        build(settings).logbook,
        args.text or kind,
        kind=MarkKind(kind),
        run_ref=args.run_ref,
        channel=args.channel,
    )
    if args.json:
        emit_json(
            {
                "event": "mark",
                "run": run_id,
                "kind": mark.kind.value,
                "time": iso_from_ns(mark.time_ns),
                "text": mark.text,
                "channel": mark.channel,
            }
        )
    else:
        say(f"Marked in {run_id}: {mark.kind.value} {mark.text}")
    return 0
