"""`ovenwright compare`: hold one run against another."""

from __future__ import annotations

import argparse
from pathlib import Path

from ovenwright.config import Settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("reference", metavar="A", help="the reference run")
    parser.add_argument("other", metavar="B", help="the run held against it")
    parser.add_argument(
        "--plan", type=Path, metavar="FILE", help="plan for both (default: A's own)"
    )
    parser.add_argument(
        "--same-sensors", action="store_true", help="the very same sensors were used in both runs"
    )
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="DIR",
        help="folder for the pictures (default: the logbook's reports)",
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Compare, show the differences, and write the page with the band pictures."""
    from ovenwright.cli.show import emit_json, progress, say, show_table
    from ovenwright.compose import build
    from ovenwright.reporting import comparison_facts as told
    from ovenwright.reporting.html import render_html
    from ovenwright.reporting.words import Shown
    from ovenwright.workflow.judging import compare_runs
    from ovenwright.workflow.telling import write_whole

    tools = build(settings)
    with progress("comparing", quiet=args.json):
        comparison = compare_runs(
            tools.logbook,
            tools.library(),
            args.reference,
            args.other,
            plan_file=args.plan,
            same_sensors=args.same_sensors,
        )
        shown = Shown(fahrenheit=settings.show_unit == "F")
        document = told.tell_comparison(comparison, shown)
        folder = args.output or tools.logbook.reports_dir
        page = folder / f"{comparison.other_id}-against-{comparison.reference_id}.html"
        write_whole(page, render_html(document))
    if args.json:
        emit_json(told.comparison_answer(comparison) | {"page": str(page)})
        return 0
    say(f"{document.outcome.upper()}: {document.headline}")
    for table in (
        told.channel_table(comparison, shown),
        told.measure_table(comparison, shown),
    ):
        numbers = [i for i, c in enumerate(table.columns) if c.number]
        show_table(
            table.title,
            [c.name for c in table.columns],
            [[cell.text for cell in row] for row in table.rows],
            right=numbers,
        )
    for note in comparison.notes:
        say(note)
    print(page)
    return 0
