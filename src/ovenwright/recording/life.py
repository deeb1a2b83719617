"""The life of a recording: one table of states and events."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from ovenwright.errors import UsageError


class State(StrEnum):
    """Where a recording is in its life."""

    PLANNED = "planned"  # nothing has been opened yet
    WAITING = "waiting"  # readings come in and are looked at, none is kept but the last few
    RECORDING = "recording"
    STOPPING = "stopping"  # no more is taken in; what has come is being made durable
    SEALING = "sealing"
    SEALED = "sealed"
    CALLED_OFF = "called off"  # stopped before it began: there is nothing to keep
    BROKEN = "broken"  # ended by a trouble; its journal, if any, is kept


class Event(StrEnum):
    """What can happen to a recording."""

    ARM = "arm"  # the instruments are being listened to
    START = "start"  # what it waited for has come
    STOP = "stop"  # a rule, a person or a signal says enough
    DRAINED = "drained"  # all that came is durable
    KEPT = "kept"  # sealed, and verified by reading back
    EMPTY = "empty"  # there is no reading to seal
    FAIL = "fail"
    RESUME = "resume"  # a recorder goes on with the journal of one that died
    RECOVER = "recover"  # a journal left behind is to be sealed as it is


TABLE: Mapping[State, Mapping[Event, State]] = {
    State.PLANNED: {
        Event.ARM: State.WAITING,
        Event.STOP: State.CALLED_OFF,
        Event.FAIL: State.BROKEN,
        Event.RESUME: State.RECORDING,
        Event.RECOVER: State.SEALING,
    },
    State.WAITING: {
        Event.START: State.RECORDING,
        Event.STOP: State.CALLED_OFF,
        Event.FAIL: State.BROKEN,
    },
    State.RECORDING: {
        Event.STOP: State.STOPPING,
        Event.FAIL: State.BROKEN,
    },
    State.STOPPING: {
        Event.STOP: State.STOPPING,
        Event.DRAINED: State.SEALING,
        Event.FAIL: State.BROKEN,
    },
    State.SEALING: {
        Event.STOP: State.SEALING,
        Event.KEPT: State.SEALED,
        Event.EMPTY: State.CALLED_OFF,
        Event.FAIL: State.BROKEN,
    },
    State.SEALED: {
        Event.STOP: State.SEALED,
    },
    State.CALLED_OFF: {
        Event.STOP: State.CALLED_OFF,
    },
    State.BROKEN: {
        Event.STOP: State.BROKEN,
        Event.FAIL: State.BROKEN,
        Event.RESUME: State.RECORDING,
        Event.RECOVER: State.SEALING,
    },
}
"""What each event leads to in each state; a pair that is not here can't happen."""


class Life:
    """Where one recording is; moves only as the table allows."""

    def __init__(self, state: State = State.PLANNED) -> None:
        self.state = state

    def on(self, event: Event) -> State:
        """Let an event happen and return the new state.

        Raises
        ------
        UsageError : if it can't happen in this state
        """
        to = TABLE[self.state].get(event)
        if to is None:
            can = ", ".join(TABLE[self.state]) or "nothing"
            raise UsageError(
                f"a recording that is {self.state} can't {event}", remedy=f"possible: {can}"
            )
        self.state = to
        return to
