"""Long sums in a process of their own, so that no page waits for them and they can be stopped."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any

from ovenwright.errors import OvenwrightError, UsageError
from ovenwright.web.retold import Retold

_LOOK_S = 0.25
_NICE = 5


def apart(work: Callable[..., Any], *given: Any, tell: Callable[[float], None]) -> Any:
    """Return what a function returns that runs in a process of its own.

    Parameters
    ----------
    work : a function of a module; what it is given and returns is copied between the processes
    tell : told now and then for how many seconds it has run; what it raises ends the work

    Raises
    ------
    OvenwrightError : what the function raised, in its words
    """
    context = get_context("spawn")
    here, there = context.Pipe(duplex=False)
    child = context.Process(target=_answer, args=(there, work, given), daemon=True)
    child.start()
    there.close()
    began = time.monotonic()
    try:
        while not here.poll(_LOOK_S):
            tell(time.monotonic() - began)
        try:
            went_well, answer = here.recv()
        except EOFError as cause:
            raise UsageError(
                "the work ended before it said anything",
                remedy="try again; this computer may be short of memory",
            ) from cause
    finally:
        here.close()
        child.join(1.0)  # it ends by itself once it has answered
        if child.is_alive():
            child.kill()
            child.join()
    if went_well:
        return answer
    raise Retold(answer)


def _answer(into: Connection, work: Callable[..., Any], given: tuple[Any, ...]) -> None:
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(_NICE)
    try:
        answer = (True, work(*given))
    except OvenwrightError as trouble:
        answer = (False, trouble.facts())
    into.send(answer)
    into.close()
