"""`ovenwright compare`: hold one run against another, or against several others."""

from __future__ import annotations

import argparse
from pathlib import Path

from ovenwright.config import Settings

_LEFT_TO_THE_PAGE = ("± U", "median")  # 80 columns hold no more


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("reference", metavar="A", help="the reference run")
    parser.add_argument(
        "others",
        metavar="B",
        nargs="+",
        help="the run held against it; with several, A is held against their band and range",
    )
    parser.add_argument(
        "--plan", type=Path, metavar="FILE", help="plan for all of them (default: A's own)"
    )
    parser.add_argument(
        "--same-sensors", action="store_true", help="the very same sensors were used in all runs"
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
    from ovenwright.reporting import comparison_facts, standing_facts
    from ovenwright.reporting.document import Document, Points, Table
    from ovenwright.reporting.html import render_html
    from ovenwright.reporting.words import Shown
    from ovenwright.workflow.judging import compare_runs, stand_among
    from ovenwright.workflow.telling import write_whole

    tools = build(settings)
    shown = Shown(fahrenheit=settings.show_unit == "F")
    book, library = tools.logbook, tools.library()
    document: Document
    answer: dict[str, object]
    with progress("comparing", quiet=args.json):
        if len(args.others) == 1:
            comparison = compare_runs(
                book, library, args.reference, args.others[0],
                plan_file=args.plan, same_sensors=args.same_sensors,
            )  # fmt: skip
            document = comparison_facts.tell_comparison(comparison, shown)
            answer = comparison_facts.comparison_answer(comparison)
            name = f"{comparison.other_id}-against-{comparison.reference_id}"
        else:
            standing = stand_among(
                book, library, args.reference, args.others,
                plan_file=args.plan, same_sensors=args.same_sensors,
            )  # fmt: skip
            document = standing_facts.tell_standing(standing, shown)
            answer = standing_facts.standing_answer(standing)
            name = f"{standing.run_id}-among-{len(standing.other_ids)}"
        page = (args.output or book.reports_dir) / f"{name}.html"
        write_whole(page, render_html(document))
    if args.json:
        emit_json(answer | {"page": str(page)})
        return 0
    say(f"{document.outcome.upper()}: {document.headline}")
    for block in document.first_page:
        if isinstance(block, Table):
            table = block.without(*_LEFT_TO_THE_PAGE) if block.id == "standing" else block
            numbers = [i for i, c in enumerate(table.columns) if c.number]
            rows = [[cell.text for cell in row] for row in table.rows]
            show_table(table.title, [c.name for c in table.columns], rows, right=numbers)
        elif isinstance(block, Points):
            for note in block.items:
                say(note)
    print(page)
    return 0
