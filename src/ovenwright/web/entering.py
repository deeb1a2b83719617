"""Signing in, as page and API do it alike: the same words for an unknown name and a wrong password."""

from __future__ import annotations

import math

from starlette.exceptions import HTTPException
from starlette.requests import Request

from ovenwright.domain.people import Account
from ovenwright.web.site import site_of
from ovenwright.workflow import people as keeping

WRONG = "name and password do not belong together"


def enter(request: Request, name: str, password: str) -> Account:
    """Return the account of whoever gives the right password.

    Raises
    ------
    HTTPException : 401 if they don't, 429 if too many attempts failed lately
    """
    place = request.client.host if request.client else ""
    came = keeping.sign_in(site_of(request).tools.people, name, password, place=place)
    if came.account is None:
        raise refused(came.wait_s)
    return came.account


def refused(wait_s: float, *, status: int = 401) -> HTTPException:
    """Return the refusal of a password: wrong, or too early for another attempt."""
    if wait_s > 0:
        wait = math.ceil(wait_s)
        return HTTPException(
            429,
            f"too many attempts failed; wait {wait} s before the next one",
            {"retry-after": str(wait)},
        )
    return HTTPException(status, WRONG)
