"""`ovenwright virtual-oven`: an oven and an instrument that speak real protocols, without hardware."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from threading import Event
from types import FrameType

from ovenwright.config import Settings

_NAMES = (
    "tin-bread, tin-bread-sound, tin-bread-fast, survey, bracket-cure, touch-bench, "
    "touch-bench-swapped, touch-bench-faulty, ice-bath, boiling-bath"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "--serve",
        action="append",
        required=True,
        metavar="URL",
        help="mqtt://HOST:PORT (publishes to the broker there), modbus://HOST:PORT (answers there, "
        "port 0 takes a free one), serial:PATH (writes to a port, or makes one); may be repeated",
    )
    parser.add_argument(
        "--scenario",
        default="tin-bread",
        metavar="NAME",
        help=f"one of {_NAMES} (default: tin-bread)",
    )
    parser.add_argument(
        "--speed",
        type=float,
        default=1.0,
        metavar="X",
        help="seconds of the record in one second; readings are stamped with the record's own time, "
        "so at other speeds than 1 their clock runs X times as fast (default: 1)",
    )
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="another day at the same oven"
    )
    parser.add_argument(
        "--rounds",
        type=int,
        default=1,
        metavar="N",
        help="how often the scenario runs, 0: until stopped (default: 1)",
    )
    parser.add_argument(
        "--truth",
        metavar="FILE",
        help="write what was true beside what was shown, .json or .csv, while serving",
    )
    parser.add_argument(
        "--print-plan",
        action="store_true",
        help="print a plan that records this oven over the first URL, and stop",
    )
    parser.add_argument("--plan", metavar="FILE", help="write that plan to a new file, then serve")
    parser.add_argument(
        "--little-words", action="store_true", help="Modbus: low word of a float first"
    )
    parser.add_argument(
        "--password-env", default="", metavar="NAME", help="variable with the broker's password"
    )
    parser.add_argument(
        "--ca-file",
        default="",
        metavar="FILE",
        help="authority of the broker's certificate (mqtts)",
    )
    parser.add_argument(
        "--away",
        action="append",
        default=[],
        metavar="FROM:FOR",
        help="MQTT: seconds of the record in which the gateway stores readings and sends them late",
    )
    parser.add_argument(
        "--repeat",
        type=float,
        default=0.0,
        metavar="SHARE",
        help="MQTT: share of messages sent twice",
    )
    parser.add_argument(
        "--reboot-at", type=float, metavar="S", help="MQTT: when the gateway's count begins anew"
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Serve until the scenario ends or a signal comes."""
    from ovenwright.cli.show import emit_json
    from ovenwright.compose import build
    from ovenwright.virtual.serving import (
        Mischief,
        TruthFile,
        open_outlet,
        read_address,
        scenario_named,
        serve,
    )
    from ovenwright.virtual.serving.truth import stamp_text
    from ovenwright.workflow.serving_oven import plan_text_for, write_plan_beside

    scenario = scenario_named(args.scenario)
    password = _password(args.password_env)
    addresses = [
        read_address(url, password=password, ca_file=args.ca_file, little_words=args.little_words)
        for url in args.serve
    ]
    mischief = Mischief(
        away=tuple(_stretch(text) for text in args.away),
        repeat_share=args.repeat,
        reboot_at_s=args.reboot_at,
    )
    if args.print_plan or args.plan:
        text = plan_text_for(
            args.scenario,
            addresses[0],
            build(settings).library(),
            speed=args.speed,
            password_env=args.password_env,
        )
        if args.print_plan:
            print(text, end="")
            return 0
        write_plan_beside(Path(args.plan), text)
    outlets = [open_outlet(a, scenario, mischief) for a in addresses]
    truth = TruthFile(Path(args.truth)) if args.truth else None

    def opened(start_ns: int) -> None:
        if args.json:
            emit_json(
                {
                    "event": "serving",
                    "urls": [o.url for o in outlets],
                    "waiting_for": [o.waits_for() for o in outlets if o.waits_for()],
                    "scenario": args.scenario,
                    "start": stamp_text(start_ns),
                    "interval_s": scenario.interval_s,
                    "duration_s": (scenario.scans - 1) * scenario.interval_s,
                    "speed": args.speed,
                    "seed": args.seed,
                    "channels": [s.name for s in scenario.sensors],
                }
            )
        else:
            minutes = (scenario.scans - 1) * scenario.interval_s / 60.0
            print(f"{scenario.title}: {minutes:.0f} min, a scan every {scenario.interval_s:g} s")
            for outlet in outlets:
                print(f"  serving on {outlet.url}")
                if outlet.waits_for():
                    print(f"    {outlet.waits_for()}")
            if args.speed != 1.0:
                print(
                    f"  {args.speed:g} times as fast as real: readings carry the record's own time, "
                    "which runs ahead of the clock on the wall"
                )
            print("  Ctrl+C ends it")
        sys.stdout.flush()

    stop = Event()
    before = {s: signal.signal(s, _stopper(stop)) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        served = serve(
            scenario,
            outlets,
            seed=args.seed,
            speed=args.speed,
            rounds=args.rounds,
            truth=truth,
            mischief=mischief,
            stop=stop,
            opened=opened,
        )
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if truth is not None:
            truth.close()
    stories = [f"{o.url}: {o.story()}" for o in outlets if o.story()]
    if args.json:
        emit_json(
            {
                "event": "ended",
                "scans": served.scans,
                "elapsed_s": served.elapsed_s,
                "latest_s": served.latest_s,
                "stopped": served.stopped,
                "stories": stories,
            }
        )
        return 0
    how = "stopped" if served.stopped else "the scenario has ended"
    print(f"{how}: {served.scans} scans, {served.elapsed_s / 60.0:.1f} min of the record")
    if served.latest_s > 0.5:
        print(f"  this computer fell behind by up to {served.latest_s:.1f} s: try a lower speed")
    for story in stories:
        print(f"  {story}")
    return 0


def _stopper(stop: Event) -> Callable[[int, FrameType | None], None]:
    def on_signal(_: int, __: FrameType | None) -> None:
        stop.set()

    return on_signal


def _password(name: str) -> str:
    import os

    from ovenwright.errors import UsageError

    if not name:
        return ""
    found = os.environ.get(name)
    if not found:
        raise UsageError(
            f"the environment variable {name} is not set",
            where="--password-env",
            remedy=f"set it before starting: export {name}='…'",
        )
    return found


def _stretch(text: str) -> tuple[float, float]:
    from ovenwright.errors import UsageError

    start, _, length = text.partition(":")
    try:
        return float(start), float(length)
    except ValueError as cause:
        raise UsageError(
            f"{text!r} is no stretch of time",
            where="--away",
            remedy="write FROM:FOR in seconds, for example 600:60",
        ) from cause
