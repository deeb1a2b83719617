"""Passwords, which come from the environment and never from a plan."""

from __future__ import annotations

import os

from ovenwright.errors import UsageError


def read_secret(variable: str) -> str:
    """Return the password an environment variable holds.

    Raises
    ------
    UsageError : if it is not set
    """
    found = os.environ.get(variable)
    if not found:
        raise UsageError(
            f"the environment variable {variable} is not set",
            remedy=f"set it before starting: export {variable}='…'; the plan never holds a password",
        )
    return found
