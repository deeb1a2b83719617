"""What people write into an address, before anything opens a file by it.

A logbook also takes paths and the starts of ids, which suits a terminal. An address must do
neither: here a name is held against its pattern, and a run must be there under just that id.
"""

from __future__ import annotations

import re

from ovenwright.errors import UnknownName
from ovenwright.storage.logbook import LAST, Logbook
from ovenwright.storage.sealed import SUFFIX

_RUN = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.+-]{0,119}", re.ASCII)
_TOKEN = re.compile(r"[0-9a-f]{8,32}", re.ASCII)


def run_ref(text: str, logbook: Logbook | None = None) -> str:
    """Return a run's id as an address may name it.

    Parameters
    ----------
    text : what the address says
    logbook : when given, the run must be sealed in it under just that id; ``last`` then stands for
        the run sealed last

    Raises
    ------
    UnknownName : if it is no id, or no run has it
    """
    if not _RUN.fullmatch(text) or ".." in text:
        raise UnknownName("run", text[:140])
    if logbook is None:
        return text
    if text == LAST:
        return logbook.path_of(LAST).name.removesuffix(SUFFIX)
    if not (logbook.runs_dir / f"{text}{SUFFIX}").is_file():
        raise UnknownName("run", text)
    return text


def token_ref(kind: str, text: str) -> str:
    """Return an id that this server made itself, of hexadecimal digits.

    Raises
    ------
    UnknownName : if it is none
    """
    if not _TOKEN.fullmatch(text):
        raise UnknownName(kind, text[:40])
    return text
