"""What this server keeps in memory of runs looked at lately."""

from __future__ import annotations

import threading
from typing import Annotated, cast

from fastapi import Depends
from starlette.requests import HTTPConnection

from ovenwright.workflow.slicing import OpenedRuns

_LOCK = threading.Lock()


def opened_of(connection: HTTPConnection) -> OpenedRuns:
    """Return the opened runs of the server a request came to."""
    state = connection.app.state
    with _LOCK:
        if not hasattr(state, "opened_runs"):
            state.opened_runs = OpenedRuns()
    return cast("OpenedRuns", state.opened_runs)


TheOpened = Annotated[OpenedRuns, Depends(opened_of)]
"""Put ``opened: TheOpened`` among an endpoint's arguments."""
