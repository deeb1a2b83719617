"""`ovenwright verify`: prove that sealed runs were not altered."""

from __future__ import annotations

import argparse
import sys

from ovenwright.config import Settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "refs",
        nargs="*",
        metavar="RUN",
        help="run ids, unique beginnings, 'last', or files; left out, every run of the logbook",
    )
    parser.add_argument(
        "--content-only",
        action="store_true",
        help="accept a file that another program rewrote while readings and facts stayed the same",
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Verify, show, and answer 4 if anything was altered."""
    from ovenwright.cli.show import emit_json, progress, say, show_table
    from ovenwright.compose import build
    from ovenwright.storage.run_facts import iso_from_ns
    from ovenwright.workflow.verifying import verify_runs

    logbook = build(settings).logbook
    with progress("verifying", quiet=args.json):
        found = verify_runs(logbook, args.refs, content_only=args.content_only)
    intact = all(v.intact for v in found)
    if args.json:
        emit_json(
            {
                "intact": intact,
                "runs": [
                    {
                        "run": v.run_id or v.ref,
                        "path": v.path,
                        "intact": v.intact,
                        "digest": v.digest or None,
                        "sealed": iso_from_ns(v.sealed_ns) if v.sealed_ns else None,
                        "software": v.software or None,
                        "samples": v.samples,
                        "judgements": v.judgements,
                        "originals": v.originals,
                        "trouble": v.trouble or None,
                        "remarks": list(v.remarks),
                    }
                    for v in found
                ],
            }
        )
    elif not found:
        say(f"No run in {logbook.folder} yet, so there is nothing to verify.")
    else:
        show_table(
            "Verified",
            ["run", "digest (SHA-256)", "result"],
            [
                [
                    v.run_id or v.ref,
                    f"{v.digest[:16]}…" if v.digest else "–",
                    "as sealed" if v.intact else "NOT AS SEALED",
                ]
                for v in found
            ],
        )
        if len(found) == 1 and found[0].intact:
            one = found[0]
            say(f"digest {one.digest}")
            say(f"sealed {iso_from_ns(one.sealed_ns)} by {one.software}")
            say(
                f"{one.samples:,} readings; {one.judgements} judgement(s) and {one.originals} original file(s), as kept"
            )
    for one in found:
        for remark in one.remarks:
            print(f"ovenwright: {one.run_id}: {remark}", file=sys.stderr)
        if one.trouble:
            print(f"ovenwright: {one.trouble}", file=sys.stderr)
    return 0 if intact else 4
