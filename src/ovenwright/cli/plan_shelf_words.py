"""`ovenwright plan kept | keep | take | differences | retire`: plans by name in the logbook, with versions."""

from __future__ import annotations

import argparse
import getpass
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ovenwright.config import Settings

if TYPE_CHECKING:
    from ovenwright.storage.plan_shelf import Version


def add_words(words: Any) -> None:
    """Declare the words and their arguments."""
    words.add_parser("kept", help="list the plans kept by name in the logbook")
    keep = words.add_parser("keep", help="keep a plan file in the logbook, as the next version")
    keep.add_argument("file", type=Path, metavar="FILE", help="a plan file")
    keep.add_argument("--as", dest="plan", metavar="ID", help="plan it is a new version of")
    keep.add_argument("--why", default="", metavar="WORDS", help="why it was changed")
    keep.add_argument("--who", default="", metavar="NAME", help="whose change it is (default: you)")
    keep.add_argument(
        "--based-on", type=int, metavar="N", help="version the file was made from (the newest)"
    )
    keep.add_argument("--unfinished", action="store_true", help="keep it although it has faults")
    take = words.add_parser("take", help="write a plan of the logbook to a file")
    take.add_argument("plan", metavar="ID", help="id of a plan, see: ovenwright plan kept")
    take.add_argument("--version", type=int, metavar="N", help="which version (the newest)")
    take.add_argument("-o", "--output", metavar="FILE", help="where to write ('-': show it only)")
    take.add_argument("--force", action="store_true", help="overwrite the file if it is there")
    retire = words.add_parser("retire", help="offer a plan no more for new tests; all of it stays")
    retire.add_argument("plan", metavar="ID", help="id of a plan")
    retire.add_argument("--why", required=True, metavar="WORDS", help="why")
    retire.add_argument("--who", default="", metavar="NAME", help="who decides it (default: you)")
    retire.add_argument("--back", action="store_true", help="bring it back instead")
    differ = words.add_parser("differences", help="tell what differs between versions of a plan")
    differ.add_argument("plan", metavar="ID", help="id of a plan")
    differ.add_argument("--old", type=int, metavar="N", help="older version (the last but one)")
    differ.add_argument("--new", type=int, metavar="N", help="newer version (the last)")


def kept(args: argparse.Namespace, settings: Settings) -> int:
    """List the plans of the logbook."""
    from ovenwright.cli.show import emit_json, say, show_table
    from ovenwright.compose import build
    from ovenwright.workflow.plan_keeping import list_plans

    tools = build(settings)
    there = settings.logbook.is_dir()
    plans = list_plans(tools.logbook, tools.catalogue if there else None)
    if args.json:
        emit_json(
            {
                "plans": [
                    {
                        "id": p.id,
                        "title": p.title,
                        "oven": p.oven,
                        "product": p.product,
                        "channels": p.channels,
                        "ready": p.ready,
                        "newest": _facts(p.newest),
                        "runs": p.runs,
                        "last_run": p.last_run,
                        "retired": asdict(p.retired) if p.retired else None,
                    }
                    for p in plans
                ]
            }
        )
        return 0
    if not plans:
        say("No plan is kept here yet. Keep one: ovenwright plan keep FILE")
        return 0
    show_table(
        "Plans",
        ("id", "title", "version", "by", "state", "runs"),
        [
            (
                p.id,
                p.title,
                str(p.newest.number),
                p.newest.who,
                "retired" if p.retired else "ready" if p.ready else f"{p.newest.faults} faults",
                str(p.runs),
            )
            for p in plans
        ],
        right=(2, 5),
    )
    return 0


def keep(args: argparse.Namespace, settings: Settings) -> int:
    """Keep a plan file as a new plan, or as the next version of one."""
    from ovenwright.cli.show import emit_json, say
    from ovenwright.cli.trail_note import note_here
    from ovenwright.compose import build
    from ovenwright.storage.plan_file import read_plan_text
    from ovenwright.workflow.plan_keeping import From, keep_version, shelf_of, start_plan

    tools = build(settings)
    text = read_plan_text(args.file)
    who = args.who or _user()
    if args.plan is None:
        done = start_plan(
            tools.logbook,
            tools.library(),
            From.TEXT,
            name=args.file.name,
            text=text,
            who=who,
            why=args.why,
        )
    else:
        newest = shelf_of(tools.logbook).last(args.plan).number
        done = keep_version(
            tools.logbook,
            tools.library(),
            args.plan,
            text,
            based_on=newest if args.based_on is None else args.based_on,
            who=who,
            why=args.why,
            unfinished=args.unfinished,
        )
    subject = f"plan {done.plan}, version {done.number}"
    note_here(settings, "kept plan version", subject, why=done.why)
    if args.json:
        emit_json(_facts(done))
    else:
        faults = f", with {done.faults} faults" if done.faults else ""
        say(f"Kept {args.file} as {done.plan}, version {done.number}{faults}.")
    return 0


def take(args: argparse.Namespace, settings: Settings) -> int:
    """Write a kept plan to a file."""
    from ovenwright.cli.show import emit_json, say
    from ovenwright.compose import build
    from ovenwright.workflow.plan_keeping import shelf_of
    from ovenwright.workflow.planning import write_plan_text

    shelf = shelf_of(build(settings).logbook)
    number = shelf.last(args.plan).number if args.version is None else args.version
    text = shelf.text(args.plan, number)
    if args.output == "-":
        if args.json:
            emit_json({"plan": args.plan, "version": number, "file": None, "text": text})
        else:
            print(text, end="")
        return 0
    path = Path(args.output or f"{args.plan}.toml")
    write_plan_text(text, path, force=args.force)
    if args.json:
        emit_json({"plan": args.plan, "version": number, "file": str(path)})
    else:
        say(f"Wrote {path}: {args.plan}, version {number}.")
        say(f"Changed it? ovenwright plan keep {path} --as {args.plan} --based-on {number} --why …")
    return 0


def retire(args: argparse.Namespace, settings: Settings) -> int:
    """Retire a plan, or bring it back."""
    from ovenwright.cli.show import emit_json, say
    from ovenwright.cli.trail_note import note_here
    from ovenwright.compose import build
    from ovenwright.workflow.plan_keeping import retire_plan

    who = args.who or _user()
    made = retire_plan(build(settings).logbook, args.plan, who=who, why=args.why, back=args.back)
    what = "brought plan back" if args.back else "retired plan"
    note_here(settings, what, f"plan {args.plan}", why=made.why)
    if args.json:
        emit_json(asdict(made))
    elif args.back:
        say(f"{args.plan} is offered again.")
    else:
        say(f"{args.plan} is retired: no new test begins with it; its versions and runs stay.")
    return 0


def differences(args: argparse.Namespace, settings: Settings) -> int:
    """Tell what differs between two versions."""
    from ovenwright.cli.show import emit_json, say
    from ovenwright.compose import build
    from ovenwright.workflow.plan_keeping import Side, compare_texts, shelf_of

    shelf = shelf_of(build(settings).logbook)
    new = args.new or shelf.last(args.plan).number
    old = args.old or max(new - 1, 1)
    found = compare_texts(shelf.text(args.plan, old), shelf.text(args.plan, new))
    if args.json:
        lines = [
            {"side": line.side.value, "text": line.text, "old": line.old, "new": line.new}
            for line in found.lines
        ]
        emit_json({"plan": args.plan, "old": old, "new": new, "said": found.said, "lines": lines})
        return 0
    say(f"{args.plan}, version {old} to {new}:" + ("" if found.lines else " no difference."))
    for words in found.said:
        say(f"  {words}")
    sign = {Side.BOTH: " ", Side.OLD: "-", Side.NEW: "+", Side.GAP: "…"}
    for line in found.lines:
        print(f"{sign[line.side]} {line.text}")
    return 0


def _facts(version: Version) -> dict[str, Any]:
    return {
        "plan": version.plan,
        "version": version.number,
        "saved": version.saved,
        "who": version.who,
        "why": version.why,
        "sha256": version.sha256,
        "faults": version.faults,
    }


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # a system without user names
        return ""
