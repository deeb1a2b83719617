"""`ovenwright explain`: what held the slowest place of a run back, by how much each."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING

from ovenwright.cli.model_arguments import add_channels, add_kind, add_product, add_report
from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.workflow.explaining import Told

_EPILOG = """Two places of one run are fitted by the same model, each with the surroundings of its own lane,
and one factor at a time is taken from the faster one. Factors need not add up. Roles and lanes come
from the run's plan where it has one; flags name channels where not."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.epilog = _EPILOG
    add = parser.add_argument
    add("run_ref", metavar="RUN", help="run id, a unique beginning of it, 'last', or a file")
    add(
        "--pass",
        dest="level",
        type=float,
        metavar="TEMP_C",
        help="explain when this was passed, °C (default: the highest that every core passed)",
    )
    add("--against", default="", metavar="NAME", help="core to hold it against (default: fastest)")
    add_channels(
        parser,
        surroundings="channels of what surrounds all of them (default: role wall or air of the same lane)",
    )
    add_product(parser)
    add_kind(parser)
    add_report(parser)


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Explain and show."""
    from ovenwright.cli.show import emit_json, progress
    from ovenwright.compose import build
    from ovenwright.reporting.words import Shown
    from ovenwright.workflow.explaining import explain_run
    from ovenwright.workflow.laying_out import Wanted
    from ovenwright.workflow.model_telling import check_ending, explained_document, write_page

    if args.level is not None and not (math.isfinite(args.level) and -50 <= args.level <= 1200):
        raise UsageError(f"{args.level:g} °C is no temperature a body passes here", where="--pass")
    if args.report is not None:
        check_ending(args.report)
    tools = build(settings)
    wanted = Wanted(
        cores=tuple(dict.fromkeys(args.core)),
        surroundings=tuple(dict.fromkeys(args.surroundings)),
        passes=() if args.level is None else (args.level,),
        kind=args.kind,
        seed=args.seed,
    )
    with progress("fitting two places and changing one factor at a time", quiet=args.json):
        told = explain_run(
            tools.logbook,
            tools.library(),
            args.run_ref,
            wanted,
            against=args.against,
            product=args.product,
        )
    if args.report is not None:
        shown = Shown(fahrenheit=settings.show_unit == "F")
        write_page(explained_document(told, shown), args.report)
    if args.json:
        emit_json(told.facts())
    else:
        _show(told)
    if args.report is not None and not args.json:
        print(args.report)
    return 0


def _show(told: Told) -> None:
    from ovenwright.cli.show import say, show_table
    from ovenwright.workflow.explaining import CAUTION

    for words in told.words:
        say(words)
    e = told.explained
    show_table(
        f"Minutes that each cost {e.slow} against {e.other}",
        ["factor", "likely", "half of cases", "nine in ten"],
        [
            [
                h.words,
                f"{h.median_s / 60:+.1f}",
                _span(h.interval_50),
                _span(h.interval_90),
            ]
            for h in (*e.held, e.rest)
        ],
        right=(1, 2, 3),
    )
    show_table(
        "Heat taken up",
        [
            "where",
            "surroundings cooler, K",
            "core behind, K",
            f"{e.slow}, kJ/m²",
            f"{e.other}, kJ/m²",
        ],
        [
            [
                s.name,
                f"{s.around_k:+.1f}",
                f"{s.gap_k:+.1f}",
                f"{s.slow_kj_m2[1]:.0f} ({s.slow_kj_m2[0]:.0f} to {s.slow_kj_m2[2]:.0f})",
                f"{s.other_kj_m2[1]:.0f} ({s.other_kj_m2[0]:.0f} to {s.other_kj_m2[2]:.0f})",
            ]
            for s in e.stretches
        ],
        right=(1, 2, 3, 4),
    )
    for name, around in told.around.items():
        say(f"Surroundings of {name}: {around}")
    for words in told.rests_on:
        say(f"Rests on: {words}")
    say(CAUTION)


def _span(pair: tuple[float, float]) -> str:
    return f"{pair[0] / 60:+.1f} to {pair[1] / 60:+.1f}"
