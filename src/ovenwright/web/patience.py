"""How long the server waits for whoever connects: nobody may hold a place by being slow.

uvicorn bounds how long a connection may rest between two requests, but not how long the head of one
may take, nor how long a body may stand still. Both are bounded here, beside how many connections
there may be at once and how long a head may be.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 15.0
"""From the connection, or the last answer's next byte, to the end of a request's head."""
STILL_S = 60.0
"""For which a body may stand still; a slow line that goes on sending is no offence."""
REST_S = 20
"""Between two requests of one connection."""
MOST_AT_ONCE = 400
"""Connections and requests; whoever comes on top is told 503 and may try again."""
LONGEST_HEAD = 32_768
"""Bytes; a comparison of a hundred runs has an address of some 15,000."""


class PatientProtocol(H11Protocol):
    """HTTP that ends a connection whose request does not come on."""

    _timer: asyncio.TimerHandle | None = None
    _waits_for_head = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first head."""
        super().connection_made(transport)
        self._wait(HEAD_S, head=True)

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._rest()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came, and wait for what it lacks."""
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        """Stop waiting: the rest between two requests is uvicorn's own timer's."""
        self._rest()
        super().on_response_complete()

    def _look(self) -> None:
        if self not in self.connections or self.transport.is_closing():
            self._rest()  # it speaks by a socket of another kind now, or ends
        elif self.cycle is None or self.cycle.response_complete:
            if not self._waits_for_head:  # a head has begun; byte by byte it gains no time
                self._wait(HEAD_S, head=True)
        elif self.cycle.more_body:
            self._wait(STILL_S, head=False)
        else:
            self._rest()

    def _wait(self, seconds: float, *, head: bool) -> None:
        self._rest()
        self._waits_for_head = head
        self._timer = self.loop.call_later(seconds, self._end)

    def _rest(self) -> None:
        self._waits_for_head = False
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _end(self) -> None:
        self._timer = None
        if not self.transport.is_closing():
            self.transport.close()


def options() -> dict[str, Any]:
    """Return what uvicorn is told of all this."""
    return {
        "http": PatientProtocol,
        "timeout_keep_alive": REST_S,
        "limit_concurrency": MOST_AT_ONCE,
        "h11_max_incomplete_event_size": LONGEST_HEAD,
    }
