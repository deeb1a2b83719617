"""Who sent a request, by its cookie or bearer token, and the cookie of whoever signs in.

A cookie holds a random id of which only the hash is kept; the token of forms is made from it, so
that it is good for that session alone.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from dataclasses import dataclass, field

from starlette.requests import HTTPConnection
from starlette.responses import Response

from ovenwright.domain.people import Account
from ovenwright.web.door import AT_THIS_MACHINE, STRANGER, Who
from ovenwright.web.origins import is_this_machine, was_forwarded
from ovenwright.web.site import Site, site_of
from ovenwright.workflow import people as keeping

_ASK_AGAIN_S = 0.5


@dataclass(frozen=True, slots=True)
class Came:
    """Who came, and by which way: ``here``, ``cookie``, ``pass`` or ``nobody``."""

    who: Who
    way: str
    held: str = ""
    must_change: bool = False
    wrong_pass: bool = False


@dataclass
class Doorkeeper:
    """What one server remembers about whom to let in.

    ``secret`` makes the form tokens of those without a session; a new start makes new ones.
    """

    site: Site
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    _accounts: bool = False
    _asked: float = -1.0

    def has_accounts(self) -> bool:
        """Tell whether anybody has an account; asked anew at most twice a second.

        An account is never removed, so the answer yes stands, whatever becomes of the file.
        """
        if self._accounts or time.monotonic() - self._asked < _ASK_AGAIN_S:
            return self._accounts
        self._accounts = self.site.tools.people.has_accounts()
        self._asked = time.monotonic()
        return self._accounts

    def account_made(self) -> None:
        """Let the next request know that there is an account now."""
        self._asked = -1.0

    def came(self, connection: HTTPConnection) -> Came:
        """Find out who sent a request; asks the database, so not on the event loop.

        Raises
        ------
        CatalogueTrouble : if the record of people can't be read
        """
        people = self.site.tools.people
        if not self.has_accounts():
            peer = connection.client.host if connection.client else ""
            here = (
                not self.site.shared
                and is_this_machine(peer)
                and not was_forwarded(connection.headers)
            )
            return Came(AT_THIS_MACHINE, "here") if here else Came(STRANGER, "nobody")
        scheme, _, word = connection.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            found = keeping.account_of_pass(people, word.strip())
            if found is None:
                return Came(STRANGER, "nobody", wrong_pass=True)
            account, role = found
            return Came(Who(account.name, role, True), "pass", word.strip())
        held = connection.cookies.get(cookie_name(connection), "")
        if not held:
            return Came(STRANGER, "nobody")
        owner = keeping.account_of_session(people, held)
        if owner is None:
            return Came(STRANGER, "nobody")
        return Came(Who(owner.name, owner.role, True), "cookie", held, owner.must_change)

    def token(self, came: Came) -> str:
        """Return the token that forms and scripts of a session must send back."""
        key = came.held.encode() if came.way == "cookie" else self.secret
        return hmac.new(key, b"form-token", hashlib.sha256).hexdigest()

    def token_fits(self, came: Came, given: str) -> bool:
        """Tell whether a token is the right one."""
        return hmac.compare_digest(given.encode(), self.token(came).encode())


def keeper_of(connection: HTTPConnection) -> Doorkeeper:
    """Return the doorkeeper of the server a request came to."""
    found: Doorkeeper = connection.app.state.keeper
    return found


def came_of(connection: HTTPConnection) -> Came:
    """Return how a request came."""
    found: Came = getattr(connection.state, "came", Came(STRANGER, "nobody"))
    return found


def is_secure(connection: HTTPConnection) -> bool:
    """Tell whether the connection is encrypted."""
    return connection.url.scheme in {"https", "wss"}


def cookie_name(connection: HTTPConnection) -> str:
    """Return the name of the session's cookie.

    Under TLS its prefix makes browsers refuse one that another host or an open connection set.
    Cookies know no ports, so the port is part of the name.
    """
    server = connection.scope.get("server") or ("", 0)
    return f"{'__Host-' if is_secure(connection) else ''}ovenwright-{server[1]}"


def sign_in(connection: HTTPConnection, answer: Response, account: Account) -> Came:
    """Begin a session for whoever proved to be ``account``; an older one of this browser ends."""
    old = connection.cookies.get(cookie_name(connection), "")
    held = keeping.begin_session(site_of(connection).tools.people, account, instead_of=old)
    answer.set_cookie(
        cookie_name(connection),
        held,
        max_age=keeping.LIVES[account.role].longest_ns // 10**9,
        path="/",
        secure=is_secure(connection),
        httponly=True,
        samesite="strict",
    )
    return Came(Who(account.name, account.role, True), "cookie", held, account.must_change)


def sign_out(connection: HTTPConnection, answer: Response) -> None:
    """End the session of this browser."""
    name = cookie_name(connection)
    held = connection.cookies.get(name, "")
    if held:
        keeping.end_session(site_of(connection).tools.people, held)
    answer.delete_cookie(
        name, path="/", secure=is_secure(connection), httponly=True, samesite="strict"
    )
