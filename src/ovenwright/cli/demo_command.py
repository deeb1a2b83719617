"""`ovenwright demo`: the Ostrel scenario end to end, no hardware needed."""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from pathlib import Path

from ovenwright.config import Settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="another day at the same oven"
    )
    parser.add_argument(
        "--no-open", action="store_true", help="do not open the report in a browser"
    )
    parser.add_argument(
        "--serve", action="store_true", help="then serve the demo's logbook in a browser"
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Run the demo, tell what was found, and open the report."""
    from ovenwright.cli.show import emit_json, say
    from ovenwright.compose import build
    from ovenwright.reporting.facts import SIGN
    from ovenwright.workflow.demo import run_demo

    tools = build(settings)

    def tell(words: str) -> None:
        if not args.json:
            print(f"… {words}", file=sys.stderr, flush=True)

    told = run_demo(
        tools.logbook, tools.library(), seed=args.seed, show_unit=settings.show_unit, tell=tell
    )
    if args.json:
        emit_json(
            {
                "runs": [j.run.id for j in (told.bake, told.restated, told.survey)],
                "verdicts": {
                    j.run.id: j.verdict.outcome.value
                    for j in (told.bake, told.restated, told.survey)
                },
                "found": list(told.found),
                "reports": [str(p) for p in told.reports],
                "story": str(told.story_file),
            }
        )
        return 0
    say()
    say(f"{told.bake.plan.title}, {told.bake.plan.site.name}: {SIGN[told.bake.verdict.outcome]}")
    say("What was found:")
    for i, text in enumerate(told.found, 1):
        say(f"  {i}. {text}")
    if told.restated is not told.bake:
        say(f"After the probe was put right: {SIGN[told.restated.verdict.outcome]}")
    say(f"{told.survey.plan.title}: {SIGN[told.survey.verdict.outcome]}")
    say()
    say(f"The story:   {told.story_file}")
    for path in told.reports[:3]:
        say(f"The report:  {path}")
    say("Go on with:  . .venv/bin/activate    # once in each terminal, from a clone")
    say(f"             ovenwright runs --logbook {settings.logbook}")
    say(f"             ovenwright serve --logbook {settings.logbook}    # in a browser")
    if args.serve:
        from ovenwright.cli.main import main

        return main(
            ["serve", "--logbook", str(settings.logbook), *(["--no-open"] if args.no_open else [])]
        )
    if not args.no_open:
        _open(told.reports[0])
    return 0


def _open(page: Path) -> None:
    """Open a page where there is a desktop; say nothing where there is none."""
    if not sys.stdout.isatty():
        return
    opener = shutil.which("xdg-open") or shutil.which("open")
    if opener is not None:
        subprocess.Popen(  # noqa: S603  # our own file, opened with the desktop's own program
            [opener, str(page)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
