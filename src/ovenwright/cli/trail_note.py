"""Changes made at the command line enter the trail of a logbook that keeps one."""

from __future__ import annotations

import argparse
from typing import Any

from ovenwright.config import Settings

CHANGES = {
    "import": ("brought readings in", ("files", "file")),
    "record": ("recorded", ("recorded", "stop")),
    "mark": ("set a mark", ("run_ref", "text")),
    "judge": ("judged a run", ("run_ref",)),
    "restate": ("restated a run", ("run_ref",)),
    "history": ("chose a reference run", ("reference",)),
}
"""The verbs that change a logbook: what they did, and which argument says to what."""
_DONE = frozenset({0, 1, 3})


def note_verb(args: argparse.Namespace, settings: Settings, code: int) -> int:
    """Add a line for what a verb did, if it did something and a trail was ever begun; give ``code`` back."""
    if args.verb not in CHANGES or code not in _DONE:
        return code
    if (args.verb == "judge" and args.no_keep) or (args.verb == "history" and not args.reference):
        return code
    what, names = CHANGES[args.verb]
    subject = ", ".join(_words(getattr(args, n, None)) for n in names if getattr(args, n, None))
    note_here(settings, what, subject)
    return code


def note_here(settings: Settings, what: str, subject: str, *, why: str = "") -> None:
    """Add a line for what was done at this machine, if a trail was ever begun."""
    if not (settings.logbook / "people.sqlite").is_file():
        return
    import getpass

    from ovenwright.compose import build
    from ovenwright.workflow.people import at_this_machine, note

    try:
        user = getpass.getuser()
    except (OSError, KeyError):  # a system without user names
        user = ""
    note(build(settings).people, at_this_machine(user), what, subject, why=why)


def _words(value: Any) -> str:
    return ", ".join(str(v) for v in value) if isinstance(value, (list, tuple)) else str(value)
