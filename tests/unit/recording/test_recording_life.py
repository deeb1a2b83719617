"""The life of a recording, over every state and every event."""

from __future__ import annotations

from itertools import product

import pytest

from ovenwright.errors import UsageError
from ovenwright.recording.life import TABLE, Event, Life, State

LEADS = {
    (State.PLANNED, Event.ARM): State.WAITING,
    (State.PLANNED, Event.STOP): State.CALLED_OFF,
    (State.PLANNED, Event.FAIL): State.BROKEN,
    (State.PLANNED, Event.RESUME): State.RECORDING,
    (State.PLANNED, Event.RECOVER): State.SEALING,
    (State.WAITING, Event.START): State.RECORDING,
    (State.WAITING, Event.STOP): State.CALLED_OFF,
    (State.WAITING, Event.FAIL): State.BROKEN,
    (State.RECORDING, Event.STOP): State.STOPPING,
    (State.RECORDING, Event.FAIL): State.BROKEN,
    (State.STOPPING, Event.STOP): State.STOPPING,
    (State.STOPPING, Event.DRAINED): State.SEALING,
    (State.STOPPING, Event.FAIL): State.BROKEN,
    (State.SEALING, Event.STOP): State.SEALING,
    (State.SEALING, Event.KEPT): State.SEALED,
    (State.SEALING, Event.EMPTY): State.CALLED_OFF,
    (State.SEALING, Event.FAIL): State.BROKEN,
    (State.SEALED, Event.STOP): State.SEALED,
    (State.CALLED_OFF, Event.STOP): State.CALLED_OFF,
    (State.BROKEN, Event.STOP): State.BROKEN,
    (State.BROKEN, Event.FAIL): State.BROKEN,
    (State.BROKEN, Event.RESUME): State.RECORDING,
    (State.BROKEN, Event.RECOVER): State.SEALING,
}


@pytest.mark.parametrize(("state", "event"), list(product(State, Event)))
def test_every_event_in_every_state(state: State, event: Event) -> None:
    life = Life(state)
    to = LEADS.get((state, event))
    if to is None:
        with pytest.raises(UsageError, match=f"that is {state} can't {event}"):
            life.on(event)
        assert life.state is state
    else:
        assert life.on(event) is to
        assert life.state is to


def test_the_table_names_every_state_and_a_second_stop_never_hurts() -> None:
    assert set(TABLE) == set(State)
    for state in State:
        moves = TABLE[state]
        if Event.STOP in moves and state not in {State.PLANNED, State.WAITING, State.RECORDING}:
            assert moves[Event.STOP] is state


def test_no_way_leads_back_from_sealed() -> None:
    assert set(TABLE[State.SEALED].values()) == {State.SEALED}
