"""What every database under the people of a logbook must do, as a suite any project can run.

Subclass it in a test module and give it a fixture ``people`` with nothing kept yet::

    class TestMine(PeopleContract):
        @pytest.fixture
        def people(self) -> Iterator[People]: ...
"""

# ruff: noqa: S101 - a suite of assertions is what this module is; its secrets are none
from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import delete, update

from ovenwright.catalogue.people_tables import SIGNATURES, TRAIL
from ovenwright.domain.people import Account, Change, Pass, Role, Session, Signature
from ovenwright.errors import CatalogueTrouble, UnknownName, UsageError

if TYPE_CHECKING:
    from ovenwright.catalogue.people import People

NOW = 1_772_633_520_123_456_789
SECOND = 10**9
ANNA = Account("anna", "Anna Öst", Role.ENGINEER, True, NOW, "secret-a")
BEN = Account("ben", "Ben", Role.VIEWER, True, NOW + 1, "secret-b", must_change=True)
LINE = Change(0, NOW, "anna", "engineer", "restated a run", "run Ä 50%", "wrong wire", "::1")
SIGNED = Signature(
    number=0,
    at_ns=NOW,
    name="anna",
    full_name="Anna Öst",
    role="engineer",
    meaning="approved",
    why="",
    run_id="run-1",
    run_digest="ab" * 32,
    judgement="20260304T120000-000000000Z",
    judgement_sha256="cd" * 32,
    verdict="pass",
)


class PeopleContract:
    """The suite; each test asks for the fixture ``people``, with nothing kept yet."""

    def test_nothing_yet(self, people: People) -> None:
        """Nothing kept, nothing found."""
        assert not people.has_accounts()
        assert people.accounts() == ()
        assert people.account("anna") is None
        assert people.session("x") is None
        assert people.pass_of("x") is None
        assert people.trail() == ()
        assert people.signatures() == ()
        assert people.check_trail().intact

    def test_accounts_come_back(self, people: People) -> None:
        """Every fact of an account comes back; a name is given once."""
        people.add_account(BEN)
        people.add_account(ANNA)
        assert people.accounts() == (ANNA, BEN)
        assert people.has_accounts()
        with pytest.raises(UsageError, match="given already"):
            people.add_account(replace(BEN, role=Role.ENGINEER))
        with pytest.raises(UsageError, match="account already"):
            people.add_account(replace(BEN, name="eve"), first=True)
        assert people.account("ben") == BEN

    def test_somebody_can_always_manage(self, people: People) -> None:
        """The last engineer in use stays one, and a refused change changes nothing."""
        people.add_account(ANNA)
        people.add_account(BEN)
        with pytest.raises(UsageError, match="nobody would be left"):
            people.change_account("anna", enabled=False)
        with pytest.raises(UsageError, match="nobody would be left"):
            people.change_account("anna", role=Role.OPERATOR)
        assert people.account("anna") == ANNA
        before, after = people.change_account("ben", role=Role.ENGINEER, full_name="Ben B")
        assert (before, after) == (BEN, replace(BEN, role=Role.ENGINEER, full_name="Ben B"))
        people.change_account("anna", enabled=False)
        with pytest.raises(UnknownName):
            people.change_account("nobody", enabled=False)

    def test_sessions(self, people: People) -> None:
        """A session is found until it ends, is taken over, or its owner is put out of use."""
        people.add_account(ANNA)
        people.add_account(BEN)
        first = Session("k1", "ben", NOW, NOW)
        people.add_session(first)
        assert people.session("k1") == (first, BEN)
        people.seen("k1", NOW + SECOND)
        assert people.session("k1") == (replace(first, seen_ns=NOW + SECOND), BEN)
        people.add_session(Session("k2", "ben", NOW, NOW), instead_of="k1")
        assert people.session("k1") is None
        people.end_session("k2")
        assert people.session("k2") is None
        for change in ({"secret": "new"}, {"enabled": False}):
            people.add_session(Session("k3", "ben", NOW, NOW))
            people.change_account("ben", **change)
            assert people.session("k3") is None

    def test_passes(self, people: People) -> None:
        """A pass is found until it is revoked or its owner put out of use."""
        people.add_account(ANNA)
        people.add_account(BEN)
        one = Pass("p1", "key", "ben", Role.VIEWER, "wall screen", NOW)
        people.add_pass(one)
        assert people.pass_of("key") == (one, BEN)
        people.pass_used("p1", NOW + 5)
        assert people.passes() == (replace(one, used_ns=NOW + 5),)
        people.change_account("ben", enabled=False)
        assert people.pass_of("key") is None
        people.change_account("ben", enabled=True)
        assert people.revoke_pass("p1").revoked
        assert people.pass_of("key") is None
        with pytest.raises(UnknownName):
            people.revoke_pass("none")

    def test_failures_make_wait(self, people: People) -> None:
        """Free failures first, then doubling waits; forgiven, forgotten after a day."""
        limits = {"name x": (2, 5.0), "place y": (50, 300.0)}
        at, waits = NOW, []
        for _ in range(2):
            assert people.charge(limits, at) == 0.0
        for _ in range(4):
            assert people.charge(limits, at) == 0.0
            waits.append(people.charge(limits, at))  # refused, and so not counted
            assert people.charge({"place y": (50, 300.0)}, at) == 0.0
            at += int(waits[-1] * SECOND)
        assert waits == [1.0, 2.0, 4.0, 5.0]
        people.forgive(*limits)
        assert people.charge(limits, at) == 0.0
        assert people.charge(limits, at + 2 * 24 * 3600 * SECOND) == 0.0

    def test_many_at_once_get_no_more_tries(self, people: People) -> None:
        """Attempts made at the same time are counted one after the other."""
        people.charge({"other": (0, 1.0)}, NOW)
        with ThreadPoolExecutor(8) as pool:
            waits = list(pool.map(lambda _: people.charge({"n": (3, 60.0)}, NOW), range(24)))
        assert sum(w == 0.0 for w in waits) == 4  # three are free, the fourth begins the waiting

    def test_trail_finds(self, people: People) -> None:
        """Lines come back newest first, are found whatever the case, words mean themselves."""
        first = people.note(LINE)
        second = people.note(
            replace(LINE, at_ns=NOW + SECOND, who="ben", why="", subject="under_x")
        )
        assert people.trail() == (second, first)
        assert (first.number, second.number, second.previous) == (1, 2, first.hash)
        assert people.trail(who="ben") == (second,)
        for text, found in {"RUN ä": (first,), "50%": (first,), "5%": (), "WIRE": (first,)}.items():
            assert people.trail(text=text) == found, text
        assert people.trail(since_ns=NOW + 1) == (second,)
        assert people.trail(until_ns=NOW + 1) == (first,)
        assert people.trail(limit=1, offset=1) == (first,)
        state = people.check_trail()
        assert (state.intact, state.lines, state.head) == (True, 2, second.hash)

    def test_lines_at_once_make_one_chain(self, people: People) -> None:
        """Whoever writes at the same time, the chain has no fork and no gap."""
        with ThreadPoolExecutor(8) as pool:
            list(pool.map(lambda i: people.note(replace(LINE, subject=str(i))), range(40)))
        assert people.check_trail().intact
        assert [c.number for c in people.trail()] == list(range(40, 0, -1))

    def test_reading_while_the_first_line_is_written(self, people: People) -> None:
        """Whoever reads while somebody makes the tables finds nothing, and no trouble."""
        with ThreadPoolExecutor(8) as pool:
            reads = [pool.submit(people.has_accounts) for _ in range(20)]
            writes = [pool.submit(people.note, LINE) for _ in range(4)]
            reads += [pool.submit(people.has_accounts) for _ in range(60)]
            assert not any(r.result() for r in reads)
            assert {w.result().number for w in writes} == {1, 2, 3, 4}

    def test_nothing_is_taken_back(self, people: People) -> None:
        """The database itself refuses to change or remove what was written."""
        people.note(LINE)
        people.sign(SIGNED, what="signed", subject="run-1")
        for sentence in (
            update(TRAIL).values(why="better"),
            delete(TRAIL),
            update(SIGNATURES).values(meaning="reviewed"),
            delete(SIGNATURES),
        ):
            with (
                pytest.raises(CatalogueTrouble, match="only ever added"),
                people._writing() as connection,  # noqa: SLF001 - no door leads here
            ):
                connection.execute(sentence)
        assert people.check_trail().intact

    def test_signatures(self, people: People) -> None:
        """A signature comes back and stands in the trail."""
        one = people.sign(SIGNED, what="signed a result as approved", subject="run-1")
        two = people.sign(replace(SIGNED, run_id="run-2"), what="signed", subject="run-2")
        assert people.signatures() == (two, one)
        assert people.signatures("run-1") == (one,)
        assert replace(one, number=0, hash="") == SIGNED
        assert [c.subject for c in people.trail()] == ["run-2", "run-1"]
        assert people.check_trail().intact
