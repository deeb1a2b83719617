"""Who is at the door: roles, the token of forms, and what each role may do.

Without accounts the server answers this machine alone, and whoever sits at it is an engineer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import Annotated

from fastapi import Depends
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection, Request


class Role(IntEnum):
    """What a person may do; each role may do what those below it may."""

    NOBODY = 0
    VIEWER = 1
    OPERATOR = 2
    ENGINEER = 3

    @property
    def title(self) -> str:
        """The role's name as people read it."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Who:
    """The person a request comes from."""

    name: str
    role: Role
    signed_in: bool = False


AT_THIS_MACHINE = Who("this computer", Role.ENGINEER)


def who_is(connection: HTTPConnection) -> Who:
    """Return who sent a request."""
    who: Who = getattr(connection.state, "who", AT_THIS_MACHINE)
    return who


def token_of(connection: HTTPConnection) -> str:
    """Return the token that forms and scripts of this person must send back."""
    return str(getattr(connection.state, "token", ""))


def at_least(role: Role) -> Callable[[Request], Who]:
    """Return a dependency that lets only ``role`` and above in."""

    def check(request: Request) -> Who:
        who = who_is(request)
        if who.role < role:
            raise HTTPException(
                401 if not who.signed_in else 403,
                f"this needs the role {role.title}; {who.name} is {who.role.title}",
            )
        return who

    return check


Viewer = Annotated[Who, Depends(at_least(Role.VIEWER))]
Operator = Annotated[Who, Depends(at_least(Role.OPERATOR))]
Engineer = Annotated[Who, Depends(at_least(Role.ENGINEER))]
"""Put ``who: Engineer`` among an endpoint's arguments: every endpoint names the role it needs."""


def note(request: Request, what: str, subject: str, *, why: str = "") -> None:
    """Write into the audit trail that whoever sent ``request`` did ``what`` to ``subject``."""
