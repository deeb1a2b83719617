"""`ovenwright judge`: hold a run against a plan."""

from __future__ import annotations

import argparse
from pathlib import Path

from ovenwright.config import Settings

EXIT = {"pass": 0, "fail": 1, "undecided": 3}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "run_ref", metavar="RUN", help="run id, a unique beginning of it, 'last', or a file"
    )
    parser.add_argument(
        "--plan", type=Path, metavar="FILE", help="plan to judge under (default: the run's own)"
    )
    parser.add_argument(
        "--no-keep", action="store_true", help="do not keep the judgement in the logbook"
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Judge, show, and answer with the verdict's exit code."""
    from ovenwright.cli.show import emit_json, progress
    from ovenwright.cli.show_verdict import show_verdict
    from ovenwright.compose import build
    from ovenwright.reporting.answer import verdict_facts
    from ovenwright.workflow.judging import judge_run
    from ovenwright.workflow.telling import shown_for

    tools = build(settings)
    with progress("judging", quiet=args.json):
        judged = judge_run(
            tools.logbook, tools.library(), args.run_ref, plan_file=args.plan, keep=not args.no_keep
        )
    if args.json:
        emit_json(verdict_facts(judged.verdict))
    else:
        show_verdict(judged, shown_for(judged, show_unit=settings.show_unit, zone=settings.zone))
    return EXIT[judged.verdict.outcome.value]
