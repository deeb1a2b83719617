"""Long work of a kept forecast, done by another process: what goes on meanwhile is not held up."""

from __future__ import annotations

import multiprocessing
import os
from multiprocessing.connection import Connection
from typing import Protocol, Self

from ovenwright.errors import OvenwrightError
from ovenwright.modelling.kept_forecast import Fresh, Work


class Doing(Protocol):
    """Does one piece of long work after the other; ``part`` says which of two forecasts it is for."""

    @property
    def busy(self) -> bool:
        """Whether something is being done, or done and not yet taken."""
        ...

    def ask(self, part: bool, work: Work) -> None:
        """Hand work over; nothing else must be under way."""
        ...

    def take(self) -> tuple[bool, Fresh | str] | None:
        """Return what has been done, with its part, or why it came to nothing; None before that."""
        ...


class Aside:
    """Does the work in a process that starts with the first piece and ends with this one.

    The process waits at a pipe that nobody else holds, so it ends when the asking one has gone,
    however that went.
    """

    def __init__(self) -> None:
        self._pipe: Connection | None = None
        self._part = self._busy = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pipe is not None:
            self._pipe.close()

    @property
    def busy(self) -> bool:
        """Whether something is being done, or done and not yet taken."""
        return self._busy

    def ask(self, part: bool, work: Work) -> None:
        """Hand work over; nothing else must be under way."""
        self._part, self._busy = part, True
        try:
            if self._pipe is None:
                self._pipe = self._started()
            self._pipe.send(work)
        except OSError:
            self._pipe = None

    def take(self) -> tuple[bool, Fresh | str] | None:
        """Return what has been done, with its part, or why it came to nothing; None before that."""
        if not self._busy or (self._pipe is not None and not self._pipe.poll()):
            return None
        self._busy = False
        done: Fresh | str = "the process that fits has ended by itself"
        if self._pipe is not None:
            try:
                done = self._pipe.recv()
            except (EOFError, OSError):
                self._pipe = None  # the next piece starts another
        return self._part, done

    @staticmethod
    def _started() -> Connection:
        context = multiprocessing.get_context("spawn")  # a fork would keep our end of the pipe
        here, there = context.Pipe()
        context.Process(target=_work, args=(there,), name="fits", daemon=True).start()
        there.close()
        return here


def _work(pipe: Connection) -> None:
    """Do what comes through the pipe until it closes."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    # who listens to the asking process must hear its end, not wait for this one
    for ours in (0, 1):
        os.dup2(nowhere, ours)
    while True:
        try:
            work: Work = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            done: Fresh | str = work.do()
        except OvenwrightError as trouble:
            done = trouble.what
        try:
            pipe.send(done)
        except OSError:
            return
