"""What this server keeps in memory of runs looked at lately."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated, Any, cast

from fastapi import Depends
from starlette.requests import HTTPConnection

from ovenwright.workflow.results import ResultShelf
from ovenwright.workflow.slicing import OpenedRuns

_LOCK = threading.Lock()


class Lately:
    """The last few things made, by key; made once even when several ask together."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._made: OrderedDict[Any, Any] = OrderedDict()
        self._lock = threading.Lock()

    def held(self, key: Any) -> Any | None:
        """Return what was made for a key, else None."""
        with self._lock:
            found = self._made.get(key)
            if found is not None:
                self._made.move_to_end(key)
        return found

    def keep(self, key: Any, made: Any) -> None:
        """Keep what was made; the oldest go."""
        with self._lock:
            self._made[key] = made
            while len(self._made) > self._most:
                self._made.popitem(last=False)

    def find(self, key: Any, make: Callable[[], Any]) -> Any:
        """Return what is held, or make it now and keep it."""
        found = self.held(key)
        if found is None:
            found = make()
            self.keep(key, found)
        return found


@dataclass(frozen=True)
class Opened:
    """Decoded channels, first pictures, results, and which work is under way for what."""

    runs: OpenedRuns = field(default_factory=OpenedRuns)
    results: ResultShelf = field(default_factory=ResultShelf)
    comparisons: Lately = field(default_factory=lambda: Lately(8))
    files: Lately = field(default_factory=lambda: Lately(40))
    first: Lately = field(default_factory=lambda: Lately(12))
    drawn: Lately = field(default_factory=lambda: Lately(24))
    under_way: Lately = field(default_factory=lambda: Lately(100))


def opened_of(connection: HTTPConnection) -> Opened:
    """Return what the server that a request came to keeps opened."""
    state = connection.app.state
    with _LOCK:
        if not hasattr(state, "opened"):
            state.opened = Opened()
    return cast("Opened", state.opened)


TheOpened = Annotated[Opened, Depends(opened_of)]
"""Put ``opened: TheOpened`` among an endpoint's arguments."""
