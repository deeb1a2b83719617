"""What the first visitor would wait for, done while the server starts."""

from __future__ import annotations

import threading
from importlib import import_module

from jinja2 import TemplateError

from ovenwright.web.pages import warm

PAGES = ("result.html.j2", "logbook.html.j2", "live.html.j2")
HEAVY = ("pyarrow.parquet", "tsdownsample", "ovenwright.workflow.slicing")


def begin() -> threading.Thread:
    """Load in the background what the first picture needs; nobody waits for it."""
    thread = threading.Thread(target=_load, name="warming", daemon=True)
    thread.start()
    return thread


def _load() -> None:
    for name in HEAVY:
        import_module(name)
    for page in PAGES:
        try:
            warm(page)
        except TemplateError:  # it is told to whoever asks for that page
            continue
