"""The verb people: accounts, tokens, trail and signatures without a browser."""

import io
import json
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ovenwright.cli.main import main
from ovenwright.domain.run import Run, Series
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow import passwords

WORD = "four words make one"
Call = Callable[..., dict[str, Any]]


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return tmp_path / "book"


@pytest.fixture
def call(book: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    monkeypatch.setattr(passwords, "_MEMORY_KIB", 64)
    monkeypatch.setattr(passwords, "_ROUNDS", 1)
    passwords._hasher.cache_clear()
    passwords._nobody.cache_clear()

    def run(*words: str, say: str = "", code: int = 0) -> dict[str, Any]:
        monkeypatch.setattr("sys.stdin", io.StringIO(say))
        came = main(["people", *words, "--json", "--logbook", str(book)])
        told = capsys.readouterr()
        assert came == code, told
        found: dict[str, Any] = json.loads(told.out)
        return found

    return run


def a_run(book: Path) -> Run:
    times = np.arange(0, 60, 10, dtype=np.int64) * 10**9 + 10**18
    good = np.zeros(times.size, np.uint8)
    series = Series(times, np.linspace(20.0, 99.0, times.size), good)
    run = Run(id="", series={"core": series}, title="loaf")
    log = Logbook(book)
    sealed = log.seal(run)
    log.keep_judgement(sealed, {"verdict": "pass"})
    return sealed


def test_accounts_come_and_go(call: Call) -> None:
    assert call("list") == {"accounts": [], "tokens": []}
    first = call("add", "Erin", "--role", "engineer", "--own", say=WORD)
    assert (first["name"], first["role"], first["must_change_password"]) == (
        "erin",
        "engineer",
        False,
    )
    assert call("add", "vera", "--role", "viewer", say=WORD)["must_change_password"]
    assert call("role", "vera", "operator", "--why", "trained")["role"] == "operator"
    assert call("disable", "vera")["enabled"] is False
    assert call("enable", "vera")["enabled"] is True
    assert (
        call("password", "vera", "--own", say="another four words")["must_change_password"] is False
    )
    made = call("token", "vera", "--role", "viewer")
    assert len(made["token"]) >= 40
    assert call("revoke", made["id"])["revoked"] is True
    trail = call("trail")["lines"]
    assert [x["number"] for x in trail] == list(range(8, 0, -1))
    assert all(x["who"].endswith("at this machine") for x in trail)
    assert call("trail", "--text", "TRAINED")["lines"][0]["subject"] == "vera"
    assert WORD not in json.dumps(trail)
    assert made["token"] not in json.dumps(trail)


@pytest.mark.parametrize(
    ("words", "say"),
    [
        (("add", "vera", "--role", "viewer"), WORD),  # the first is an engineer
        (("add", "erin", "--role", "engineer"), "short"),
        (("add", "../erin", "--role", "engineer"), WORD),
        (("disable", "nobody"), ""),
        (("password", "nobody"), WORD),
        (("token", "nobody", "--role", "viewer"), ""),
        (("revoke", "00000000"), ""),
        (("trail", "--limit", "0"), ""),
    ],
)
def test_bad_wishes_are_told_and_change_nothing(
    call: Call, book: Path, words: tuple[str, ...], say: str
) -> None:
    told = call(*words, say=say, code=2)
    assert told["what"]
    assert call("list")["accounts"] == []


def test_last_engineer_stays(call: Call) -> None:
    call("add", "erin", "--role", "engineer", "--own", say=WORD)
    assert "nobody would be left" in call("disable", "erin", code=2)["what"]
    assert "nobody would be left" in call("role", "erin", "viewer", code=2)["what"]


def test_results_are_signed_and_proved(call: Call, book: Path) -> None:
    run = a_run(book)
    call("add", "erin", "--role", "engineer", "--own", "--full-name", "Erin Vale", say=WORD)
    call("add", "otto", "--role", "operator", "--own", say=WORD)
    refused = call("sign", "last", "--name", "otto", "--meaning", "approved", say=WORD, code=2)
    assert "needs the role engineer" in refused["what"]
    call("sign", "last", "--name", "erin", "--meaning", "approved", say="wrong", code=2)
    assert call("signatures")["signatures"] == []
    call("sign", "last", "--name", "erin", "--meaning", "approved", "--why", "fine", say=WORD)
    (one,) = call("signatures", run.id)["signatures"]
    assert (one["full_name"], one["meaning"], one["verdict"], one["holds"]) == (
        "Erin Vale",
        "approved",
        "pass",
        True,
    )
    proof = call("check")
    assert (proof["intact"], proof["signatures"], proof["broken"]) == (True, 1, [])
    assert call("check", "--head", proof["head"])["known_head"]
    assert not call("check", "--head", "0" * 64, code=4)["intact"]
    # the sealed run is replaced by another of the same name
    path = Logbook(book).path_of(run.id)
    content = path.read_bytes()
    path.chmod(0o644)
    path.write_bytes(content[:200] + b"x" + content[201:])
    (one,) = call("signatures")["signatures"]
    assert one["broken"].startswith("the run is not what was signed")
    assert call("check", code=4)["broken"]


def test_trail_that_was_altered_is_told(call: Call, book: Path) -> None:
    call("add", "erin", "--role", "engineer", "--own", say=WORD)
    with sqlite3.connect(book / "people.sqlite") as inside:
        with pytest.raises(sqlite3.DatabaseError, match="only ever added"):
            inside.execute("DELETE FROM trail")
        inside.execute("DROP TRIGGER trail_no_update")
        inside.execute("UPDATE trail SET who = 'somebody else'")
    inside.close()
    told = call("check", code=4)
    assert (told["intact"], told["trouble"]) == (False, "line 1 was altered")


def test_other_verbs_enter_the_trail_once_there_is_one(
    call: Call, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = a_run(book)
    assert main(["judge", run.id, "--logbook", str(book)]) == 2  # it was sealed without a plan
    assert not (book / "people.sqlite").exists()
    call("add", "erin", "--role", "engineer", "--own", say=WORD)
    main(["judge", run.id, "--logbook", str(book)])
    assert len(call("trail")["lines"]) == 1, "what was refused is no change"
    csv = book.parent / "x.csv"
    csv.write_text("time_s,core\n0,20\n10,30\n20,40\n30,50\n")
    assert main(["import", str(csv), "--unit", "C", "--logbook", str(book)]) == 0
    capsys.readouterr()
    (line, _) = call("trail")["lines"]
    assert (line["what"], line["place"]) == ("brought readings in", "command line")
    assert line["subject"].endswith("x.csv")
