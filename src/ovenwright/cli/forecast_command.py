"""`ovenwright forecast`: when each core will pass a temperature, from what is known so far."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING

from ovenwright.cli.model_arguments import add_channels, add_kind, add_product, add_report
from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.workflow.forecasting import Forecast

_EPILOG = """Roles come from the run's plan where it has one; flags name channels where not. With --until a
stored run is looked at as if it were live: nothing later is used. Times are the run's elapsed
seconds. Where the plan asks for log reductions, equivalent times, time above a temperature or a highest
temperature, it also says when each is likely to be met. A forecast proves nothing: only readings show that a product was hot enough."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.epilog = _EPILOG
    add = parser.add_argument
    add("run_ref", metavar="RUN", help="run id, a unique beginning of it, 'last', or a file")
    add("--until", type=float, metavar="S", help="use readings up to here only (default: all)")
    add_channels(
        parser,
        surroundings="channel of what surrounds it; the mean of several (default: role wall, else air)",
    )
    add(
        "--pass",
        dest="passes",
        action="append",
        default=[],
        type=float,
        metavar="TEMP_C",
        help="temperature to pass, °C (repeatable)",
    )
    add_product(parser)
    add_kind(parser)
    add_report(parser)


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Foresee and show."""
    from ovenwright.cli.show import emit_json, progress
    from ovenwright.compose import build
    from ovenwright.reporting.words import Shown
    from ovenwright.workflow.forecasting import forecast_run
    from ovenwright.workflow.laying_out import Wanted
    from ovenwright.workflow.model_telling import check_ending, forecast_document, write_page

    for level in args.passes:
        if not math.isfinite(level) or not -50.0 <= level <= 1200.0:
            raise UsageError(f"{level:g} °C is no temperature a body passes here", where="--pass")
    if args.until is not None and not math.isfinite(args.until):
        raise UsageError(f"{args.until:g} s is no time", where="--until")
    if args.report is not None:
        check_ending(args.report)
    tools = build(settings)
    wanted = Wanted(
        cores=tuple(dict.fromkeys(args.core)),
        surroundings=tuple(dict.fromkeys(args.surroundings)),
        passes=tuple(args.passes),
        until_s=args.until,
        kind=args.kind,
        seed=args.seed,
    )
    with progress("looking ahead", quiet=args.json):
        told = forecast_run(
            tools.logbook, tools.library(), args.run_ref, wanted, product=args.product
        )
    if args.report is not None:
        shown = Shown(fahrenheit=settings.show_unit == "F")
        write_page(forecast_document(told, shown), args.report)
    if args.json:
        emit_json(told.facts())
    else:
        _show(told, settings)
    if args.report is not None and not args.json:
        print(args.report)
    return 0


def _show(told: Forecast, settings: Settings) -> None:
    from ovenwright.cli.show import say, show_table
    from ovenwright.workflow.forecasting import CAUTION

    fahrenheit = settings.show_unit == "F"
    rows = []
    for channel in told.channels:
        for one in channel.passes:
            level = one.temp_c * 1.8 + 32.0 if fahrenheit else one.temp_c
            late = "> " if one.open_ended else ""
            rows.append(
                [
                    channel.name,
                    f"{level:g}",
                    "passed" if one.passed else _clock(one.median_s),
                    f"{_clock(one.interval_50[0])} – {_clock(one.interval_50[1])}",
                    f"{_clock(one.interval_90[0])} – {late}{_clock(one.interval_90[1])}",
                ]
            )
    if rows:
        show_table(
            f"{told.run_id}, as known at {_clock(told.until_s)}",
            ["channel", "°F" if fahrenheit else "°C", "likely", "half of cases", "nine in ten"],
            rows,
            right=(1, 2),
        )
    _show_requirements(told)
    for channel in told.channels:
        if channel.refused:
            say(f"{channel.name}: no forecast: {channel.refused}")
        for remark in channel.remarks:
            say(f"{channel.name}: {remark}")
    for words in told.rests_on:
        say(f"Rests on: {words}")
    say(CAUTION)


def _show_requirements(told: Forecast) -> None:
    from ovenwright.cli.show import say, show_table

    rows = []
    for channel in told.channels:
        for m in channel.meets:
            late = "> " if m.open_ended else ""
            likely, half, most = "more likely never", "", ""
            if m.median_s is not None and m.interval_50 and m.interval_90:
                likely = f"met at {_clock(m.median_s)}" if m.met else _clock(m.median_s)
                half = "" if m.met else f"{_clock(m.interval_50[0])} – {_clock(m.interval_50[1])}"
                most = (
                    ""
                    if m.met
                    else f"{_clock(m.interval_90[0])} – {late}{_clock(m.interval_90[1])}"
                )
            rows.append([m.requirement, channel.name, likely, half, most])
    if rows:
        show_table(
            "Requirements, when each is likely to be met",
            ["requirement", "channel", "likely", "half of cases", "nine in ten"],
            rows,
            right=(2,),
        )
    if any(m.met for c in told.channels for m in c.meets):
        say(
            "Met: by the readings as they are. A verdict counts the sensors' doubt as well; judge the run."
        )


def _clock(at_s: float) -> str:
    minutes, seconds = divmod(round(at_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"
