"""Who is at the door: roles, the token of forms, what each role may do, and the trail of changes.

Without accounts the server answers this machine alone, and whoever sits at it is an engineer. The
guard (``guard.py``) finds out who it is before any endpoint sees the request; until it has, it is
nobody.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote

from fastapi import Depends
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection, Request

from ovenwright.domain.people import Role
from ovenwright.web.site import site_of
from ovenwright.workflow import people as keeping


@dataclass(frozen=True, slots=True)
class Who:
    """The person a request comes from."""

    name: str
    role: Role
    signed_in: bool = False


AT_THIS_MACHINE = Who("this computer", Role.ENGINEER)
STRANGER = Who("nobody signed in", Role.NOBODY)


def who_is(connection: HTTPConnection) -> Who:
    """Return who sent a request."""
    who: Who = getattr(connection.state, "who", STRANGER)
    return who


def token_of(connection: HTTPConnection) -> str:
    """Return the token that forms and scripts of this person must send back."""
    return str(getattr(connection.state, "token", ""))


def at_least(role: Role) -> Callable[[HTTPConnection], Who]:
    """Return a dependency that lets only ``role`` and above in; for sockets as for requests."""

    def check(connection: HTTPConnection) -> Who:
        who = who_is(connection)
        if who.role < role:
            raise refusal(connection, role)
        return who

    check.role = role  # type: ignore[attr-defined]  # so that tests find what an endpoint needs
    return check


def refusal(connection: HTTPConnection, role: Role) -> HTTPException:
    """Return the refusal for whoever may do too little; a page leads a stranger to sign in."""
    who = who_is(connection)
    words = f"this needs the role {role.title}; {who.name} has the role {who.role.title}"
    if who.signed_in:
        return HTTPException(403, words)
    path = connection.url.path
    reads = connection.scope.get("method") == "GET" and not path.startswith("/api/")
    if reads and "text/html" in connection.headers.get("accept", ""):
        query = connection.url.query
        onward = quote(f"{path}?{query}" if query else path, safe="/")
        return HTTPException(303, "sign in first", {"location": f"/sign-in?next={onward}"})
    return HTTPException(401, "sign in first", {"www-authenticate": "Bearer"})


Viewer = Annotated[Who, Depends(at_least(Role.VIEWER))]
Operator = Annotated[Who, Depends(at_least(Role.OPERATOR))]
Engineer = Annotated[Who, Depends(at_least(Role.ENGINEER))]
"""Put ``who: Engineer`` among an endpoint's arguments: every endpoint names the role it needs."""


def by(connection: HTTPConnection) -> keeping.By:
    """Return who makes the change a request asks for, and from which address."""
    who = who_is(connection)
    address = connection.client.host if connection.client else ""
    return keeping.By(who.name, who.role, address)


def note(request: Request, what: str, subject: str, *, why: str = "") -> None:
    """Write into the audit trail that whoever sent ``request`` did ``what`` to ``subject``.

    It waits for the disk: call it from a plain ``def`` endpoint or a job.
    """
    keeping.note(site_of(request).tools.people, by(request), what, subject, why=why)


__all__ = [
    "AT_THIS_MACHINE",
    "STRANGER",
    "Engineer",
    "Operator",
    "Role",
    "Viewer",
    "Who",
    "at_least",
    "by",
    "note",
    "refusal",
    "token_of",
    "who_is",
]
