"""`ovenwright fit`: fit a body to runs, and keep what they tell in a product record."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from ovenwright.cli.model_arguments import add_channels, add_kind, add_report
from ovenwright.config import Settings

if TYPE_CHECKING:
    from ovenwright.workflow.fitting import FitTold

_EPILOG = """The whole heating of each run is fitted; with --product what it tells is kept for forecasts of the
next run of that product. A parameter that the readings could not narrow stays at its prior and is
listed so: do not read it as measured."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.epilog = _EPILOG
    add = parser.add_argument
    add("run_refs", nargs="+", metavar="RUN", help="run ids, unique beginnings, 'last', or files")
    add_channels(
        parser,
        surroundings="channel of what surrounds it; the mean of several (default: role wall, else air)",
    )
    add("--until", type=float, metavar="S", help="use readings up to here only (default: all)")
    add(
        "--product",
        default="",
        metavar="FILE",
        help="product record to make or add to, a file or a name in the logbook",
    )
    add_kind(parser)
    add_report(parser)


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Fit, keep and show."""
    from ovenwright.cli.show import emit_json, progress
    from ovenwright.compose import build
    from ovenwright.reporting.words import Shown
    from ovenwright.workflow.fitting import fit_runs
    from ovenwright.workflow.laying_out import Wanted
    from ovenwright.workflow.model_telling import check_ending, fit_document, write_page

    if args.report is not None:
        check_ending(args.report)
    tools = build(settings)
    wanted = Wanted(
        cores=tuple(dict.fromkeys(args.core)),
        surroundings=tuple(dict.fromkeys(args.surroundings)),
        until_s=args.until,
        kind=args.kind,
        seed=args.seed,
    )
    with progress("fitting", quiet=args.json):
        told = fit_runs(tools.logbook, tools.library(), args.run_refs, wanted, product=args.product)
    if args.report is not None:
        shown = Shown(fahrenheit=settings.show_unit == "F")
        write_page(fit_document(told, shown), args.report)
    if args.json:
        emit_json(told.facts())
    else:
        _show(told)
    if args.report is not None and not args.json:
        print(args.report)
    return 0


def _show(told: FitTold) -> None:
    from ovenwright.cli.show import say, show_table

    for one in told.runs:
        say(f"{one.run_id}: heating from {one.from_s:.0f} s to {one.until_s:.0f} s")
        for channel in one.channels:
            rows = [
                [
                    p.words,
                    f"{p.median:.3g}",
                    f"{p.interval_90[0]:.3g} – {p.interval_90[1]:.3g}",
                    f"{p.prior_90[0]:.3g} – {p.prior_90[1]:.3g}",
                    "narrowed" if p.told else "as before",
                ]
                for p in channel.parameters
            ]
            likely = max(channel.kinds.items(), key=lambda item: item[1])
            show_table(
                f"{channel.name}: likeliest {likely[0]} ({100 * likely[1]:.0f} %)",
                ["parameter", "median", "nine in ten", "before the readings", "told"],
                rows,
                right=(1,),
            )
            if channel.misfit:
                say(f"{channel.name}: {channel.misfit}")
        for name, words in one.refused.items():
            say(f"{name}: not fitted: {words}")
        for words in one.notes:
            say(f"Rests on: {words}")
    if told.record is not None:
        say(f"Kept in the product record {told.record}: {told.recorded_runs} run(s) in it")
