"""Entry point: a table of verbs, each loaded only when it is called."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module

from ovenwright import __version__
from ovenwright.config import load
from ovenwright.errors import OvenwrightError


@dataclass(frozen=True, slots=True)
class Verb:
    """One verb: its module has ``add_arguments(parser)`` and ``run(args, settings) -> int``.

    A module of this room goes by its bare name, one of another surface by its whole name.
    """

    name: str
    module: str
    help: str


VERBS: tuple[Verb, ...] = (
    Verb("demo", "demo_command", "run the Ostrel scenario end to end, no hardware needed"),
    Verb("plan", "plan_command", "write a plan, check it, get advice on it"),
    Verb("import", "import_command", "bring in readings from a file of any instrument"),
    Verb("find", "find_command", "look for instruments and write them into a plan"),
    Verb("check", "check_command", "prove every channel before recording"),
    Verb("record", "record_command", "record live, durable each moment, sealed at the end"),
    Verb("mark", "mark_command", "set a mark in a recording that is going on"),
    Verb("judge", "judge_command", "hold a run against a plan: pass, fail or undecided"),
    Verb("report", "report_command", "write the report: spreadsheet, PDF, HTML"),
    Verb("runs", "runs_command", "list the runs in the logbook"),
    Verb("show", "show_command", "show one run: channels, health, crossings"),
    Verb("history", "history_command", "key measures of an oven or product over its runs"),
    Verb("compare", "compare_command", "hold one run against another, aligned at load-in"),
    Verb("fit", "fit_command", "fit a body to runs and keep what they tell of the product"),
    Verb("forecast", "forecast_command", "say when each core will pass a temperature"),
    Verb("explain", "explain_command", "say what held the slowest place of a run back"),
    Verb("advise", "advise_command", "say which settings would meet every requirement"),
    Verb("export", "export_command", "write a run as CSV, XLSX, Parquet or NetCDF"),
    Verb("restate", "restate_command", "put a wrong thermocouple type right; the raw stays"),
    Verb("verify", "verify_command", "prove that a sealed run was not altered"),
    Verb("people", "people_command", "accounts, tokens, the trail of changes, signatures"),
    Verb("serve", "ovenwright.web.serve_command", "the whole job in a browser on this machine"),
    Verb("virtual-oven", "virtual_oven_command", "serve a simulated oven over real protocols"),
)

_EPILOG = """exit codes: 0 done or pass, 1 fail verdict, 2 wrong use or bad input, 3 undecided,
4 instrument or storage trouble. Start with: ovenwright demo"""


def build_parser(chosen: str | None, *, width: int | None = None) -> argparse.ArgumentParser:
    """Return the parser; only the chosen verb's own arguments are loaded.

    ``width`` fixes the columns of the help, which otherwise follow the terminal.
    """

    def form(prog: str) -> argparse.HelpFormatter:
        return argparse.RawDescriptionHelpFormatter(prog, width=width)

    parser = argparse.ArgumentParser(
        prog="ovenwright",
        description="From oven and product temperatures to a judged run and its report.",
        epilog=_EPILOG,
        formatter_class=form,
    )
    parser.add_argument("--version", action="version", version=f"ovenwright {__version__}")
    subs = parser.add_subparsers(dest="verb", metavar="VERB", title="verbs")
    for verb in VERBS:
        about = verb.help[0].upper() + verb.help[1:] + "."
        sub = subs.add_parser(verb.name, help=verb.help, description=about, formatter_class=form)
        if verb.name != chosen:
            continue
        sub.add_argument("--logbook", metavar="DIR", help="the logbook folder (default: logbook)")
        sub.add_argument("--show-unit", metavar="C|F", help="unit to show temperatures in")
        sub.add_argument("--json", action="store_true", help="answer in JSON, for machines")
        whole = verb.module if "." in verb.module else f"ovenwright.cli.{verb.module}"
        module = import_module(whole)
        module.add_arguments(sub)
        sub.set_defaults(run=module.run)
    return parser


def _chosen(argv: Sequence[str]) -> str | None:
    names = {v.name for v in VERBS}
    return next((a for a in argv if a in names), None) if argv else None


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb and return the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    parser = build_parser(_chosen(words))
    args = parser.parse_args(words)
    if args.verb is None:
        parser.print_help()
        return 0
    from ovenwright.cli.show import show_error, speak_in
    from ovenwright.cli.trail_note import note_verb

    try:
        settings = load(vars(args))
        speak_in(settings.show_unit)
        return note_verb(args, settings, int(args.run(args, settings)))
    except OvenwrightError as trouble:
        show_error(trouble, as_json=args.json)
        return trouble.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        print("stopped; nothing half-written was kept", file=sys.stderr)
        return 130
    finally:
        speak_in("C")


if __name__ == "__main__":
    sys.exit(main())
