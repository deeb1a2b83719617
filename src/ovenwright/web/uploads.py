"""How much a request may send: its bytes are counted as they come, JSON is only so deep."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence

from starlette.exceptions import HTTPException
from starlette.types import Message, Receive

MEBI = 1 << 20
ORDINARY = 2 * MEBI
FILES = 512 * MEBI
BOUNDS: tuple[tuple[str, int], ...] = (
    ("/api/import", FILES),  # with it /api/imports and what lies below
    ("/bring-in", FILES),
)
"""Addresses that take files, by how they begin; every other request is an ordinary one."""
DEEPEST = 64
SLOWEST_S = 60.0
"""A body that stays away for longer is given up."""
_SEARCHED = 256 * 1024
_STRING_OR_BRACKET = re.compile(rb'"(?:[^"\\]|\\.)*"|[\[\]{}]', re.DOTALL)
_FIELD = re.compile(
    rb'content-disposition:[^\r\n]*\bname="form-token"[^\r\n]*\r\n(?:[^\r\n]+\r\n)*\r\n([^\r\n]{0,200})\r\n',
    re.IGNORECASE,
)


def bound_of(path: str) -> int:
    """Return how many bytes a request to ``path`` may send."""
    return next((bound for start, bound in BOUNDS if path.startswith(start)), ORDINARY)


def too_large(bound: int) -> HTTPException:
    """Return the refusal of a body beyond its bound."""
    return HTTPException(413, f"more than {bound / MEBI:.0f} MiB were sent at once")


class Bounded:
    """Receives a request's body, counts it, and gives it up when it grows too large or stays away.

    What :meth:`whole` or :meth:`start` has read ahead comes again for whoever reads after.
    """

    def __init__(self, receive: Receive, bound: int) -> None:
        self._receive = receive
        self._bound = bound
        self._count = 0
        self._ahead: list[Message] = []
        self._over = False

    async def __call__(self) -> Message:
        """Return the next piece."""
        return self._ahead.pop(0) if self._ahead else await self._next()

    async def _next(self) -> Message:
        if (
            self._over
        ):  # the body is there; whoever still waits, waits for the end of the connection
            return await self._receive()
        try:
            message = await asyncio.wait_for(self._receive(), SLOWEST_S)
        except TimeoutError as cause:
            raise HTTPException(408, "the rest of the request did not come") from cause
        self._over = message["type"] != "http.request" or not message.get("more_body", False)
        self._count += len(message.get("body", b""))
        if self._count > self._bound:
            raise too_large(self._bound)
        return message

    async def start(self, length: int = _SEARCHED) -> bytes:
        """Return at least the first ``length`` bytes of the body, or all there is."""
        found = bytearray()
        while len(found) < length and not self._over:
            message = await self._next()
            self._ahead.append(message)
            found += message.get("body", b"")
        return bytes(found)

    async def whole(self) -> bytes:
        """Return the whole body."""
        return await self.start(self._bound + 1)


def depth_fault(body: bytes) -> str:
    """Return what is wrong with a JSON body's depth, or nothing; its form is checked elsewhere."""
    if body.count(b"[") + body.count(b"{") <= DEEPEST:
        return ""
    depth = 0
    for found in _STRING_OR_BRACKET.finditer(body):
        sign = found[0]
        if sign in b"[{":
            depth += 1
            if depth > DEEPEST:
                return f"JSON is nested deeper than {DEEPEST}"
        elif sign in b"]}":
            depth -= 1
    return ""


def token_in_parts(start: bytes) -> str:
    """Return the form token among the first parts of a multipart body, or nothing."""
    found = _FIELD.search(start)
    return found[1].decode("ascii", "replace") if found else ""


def token_in_fields(fields: Sequence[tuple[str, str]]) -> str:
    """Return the form token among the fields of a form, or nothing."""
    return next((value for name, value in fields if name == "form-token"), "")
