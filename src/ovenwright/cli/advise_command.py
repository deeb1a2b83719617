"""`ovenwright advise`: settings with which a bake like this run would meet its requirements."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING

from ovenwright.cli.model_arguments import add_kind, add_product, add_report
from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.workflow.advising import Advised

_EPILOG = """The run must carry a plan with requirements and setpoints. Every choice is foretold and measured
like a judged run. Food-safety requirements are never traded away. The tool touches no oven, and a
changed process must be validated: run it, record it, judge it."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.epilog = _EPILOG
    add = parser.add_argument
    add("run_ref", metavar="RUN", help="run id, a unique beginning of it, 'last', or a file")
    add(
        "--setpoint-by",
        type=float,
        default=20.0,
        metavar="K",
        help="how far a setpoint may be moved either way (default: 20; 0 keeps them)",
    )
    add(
        "--time-by",
        type=float,
        default=20.0,
        metavar="PERCENT",
        help="how far the bake time may be changed either way (default: 20; 0 keeps it)",
    )
    add(
        "--start-by",
        type=float,
        default=0.0,
        metavar="K",
        help="how far the start temperature may be changed either way (default: 0)",
    )
    add(
        "--spacing-by",
        type=float,
        default=0.0,
        metavar="PERCENT",
        help="how far the room each piece has may be changed either way; needs --spacing-gain (default: 0)",
    )
    add(
        "--spacing-gain",
        type=float,
        metavar="K",
        help="how much warmer the surroundings that a piece feels get with a tenth more room",
    )
    add(
        "--learn-from",
        nargs="+",
        action="extend",
        default=[],
        metavar="RUN",
        help="earlier runs of this oven that tell how it follows its setpoints; same-oven stands for "
        "those in the logbook",
    )
    add(
        "--sure",
        type=float,
        metavar="SHARE",
        help="probability with which each requirement is to be met (default: the plan's confidence)",
    )
    add_product(parser)
    add_kind(parser)
    add_report(parser)


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Advise and show."""
    from ovenwright.cli.show import emit_json, progress
    from ovenwright.compose import build
    from ovenwright.reporting.words import Shown
    from ovenwright.workflow.advising import Limits, advise_run
    from ovenwright.workflow.laying_out import Wanted
    from ovenwright.workflow.model_telling import advice_document, check_ending, write_page

    for flag in ("setpoint_by", "time_by", "start_by", "spacing_by", "spacing_gain", "sure"):
        value = getattr(args, flag)
        if value is not None and not math.isfinite(value):
            raise UsageError(f"{value:g} is no limit", where="--" + flag.replace("_", "-"))
    limits = Limits(
        setpoint_k=args.setpoint_by,
        bake_share=args.time_by / 100.0,
        start_k=args.start_by,
        spacing_share=args.spacing_by / 100.0,
        spacing_gain_k=args.spacing_gain,
        confidence=args.sure,
    )
    if args.report is not None:
        check_ending(args.report)
    tools = build(settings)
    with progress("fitting the cores and trying settings", quiet=args.json):
        told = advise_run(
            tools.logbook,
            tools.library(),
            args.run_ref,
            Wanted(kind=args.kind, seed=args.seed),
            limits,
            product=args.product,
            learn_from=tuple(dict.fromkeys(args.learn_from)),
        )
    if args.report is not None:
        shown = Shown(fahrenheit=settings.show_unit == "F")
        write_page(advice_document(told, shown), args.report)
    if args.json:
        emit_json(told.facts())
    else:
        _show(told)
    if args.report is not None and not args.json:
        print(args.report)
    return 0


def _show(told: Advised) -> None:
    from ovenwright.cli.show import say, show_table
    from ovenwright.reporting.model_facts import foreseen_words, setting_words
    from ovenwright.workflow.advising import CAUTION

    for words in told.words:
        say(words)
    a = told.advice
    shown = [a.now, *a.choices, *([] if a.best_try is None else [a.best_try])]
    rows = [
        [k.name, *(setting_words(k, c.values[i]) for c in shown)] for i, k in enumerate(a.knobs)
    ]
    for i, f in enumerate(a.now.foreseen):
        safety = " (food safety)" if f.requirement.safety else ""
        rows.append([f.requirement.name + safety, *(foreseen_words(c.foreseen[i]) for c in shown)])
    rows.append(["all met, % of cases", *(f"{100 * c.together:.0f}" for c in shown)])
    rows.append(["pieces an hour, % of now", *(f"{100 * c.output:.0f}" for c in shown)])
    rows.append(["heat taken up, kJ/m²", *(_three(c.heat_kj_m2, 0) for c in shown)])
    rows.append(["vapour given off, kg/m²", *(_three(c.vapour_kg_m2, 2) for c in shown)])
    if a.now.colour is not None:
        rows.append(["crust colour difference", *(_three(c.colour, 0) for c in shown)])
    show_table(
        "Settings and what they are foretold to do: likely (nine cases in ten)",
        ["", *(c.aim for c in shown)],
        rows,
        right=tuple(range(1, len(shown) + 1)),
    )
    for words in told.rests_on:
        say(f"Rests on: {words}")
    for words in told.not_told:
        say(f"Not told: {words}")
    say(CAUTION)


def _three(values: tuple[float, float, float] | None, places: int) -> str:
    if values is None:
        return "not known"
    low, middle, high = (f"{v:.{places}f}" for v in values)
    return f"{middle} ({low} to {high})"
