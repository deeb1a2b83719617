"""`ovenwright history`: ovens and products over their runs, and the run others are held against."""

from __future__ import annotations

import argparse
import getpass
import math
from typing import TYPE_CHECKING, Any

from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.workflow.histories import History, Measured, Point

_EPILOG = """Without a name the ovens and products of the logbook are listed. The reference run is the one that
later runs of a product in an oven are held against; earlier choices stay on record."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.epilog = _EPILOG
    add = parser.add_argument
    add("--oven", metavar="NAME", help="the key measures of this oven, by its whole name")
    add("--product", metavar="NAME", help="the key measures of this product, by its whole name")
    add("--limit", type=int, default=30, metavar="N", help="at most N runs (default 30)")
    add("--reference", metavar="RUN", help="make this the reference run of its product and oven")
    add("--why", default="", metavar="TEXT", help="why it is chosen")


def run(args: argparse.Namespace, settings: Settings) -> int:
    """List, tell a history, or choose a reference run."""
    from ovenwright.cli.show import emit_json, say, show_table
    from ovenwright.compose import build
    from ovenwright.storage.reference_runs import ReferenceRuns
    from ovenwright.workflow.histories import history_of, oven_product_pairs, set_reference

    tools = build(settings)
    if args.limit < 1:
        raise UsageError(f"--limit is {args.limit}, expected 1 or more")
    if args.reference:
        ref = tools.logbook.facts(args.reference).id
        made = set_reference(tools.logbook, tools.catalogue, ref, by=_user(), why=args.why)
        if args.json:
            emit_json({name: getattr(made, name) for name in made.__slots__})
        else:
            say(f"{made.run} is the reference run of {made.product} in {made.oven}: {made.why}")
        return 0
    if args.oven is None and args.product is None:
        pairs = oven_product_pairs(tools.logbook, tools.catalogue)
        held = ReferenceRuns(tools.logbook.folder).now()
        rows = [
            {
                "oven": p.oven,
                "product": p.product,
                "runs": p.runs,
                "pass": p.passed,
                "fail": p.failed,
                "undecided": p.undecided,
                "reference": held[p.oven, p.product].run if (p.oven, p.product) in held else None,
            }
            for p in pairs
        ]
        if args.json:
            emit_json({"pairs": rows})
        elif not rows:
            say("No run with a plan is in this logbook yet: ovenwright import FILE --plan PLAN")
        else:
            show_table(
                "Ovens and products",
                ["oven", "product", "runs", "pass", "fail", "undecided", "reference run"],
                [[str(v if v is not None else "–") for v in r.values()] for r in rows],
                right=(2, 3, 4, 5),
            )
        return 0
    found = history_of(
        tools.logbook, tools.catalogue, oven=args.oven, product=args.product, limit=args.limit
    )
    if args.json:
        emit_json(_facts(found))
        return 0
    _show(found, settings)
    return 0


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # a system without user names
        return "this computer"


def _show(found: History, settings: Settings) -> None:
    from ovenwright.cli.show import say, show_table
    from ovenwright.domain.results import Unit
    from ovenwright.reporting.words import Shown

    shown = Shown(settings.show_unit == "F", settings.zone or "UTC")
    for one in found.measured:
        unit = Unit(one.unit)
        show_table(
            f"{one.requirement} ({one.product} in {one.oven})",
            ["run", f"value {shown.unit(unit)}".strip(), "95 % interval", "channel", "verdict"],
            [_row(p, shown, unit) for p in one.points],
            right=(1, 2),
        )
    for r in found.references:
        say(f"Reference run of {r.product} in {r.oven}: {r.run}, by {r.by}: {r.why}")
    if not found.references:
        say("No reference run is chosen: ovenwright history --reference RUN --why TEXT")


def _row(point: Point, shown: Any, unit: Any) -> list[str]:
    from ovenwright.domain.results import Unit
    from ovenwright.reporting.words import DASH, MOST_LOG, plain

    m = point.measure
    decimals = shown.decimals(m.standard_uncertainty, unit)

    def said(value: float) -> str:
        text: str = shown.measure(value, unit, decimals, sign=False).text
        return text

    known = math.isfinite(m.low_95) and math.isfinite(m.high_95)
    known = known and not (unit is Unit.LOG10 and m.low_95 > MOST_LOG)
    low, high = (plain(shown.number(v, unit), decimals) for v in (m.low_95, m.high_95))
    return [
        point.run.id + (" (reference)" if point.reference else ""),
        said(m.value),
        f"{low} to {high}" if known else DASH,
        m.channel or "whole oven",
        m.verdict or DASH,
    ]


def _facts(found: History) -> dict[str, Any]:
    return {
        "runs": [r.id for r in found.runs],
        "references": [{n: getattr(r, n) for n in r.__slots__} for r in found.references],
        "measures": [_measure(m) for m in found.measured],
    }


def _measure(one: Measured) -> dict[str, Any]:
    def number(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "oven": one.oven,
        "product": one.product,
        "requirement": one.requirement,
        "measure": one.measure,
        "unit": one.unit,
        "at_least": one.at_least,
        "at_most": one.at_most,
        "points": [
            {
                "run": p.run.id,
                "channel": p.measure.channel,
                "value": number(p.measure.value),
                "low_95": number(p.measure.low_95),
                "high_95": number(p.measure.high_95),
                "verdict": p.measure.verdict,
                "reference": p.reference,
            }
            for p in one.points
        ],
    }
