"""What to do next, in a browser's own way: many remedies were worded for a terminal."""

from __future__ import annotations

import re

_PLACES: tuple[tuple[str, str], ...] = (
    (r"find(?: --write PLAN| mqtt://HOST --seconds 10 --write PLAN)?", "Sensors"),
    (r"check(?: PLAN)?", "Sensors"),
    (r"record --(?:recover|stop)", "Live"),
    (r"record(?: PLAN)?", "Live"),
    (r"import(?: --mark| FILE…?)?", "Bring in readings"),
    (r"plan (?:advise|new)(?: [a-z]+(?:-[a-z]+)+)?", "Plans"),
    (r"runs", "Logbook"),
    (r"(?:show|judge|report|verify|fit|restate)(?: RUN)?", "Results"),
    (r"people", "People and records"),
)
"""The verb of a terminal, and the place of the navigation that does the same."""
_COMMANDS = tuple((re.compile(rf"\bovenwright {verb}(?![\w-])"), place) for verb, place in _PLACES)
_OPTION = r"--[a-z][a-z-]*(?: (?:[A-Z]{1,2}\b|[A-Z]{2,}\b|\d+))*"
_TRAILING = re.compile(rf"(?:,? with|:) {_OPTION}(?:(?:,| or| and) {_OPTION})*(?=[,;.) ]|$)")
_SAID = {"--until": "moment", "--logbook": "logbook folder", "--resume": "going on with it"}


def in_browser(remedy: str) -> str:
    """Return a remedy without the commands and options of a terminal.

    Commands become the place that does the same; options are dropped where the words say enough
    without them, else they become words.
    """
    if "--" not in remedy and "ovenwright " not in remedy:
        return remedy
    for command, place in _COMMANDS:
        for lead in (": run: ", " run: ", " with: ", ": "):
            remedy = re.sub(
                re.escape(lead) + command.pattern,
                f"{':' if lead != ' run: ' else ''} under {place}",
                remedy,
            )
        remedy = command.sub(place, remedy)
    remedy = _TRAILING.sub("", remedy)
    return re.sub(r"--[a-z][a-z-]*", lambda m: _SAID.get(m[0], m[0][2:].replace("-", " ")), remedy)
