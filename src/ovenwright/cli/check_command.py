"""`ovenwright check`: prove every channel before recording."""

from __future__ import annotations

import argparse
import signal
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.workflow.watching import Wanted

EXIT = {"ready": 0, "ready with remarks": 0, "not ready": 1}

_EPILOG = """exit codes: 0 ready, with or without remarks, 1 not ready, 2 wrong use, 4 the instrument gives
nothing. Lay the sensors side by side in still air and keep hands off for the first seconds. With
--touch then warm one after another between finger and thumb, five to ten seconds each; --order says
that the order tells which is which. Ctrl-C ends the watch and weighs what came so far. Keep fingers
off anything that is hot, moves or stands under voltage."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.epilog = _EPILOG
    add = parser.add_argument
    add("plan", type=Path, metavar="PLAN", help="plan whose instruments are read")
    add("--seconds", type=float, metavar="N", help="how long to watch (default: as needed)")
    add("--touch", action="store_true", help="tell which sensor is warmed, and how fast it is")
    add(
        "--order",
        nargs="?",
        const="plan",
        metavar="A,B,…",
        help="touch check in this order (the plan's when no names are given): it proves identity",
    )
    add("--fixed-point", choices=("ice", "boiling"), help="sensors hang in an ice or boiling bath")
    add("--channels", metavar="A,B,…", help="the sensors in the bath (default: those near it)")
    add("--pressure-kpa", type=float, metavar="P", help="air pressure on the spot, by barometer")
    add("--altitude-m", type=float, metavar="M", help="height above sea level, without a barometer")
    add(
        "--apart",
        action="store_true",
        help="sensors do not lie side by side: leave out whether they agree",
    )
    add("--no-keep", action="store_true", help="do not keep the proof in the logbook")


def _names(text: str | None) -> tuple[str, ...]:
    return tuple(n.strip() for n in (text or "").split(",") if n.strip())


def _wanted(args: argparse.Namespace) -> Wanted:
    from ovenwright.conditioning.proof.fixed_point import Point
    from ovenwright.workflow.watching import Wanted

    if args.seconds is not None and not 0 < args.seconds <= 86_400:
        raise UsageError(f"{args.seconds:g} s is no time to watch", where="--seconds")
    if args.fixed_point and (args.touch or args.order):
        raise UsageError(
            "a fixed point and a touch check can't be made at once",
            where="--fixed-point",
            remedy="make one after the other",
        )
    for key in ("pressure_kpa", "altitude_m"):
        if getattr(args, key) is not None and args.fixed_point != "boiling":
            raise UsageError(
                "the air's pressure matters to boiling water only",
                where=f"--{key.replace('_', '-')}",
                remedy="add --fixed-point boiling",
            )
    return Wanted(
        seconds=args.seconds,
        touch=args.touch or args.order is not None,
        order=_names(args.order),
        fixed_point=Point(args.fixed_point) if args.fixed_point else None,
        in_bath=_names(args.channels),
        pressure_kpa=args.pressure_kpa,
        altitude_m=args.altitude_m,
        ambient=not args.apart,
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Watch, weigh, show."""
    wanted = _wanted(args)
    from ovenwright.cli.show import emit_json
    from ovenwright.cli.show_proof import live_view, show_proof
    from ovenwright.compose import build
    from ovenwright.workflow.proving import prove_plan

    tools = build(settings)
    stopping = threading.Event()
    before = signal.signal(signal.SIGINT, lambda *_: stopping.set())
    ended = signal.signal(signal.SIGTERM, lambda *_: stopping.set())
    try:
        with live_view(settings, quiet=args.json) as watch:
            proved = prove_plan(
                args.plan,
                tools.library(),
                wanted,
                stopping=stopping,
                logbook=None if args.no_keep else tools.logbook,
                watch=watch,
            )
    finally:
        signal.signal(signal.SIGINT, before)
        signal.signal(signal.SIGTERM, ended)
    if args.json:
        emit_json(proved.facts())
    else:
        show_proof(proved, settings, plan_file=args.plan)
    return EXIT[proved.proof.readiness.value]
