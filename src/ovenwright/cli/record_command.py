"""`ovenwright record`: record a plan's channels live, seal the run at the end."""

from __future__ import annotations

import argparse
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.compose import Tools
    from ovenwright.recording.recorder import Snapshot
    from ovenwright.recording.sealing import Sealed

_KEYS_HELP = "keys while recording: d door, i load-in, o load-out, m note, q stop and seal"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument("plan", nargs="?", metavar="PLAN", help="the plan, a TOML file")
    parser.add_argument(
        "--for", dest="for_s", type=float, metavar="SECONDS", help="stop after so many seconds"
    )
    parser.add_argument(
        "--start",
        default="now",
        metavar="WHEN",
        help="now (default), load-in, at=14:30, above=CHANNEL:60 or below=CHANNEL:60, in °C",
    )
    parser.add_argument(
        "--resume",
        action="store_true",
        help="go on with the last recording of this plan that was cut off; without it what was cut "
        "off is sealed first",
    )
    parser.add_argument(
        "--recover", action="store_true", help="only seal what was cut off, record nothing"
    )
    parser.add_argument(
        "--stop",
        nargs="?",
        const="",
        metavar="RUN",
        help="only ask a recording that is going on to stop and seal",
    )
    parser.add_argument(
        "--now-file",
        type=Path,
        metavar="FILE",
        help="while it waits for its start, keep what each channel shows in this JSON file",
    )
    parser.add_argument(
        "--judge",
        action="store_true",
        help="once it is sealed, judge it under its plan and keep the judgement, where the plan asks "
        "for anything",
    )
    parser.add_argument(
        "--forecast",
        action="store_true",
        help="say now and then when each core will likely pass the plan's temperatures",
    )
    parser.epilog = (
        f"{_KEYS_HELP}. A signal to end (Ctrl-C) stops and seals as well. Hot surfaces burn: "
        "watch from here, and mind what the instrument's maker says of its heat limit."
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Record, or do what is left of an earlier recording."""
    from ovenwright.compose import build

    tools = build(settings)
    chosen = [args.plan is not None, args.recover, args.stop is not None]
    if sum(chosen) != 1:
        raise UsageError("give one of PLAN, --recover and --stop")
    if args.recover:
        return _recover(args, tools)
    if args.stop is not None:
        return _stop(args, tools)
    return _record(args, settings, tools)


def _record(args: argparse.Namespace, settings: Settings, tools: Tools) -> int:
    from ovenwright.cli.record_events import EventPrinter, in_words
    from ovenwright.recording.steady_clock import SystemClock
    from ovenwright.workflow.recording_verbs import record_plan
    from ovenwright.workflow.start_words import read_start

    library = tools.library()
    plan_file = Path(args.plan)
    start = read_start(
        args.start, zone=settings.zone or _zone(plan_file), now_ns=SystemClock().now_ns()
    )
    with ExitStack() as stack:
        stopping = stack.enter_context(_stop_signals())
        view = None
        if args.json:
            printer = stack.enter_context(EventPrinter(sys.stdout, as_json=True))
        elif sys.stdout.isatty():
            from ovenwright.cli.record_view import LiveView

            view = stack.enter_context(LiveView(settings.show_unit))
            printer = stack.enter_context(EventPrinter(sys.stdout, show=view.note))
        else:
            printer = stack.enter_context(EventPrinter(sys.stdout, words=in_words))
        watch: Callable[[Snapshot], None] | None = view.watch if view is not None else None
        if args.now_file is not None:
            from ovenwright.workflow.waiting_now import WaitingFile

            waiting = WaitingFile(args.now_file)
            stack.callback(waiting.end)
            watch = _both(watch, waiting.watch)
        tell = printer.tell
        if args.forecast:
            from ovenwright.workflow.forecast_beside import ForecastBeside

            kinetics = settings.kinetics
            beside = ForecastBeside(tools.logbook.folder, kinetics, printer.tell)
            tell = stack.enter_context(beside).tell
        sealed = record_plan(
            tools.logbook,
            plan_file,
            library,
            stopping=stopping,
            tell=tell,
            start=start,
            for_s=args.for_s,
            resume=args.resume,
            watch=watch,
            made=view.serve_keys if view is not None else None,
        )
        # the trail names the run; the plan may be a file that only the recorder was given
        args.recorded = sealed.run.id if sealed is not None else str(args.plan)
        verdict = _judged(tools, sealed) if args.judge and sealed is not None else {}
        if verdict:
            printer.tell("judged", verdict)
    if not args.json and sealed is not None:
        _say_sealed(sealed, verdict)
    return 0


def _both(
    one: Callable[[Snapshot], None] | None, other: Callable[[Snapshot], None]
) -> Callable[[Snapshot], None]:
    def watch(snapshot: Snapshot) -> None:
        if one is not None:
            one(snapshot)
        other(snapshot)

    return watch


def _judged(tools: Tools, sealed: Sealed) -> dict[str, str]:
    """Return the verdict, kept; what stands in its way is told, for the run is sealed all the same."""
    from ovenwright.errors import OvenwrightError
    from ovenwright.workflow.judging import judge_run
    from ovenwright.workflow.planning import checked_text

    run_id = sealed.run.id
    try:
        if not checked_text(sealed.run.plan_toml, tools.library(), file=run_id).requirements:
            return {}
        judged = judge_run(tools.logbook, tools.library(), run_id)
    except OvenwrightError as trouble:
        return {"run": run_id, "trouble": trouble.what}
    return {"run": run_id, "verdict": judged.verdict.outcome.value}


def _zone(plan_file: Path) -> str:
    import tomllib

    try:
        site = tomllib.loads(plan_file.read_text(encoding="utf-8-sig")).get("site", {})
    except (OSError, ValueError):
        return "UTC"  # what is wrong with the plan is told when it is read whole
    return str(site.get("time_zone", "UTC")) if isinstance(site, dict) else "UTC"


@contextmanager
def _stop_signals() -> Iterator[threading.Event]:
    """Yield an event that the usual signals to end set, so that the run is sealed first."""
    stopping = threading.Event()
    wanted = [
        getattr(signal, name)
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
        if hasattr(signal, name)
    ]
    before = {number: signal.signal(number, lambda *_: stopping.set()) for number in wanted}
    try:
        yield stopping
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _say_sealed(sealed: Sealed, verdict: Mapping[str, str] = MappingProxyType({})) -> None:
    from ovenwright.cli.show import say

    run = sealed.run
    count = sum(int(run.series[name].time_ns.size) for name in run.sensors)
    beside = (
        f", with the reference-junction temperatures of {len(run.junctions)} beside them"
        if run.junctions
        else ""
    )
    say(
        f"Sealed {run.id}: {count:,} readings of {len(run.sensors)} channels{beside}, read back "
        "and found intact. Next:"
    )
    if "verdict" in verdict:
        say(f"  it was judged: {verdict['verdict']}")
    if "trouble" in verdict:
        say(f"  it could not be judged: {verdict['trouble']}")
    say(f"  ovenwright judge {run.id}")
    say(f"  ovenwright show {run.id}")


def _recover(args: argparse.Namespace, tools: Tools) -> int:
    from ovenwright.cli.show import emit_json, say
    from ovenwright.workflow.recording_verbs import left_facts, recover_recordings

    left = recover_recordings(tools.logbook)
    if args.json:
        emit_json({"event": "recovered", "recordings": [left_facts(one) for one in left]})
        return 4 if any(one.sealed is None for one in left) else 0
    if not left:
        say("No recording was cut off.")
    for one in left:
        if one.sealed is None:
            say(f"{one.id}: {one.trouble}")
            continue
        say(f"Sealed {one.sealed.run.id}: {one.sealed.run.samples:,} readings.")
        for words in one.sealed.damage:
            say(f"  its journal is damaged: {words}")
    return 4 if any(one.sealed is None for one in left) else 0


def _stop(args: argparse.Namespace, tools: Tools) -> int:
    from ovenwright.cli.show import emit_json, say
    from ovenwright.workflow.recording_verbs import stop_recording

    run_id = stop_recording(tools.logbook, args.stop)
    if args.json:
        emit_json({"event": "asked to stop", "run": run_id})
    else:
        say(f"{run_id} is asked to stop and seal.")
    return 0
