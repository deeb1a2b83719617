"""`ovenwright report`: write the spreadsheet, the PDF and the HTML page."""

from __future__ import annotations

import argparse
from pathlib import Path

from ovenwright.config import Settings

FORMS = ("html", "pdf", "xlsx")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "run_ref", metavar="RUN", help="run id, a unique beginning of it, 'last', or a file"
    )
    parser.add_argument(
        "--plan", type=Path, metavar="FILE", help="plan to judge under (default: the run's own)"
    )
    parser.add_argument(
        "--format",
        action="append",
        choices=FORMS,
        dest="forms",
        help="one format only; repeat for more",
    )
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="DIR",
        help="folder to write to (default: the logbook's reports)",
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Judge, write the reports, and name the files."""
    from ovenwright.cli.show import emit_json, progress, say
    from ovenwright.compose import build
    from ovenwright.reporting.render import Form
    from ovenwright.workflow.judging import judge_run
    from ovenwright.workflow.signing import lines_for_report
    from ovenwright.workflow.telling import shown_for, write_reports

    tools = build(settings)
    with progress("judging", quiet=args.json):
        judged = judge_run(tools.logbook, tools.library(), args.run_ref, plan_file=args.plan)
    shown = shown_for(judged, show_unit=settings.show_unit, zone=settings.zone)
    folder = args.output or tools.logbook.reports_dir
    signed = lines_for_report(
        tools.people, tools.logbook, judged.run.id, plan_toml=judged.plan_toml
    )
    with progress("writing the report", quiet=args.json):
        files = write_reports(
            judged,
            folder,
            shown=shown,
            forms=[Form(f) for f in args.forms or FORMS],
            signed=signed,
        )
    if args.json:
        emit_json(
            {
                "run": judged.run.id,
                "verdict": judged.verdict.outcome.value,
                "files": [str(f) for f in files],
            }
        )
    else:
        say(f"{judged.verdict.outcome.value}: {judged.plan.title}")
        for file in files:
            print(file)
    return 0
