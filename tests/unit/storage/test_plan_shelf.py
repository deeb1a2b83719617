"""The shelf: versions are never changed, never overwritten, and tell who, when and why."""

import json
import threading
from pathlib import Path

import pytest

from ovenwright.errors import StorageTrouble, UnknownName, UsageError
from ovenwright.storage.plan_shelf import MOST_BYTES, PlanShelf, Version


@pytest.fixture
def shelf(tmp_path: Path) -> PlanShelf:
    return PlanShelf(tmp_path / "plan-shelf")


def test_nothing_is_made_before_something_is_kept(shelf: PlanShelf) -> None:
    assert shelf.ids() == ()
    assert not shelf.folder.exists()
    with pytest.raises(UnknownName):
        shelf.text("loaves")


def test_versions_are_kept_with_who_and_why(shelf: PlanShelf) -> None:
    first = shelf.create("title = 'a'\n", name="Rye loaves, oven 3", who="Ilze", origin="preset x")
    assert first.plan == "rye-loaves-oven-3"
    second = shelf.add(first.plan, "title = 'b'\n", after=1, who="Janis", why="new belt", faults=2)
    assert second is not None
    assert [v.number for v in shelf.versions(first.plan)] == [2, 1]
    assert (second.who, second.why, second.faults) == ("Janis", "new belt", 2)
    assert shelf.text(first.plan, 1) == "title = 'a'\n"
    assert shelf.text(first.plan) == "title = 'b'\n"


def test_same_name_gets_an_id_of_its_own(shelf: PlanShelf) -> None:
    one = shelf.create("a = 1", name="Loaf", who="")
    other = shelf.create("a = 1", name="Loaf", who="")
    assert (one.plan, other.plan) == ("loaf", "loaf-2")
    assert shelf.create("a = 1", name="ホット", who="").plan == "plan"


def test_of_two_who_keep_at_once_one_is_told(shelf: PlanShelf) -> None:
    shelf.create("a = 0", name="Loaf", who="")
    kept: list[Version | None] = []
    gate = threading.Barrier(4)

    def keep(n: int) -> None:
        gate.wait()
        kept.append(shelf.add("loaf", f"a = {n}", after=1, who=str(n), why="x"))

    threads = [threading.Thread(target=keep, args=(n,)) for n in range(1, 5)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    won = [v for v in kept if v is not None]
    assert len(won) == 1
    assert shelf.text("loaf") == f"a = {won[0].who}"


def test_altered_text_is_not_given_out(shelf: PlanShelf) -> None:
    shelf.create("a = 0", name="Loaf", who="")
    (shelf.folder / "loaf" / "1.toml").write_text("a = 1", encoding="utf-8")
    with pytest.raises(StorageTrouble, match="altered"):
        shelf.text("loaf")


def test_text_without_its_facts_is_still_there(shelf: PlanShelf) -> None:
    shelf.create("a = 0", name="Loaf", who="Ilze")
    (shelf.folder / "loaf" / "1.json").unlink()  # the machine stopped between the two files
    assert shelf.text("loaf") == "a = 0"
    assert shelf.last("loaf").who == ""


def test_damaged_facts_are_told(shelf: PlanShelf) -> None:
    shelf.create("a = 0", name="Loaf", who="Ilze")
    (shelf.folder / "loaf" / "1.json").write_text(json.dumps([]), encoding="utf-8")
    with pytest.raises(StorageTrouble, match="can't be read"):
        shelf.last("loaf")


@pytest.mark.parametrize("name", ["..", "../runs", "/etc", "a/b", "Loaf", "", ".", "a" * 80])
def test_no_path_is_an_id(shelf: PlanShelf, name: str) -> None:
    shelf.create("a = 0", name="Loaf", who="")
    with pytest.raises(UnknownName):
        shelf.text(name)


def test_what_is_too_large_is_no_plan(shelf: PlanShelf) -> None:
    with pytest.raises(UsageError, match="no plan"):
        shelf.create("#" * (MOST_BYTES + 1), name="Loaf", who="")


def test_a_standing_that_can_t_be_read_is_told(shelf: PlanShelf) -> None:
    kept = shelf.create("a = 1\n", name="loaf", who="Ilze")
    assert shelf.retired(kept.plan) is None
    assert shelf.standings(kept.plan) == ()
    made = shelf.set_standing(kept.plan, retired=True, who="Ilze", why="old")
    assert shelf.retired(kept.plan) == made
    assert shelf.set_standing(kept.plan, retired=True, who="Ilze", why="old") is None
    assert shelf.numbers(kept.plan) == (1,)
    (shelf.folder / kept.plan / "standing-1.json").write_text("{")
    with pytest.raises(StorageTrouble, match="retired can't be read"):
        shelf.retired(kept.plan)
