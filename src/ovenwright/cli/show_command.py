"""`ovenwright show`: one run, its channels, its health and, where it has a plan, its crossings."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from ovenwright.config import Settings

if TYPE_CHECKING:
    from ovenwright.reporting.words import Shown
    from ovenwright.workflow.looking import ChannelFacts


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "run_ref", metavar="RUN", help="run id, a unique beginning of it, 'last', or a file"
    )
    parser.add_argument(
        "--plan", type=Path, metavar="FILE", help="plan to look through (default: the run's own)"
    )


def _junction_words(beside: Sequence[ChannelFacts], shown: Shown) -> str:
    """Say once what the series are that are no sensors."""
    from math import nan

    low = min((c.min_c for c in beside if isfinite(c.min_c)), default=nan)
    high = max((c.max_c for c in beside if isfinite(c.max_c)), default=nan)
    who = ", ".join(c.junction_of for c in beside[:6])
    more = f" and {len(beside) - 6} more" if len(beside) > 6 else ""
    return (
        f"Kept beside, no sensors: the reference-junction temperatures of {who}{more}, "
        f"{shown.celsius(low).text} to {shown.celsius(high).text} {shown.temperature_unit}. The "
        'instrument measured them at its terminals; exports name them "… reference junction".'
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Show the run."""
    from ovenwright.cli.show import emit_json, say, show_table
    from ovenwright.cli.show_verdict import show_spans
    from ovenwright.compose import build
    from ovenwright.reporting.words import DASH, Shown, clock
    from ovenwright.workflow.looking import look_at

    tools = build(settings)
    facts = look_at(tools.logbook, tools.library(), args.run_ref, plan_file=args.plan)
    if args.json:
        emit_json(facts.answer())
        return 0
    shown = Shown(settings.show_unit == "F", settings.zone or facts.run.time_zone or "UTC")
    run_ = facts.run
    say(f"{run_.title or run_.id}")
    when = shown.moment(run_.start_ns, absolute=True) if run_.absolute else "date not recorded"
    say(f"run {run_.id} · started {when} · {clock((run_.end_ns - run_.start_ns) / 1e9)} recorded")
    say(f"digest {run_.digest}")
    show_table(
        f"Channels, {shown.temperature_unit}",
        ["channel", "role", "readings", "missing", "first", "last", "lowest", "highest"],
        [
            [
                c.name,
                c.role,
                str(c.count),
                str(c.missing),
                *(shown.celsius(v).text for v in (c.first_c, c.last_c, c.min_c, c.max_c)),
            ]
            for c in facts.channels
            if not c.junction_of
        ],
        right=(2, 3, 4, 5, 6, 7),
    )
    beside = [c for c in facts.channels if c.junction_of]
    if beside:
        say(_junction_words(beside, shown))
    show_spans(facts.spans)
    if facts.crossings:
        show_table(
            "Crossings, since load-in",
            ["channel", "crossing", "min:s", "of process"],
            [
                [
                    c.channel,
                    c.name,
                    clock(c.since_load_s),
                    f"{100 * c.share_of_process:.0f} %" if isfinite(c.share_of_process) else DASH,
                ]
                for c in facts.crossings
            ],
            right=(2, 3),
        )
    for note in run_.notes:
        say(f"note: {note}")
    if not run_.plan_toml:
        say("No plan is sealed in this run. Judge it with: ovenwright judge "
            f"{run_.id} --plan PLAN.toml")  # fmt: skip
    return 0
