"""Turns on a steady grid, and what is said of a link."""

import errno
import threading

from ovenwright.domain.live import Batch, NoticeKind
from ovenwright.sources.back_off import BackOff
from ovenwright.sources.staying_connected import LinkLife, Pace

NS = 1_000_000_000


class Hands:
    """A clock, and a wait that moves it."""

    def __init__(self) -> None:
        self.at_s = 100.0
        self.waited: list[float] = []
        self.stop_after = 1_000

    def now_ns(self) -> int:
        return round(self.at_s * NS)

    def monotonic_ns(self) -> int:
        return round(self.at_s * NS)

    def is_set(self) -> bool:
        return len(self.waited) >= self.stop_after

    def wait(self, timeout: float) -> bool:
        self.waited.append(round(timeout, 6))
        self.at_s += timeout
        return self.is_set()


def test_turns_stay_on_the_grid_however_long_the_work_takes() -> None:
    hands = Hands()
    pace = Pace(1.0, hands)
    starts, missed = [], []
    for work_s in (0.1, 0.7, 2.5, 0.2, 0.0):
        missed.append(pace.wait(hands))
        starts.append(round(hands.at_s - 100.0, 6))
        hands.at_s += work_s
    # the third turn began at 2 and ended at 4.5: those of 3 and 4 were left out, the one of 4 is late
    assert starts == [0.0, 1.0, 2.0, 4.5, 5.0]
    assert missed == [0, 0, 0, 1, 0]


def test_due_counts_a_turn_once() -> None:
    hands = Hands()
    pace = Pace(1.0, hands)
    assert [pace.due(), pace.due()] == [True, False]
    hands.at_s += 0.999
    assert not pace.due()
    hands.at_s += 0.001
    assert pace.due()
    hands.at_s += 5.5
    assert [pace.due(), pace.due()] == [True, False]


def test_a_link_that_never_was_is_waited_for_and_one_that_went_is_lost() -> None:
    hands = Hands()
    hands.stop_after = 4
    said: list[Batch] = []
    life = LinkLife(
        waits_for="192.0.2.7:502",
        deliver=said.append,
        stopping=hands,
        clock=hands,
        back_off=BackOff(first_s=1.0, most_s=4.0),
    )
    tries = iter(range(100))

    def session() -> None:
        if next(tries) == 2:
            life.connected()
            life.worked()
            raise OSError(errno.EPIPE, "Broken pipe")
        raise ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused")

    life.keep(session)
    kinds = [n.kind for b in said for n in b.notices]
    W, C, L = NoticeKind.WAITING, NoticeKind.CONNECTED, NoticeKind.LOST
    assert kinds == [W, W, C, L, W, W]
    assert "connection refused" in said[0].notices[0].text
    assert "192.0.2.7:502" in said[0].notices[0].text
    assert 0.75 <= hands.waited[0] <= 1.0
    assert 1.5 <= hands.waited[1] <= 2.0
    assert hands.waited[2] <= 1.0  # it had worked, so the waits begin short again


def test_told_to_stop_it_neither_tries_nor_speaks_again() -> None:
    stop = threading.Event()
    said: list[Batch] = []
    life = LinkLife(waits_for="x", deliver=said.append, stopping=stop, clock=Hands())

    def session() -> None:
        stop.set()
        raise OSError("closed")

    life.keep(session)
    assert said == []
