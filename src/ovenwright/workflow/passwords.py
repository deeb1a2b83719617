"""Passwords: hashed with Argon2id, checked with the same work whether or not the name is known."""

from __future__ import annotations

import threading
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from ovenwright.domain.people import LONGEST_PASSWORD, password_fault, plain_password
from ovenwright.errors import UsageError

_ROUNDS, _MEMORY_KIB, _LANES = 3, 64 * 1024, 4
"""Source: RFC 9106, section 4, the second recommended option."""
_AT_ONCE = threading.BoundedSemaphore(2)  # each takes its memory; a flood of sign-ins waits here


@cache
def _hasher() -> PasswordHasher:
    return PasswordHasher(time_cost=_ROUNDS, memory_cost=_MEMORY_KIB, parallelism=_LANES)


@cache
def _nobody() -> str:
    # checked against when a name is unknown, so that the time taken does not tell
    return _hasher().hash("nobody has this password")


def hashed(password: str, *, name: str) -> str:
    """Return the hash of a new password.

    Raises
    ------
    UsageError : if the password won't do, saying why
    """
    fault = password_fault(password, name)
    if fault:
        raise UsageError(fault, where="password", remedy="choose another password")
    with _AT_ONCE:
        return _hasher().hash(_bytes(password))


def fits(password: str, secret: str) -> bool:
    """Tell whether a password is the one that was hashed; an empty ``secret`` fits none."""
    given = _bytes(password[: 4 * LONGEST_PASSWORD])
    with _AT_ONCE:
        try:
            return _hasher().verify(secret or _nobody(), given) and bool(secret)
        except (VerificationError, InvalidHashError):
            return False


def is_old(secret: str) -> bool:
    """Tell whether a hash was made with other parameters than today's."""
    return _hasher().check_needs_rehash(secret)


def _bytes(password: str) -> bytes:
    return plain_password(password).encode("utf-8", "surrogatepass")
