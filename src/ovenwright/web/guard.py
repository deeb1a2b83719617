"""The guard: every request passes it before any endpoint, as plain ASGI so that answers stream.

In this order: was it meant for this server, who sent it, may that page send it, does it carry the
form's token, is its body within bounds. Nobody gets past it except to the few addresses of
:data:`OPEN`, so an endpoint that forgot to name a role lets no stranger in.
"""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable
from urllib.parse import parse_qsl

from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ovenwright.domain.people import Role
from ovenwright.errors import OvenwrightError
from ovenwright.web import origins, uploads
from ovenwright.web.answers import answer, status_of
from ovenwright.web.door import refusal
from ovenwright.web.sessions import Came, keeper_of

OPEN = frozenset({"/api/health", "/api/sign-in", "/api/form-token", "/sign-in"})
OPEN_BELOW = "/static/"
WITH_OLD_PASSWORD = frozenset({"/password", "/sign-out", "/api/sign-out", "/api/me/password"})
"""Where somebody gets whose password was set by somebody else and waits to be changed."""
_SAFE = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})
_LOOK_AGAIN_S = 30.0
STALE = HTTPException(403, "the page this came from is too old, or was not one of this server")


class Guard:
    """Lets a request through with ``state.who``, ``state.token`` and ``state.came``, or answers."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check a request and pass it on."""
        if scope["type"] not in {"http", "websocket"}:
            await self.app(scope, receive, send)
            return
        connection = HTTPConnection(scope)
        try:
            came, receive = await _checked(connection, receive)
        except HTTPException as no:
            await _refuse(scope, receive, send, no)
            return
        except OvenwrightError as trouble:
            why = HTTPException(status_of(trouble), trouble.what)
            await _refuse(scope, receive, send, why)
            return
        if came.way in {"cookie", "pass"}:
            receive, send = _watched(connection, came, receive, send)
        await self.app(scope, receive, send)


async def _checked(connection: HTTPConnection, receive: Receive) -> tuple[Came, Receive]:
    scope, headers = connection.scope, connection.headers
    method, path = scope.get("method", "GET"), scope["path"]
    state = scope.setdefault("state", {})
    hosts: origins.Hosts = connection.app.state.hosts
    if len(headers.getlist("host")) != 1 or not hosts.knows(headers["host"]):
        raise HTTPException(
            421, f"this server does not answer to the name {headers.get('host', '')[:80]!r}"
        )
    keeper = keeper_of(connection)
    came = await to_thread.run_sync(keeper.came, connection)
    state |= {"who": came.who, "token": keeper.token(came), "came": came}
    fault = origins.cross_site_fault(scope["scheme"], method, headers)
    if fault:
        raise HTTPException(403, fault)
    if came.wrong_pass:
        raise HTTPException(
            401, "this token is unknown or was revoked", {"www-authenticate": "Bearer"}
        )
    if came.who.role is Role.NOBODY and path not in OPEN and not path.startswith(OPEN_BELOW):
        raise refusal(connection, Role.VIEWER)
    if (
        came.must_change
        and not path.startswith(OPEN_BELOW)
        and path not in WITH_OLD_PASSWORD | OPEN
    ):
        _to_new_password(path, method)
    if scope["type"] == "websocket":
        return came, receive
    body = await _bounded(connection, receive)
    browser = origins.from_browser(headers) or came.way == "cookie"
    if method not in _SAFE and browser and came.way != "pass":
        given = headers.get("x-form-token") or await _token_in(connection, body)
        if not keeper.token_fits(came, given):
            raise STALE
    return came, body


def _to_new_password(path: str, method: str) -> None:
    if method == "GET" and not path.startswith("/api/"):
        raise HTTPException(303, "choose a password of your own first", {"location": "/password"})
    raise HTTPException(403, "choose a password of your own first, at /password")


async def _bounded(connection: HTTPConnection, receive: Receive) -> uploads.Bounded:
    is_json = _kind(connection).endswith("json")
    bound = uploads.ORDINARY if is_json else uploads.bound_of(connection.scope["path"])
    length = connection.headers.get("content-length", "0")
    if length.isdigit() and int(length) > bound:
        raise uploads.too_large(bound)
    body = uploads.Bounded(receive, bound)
    if is_json:
        fault = uploads.depth_fault(await body.whole())
        if fault:
            raise HTTPException(422, fault)
    return body


def _kind(connection: HTTPConnection) -> str:
    return connection.headers.get("content-type", "").partition(";")[0].strip().lower()


async def _token_in(connection: HTTPConnection, body: uploads.Bounded) -> str:
    kind = _kind(connection)
    if kind == "application/x-www-form-urlencoded":
        text = (await body.whole()).decode("utf-8", "replace")
        try:
            return uploads.token_in_fields(parse_qsl(text, max_num_fields=2000))
        except ValueError:
            return ""
    if kind == "multipart/form-data":
        return uploads.token_in_parts(await body.start())
    return ""


async def _refuse(scope: Scope, receive: Receive, send: Send, no: HTTPException) -> None:
    status, what = no.status_code, str(no.detail)
    if scope["type"] == "websocket":
        await receive()  # the wish to connect
        await send({"type": "websocket.close", "code": 4000 + status, "reason": what[:100]})
        return
    remedy = {
        421: "use the address the server told at its start; other names: ovenwright serve --name",
        401: "sign in at /sign-in, or send a token: Authorization: Bearer …",
        413: "send less at once",
    }.get(status, "")
    if no is STALE:
        remedy = "load the page again and repeat what you did; scripts send x-form-token"
    facts = {
        "error": "FormToken" if no is STALE else "Refused",
        "what": what,
        "where": scope["path"],
        "remedy": remedy,
    }
    response = answer(Request(scope), status, facts)
    response.headers.update(no.headers or {})
    if status in {408, 413}:
        response.headers["connection"] = "close"  # nobody reads the rest of that body
    await response(scope, receive, send)


Sending = Callable[[Message], Awaitable[None]]


def _watched(
    connection: HTTPConnection, came: Came, receive: Receive, send: Send
) -> tuple[Receive, Send]:
    """Return receive and send that end a long answer once its session has."""
    keeper, socket = keeper_of(connection), connection.scope["type"] == "websocket"
    looked, over = time.monotonic(), False

    async def sending(message: Message) -> None:
        nonlocal looked, over
        if over:
            return
        talks = message["type"] in {"http.response.body", "websocket.send"}
        if talks and time.monotonic() - looked > _LOOK_AGAIN_S:
            looked = time.monotonic()
            now = await to_thread.run_sync(keeper.came, connection)
            if now.who.role < came.who.role:
                over = True
                end: Message = {"type": "http.response.body", "body": b"", "more_body": False}
                if socket:
                    end = {"type": "websocket.close", "code": 4401, "reason": "signed out"}
                await send(end)
                return
        await send(message)

    async def receiving() -> Message:
        if over:
            return {"type": "websocket.disconnect" if socket else "http.disconnect", "code": 4401}
        return await receive()

    return receiving, sending
