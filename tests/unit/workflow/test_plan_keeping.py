"""Plans as named things: started from anything, kept by version, compared in words."""

import tomllib
from pathlib import Path

import pytest

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.errors import Overtaken, PlanFaults, UnknownName, UsageError
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.presets import preset_ids, read_preset
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.workflow.plan_drafting import Change, change_text, read_draft
from ovenwright.workflow.plan_keeping import (
    From,
    Side,
    compare_texts,
    keep_version,
    list_plans,
    shelf_of,
    start_plan,
)


@pytest.fixture(scope="module")
def library() -> ReferenceLibrary:
    return read_reference_library()


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path / "book")


def test_preset_is_kept_letter_by_letter(book: Logbook, library: ReferenceLibrary) -> None:
    kept = start_plan(book, library, From.PRESET, name="tin-bread", who="Ilze")
    assert shelf_of(book).text(kept.plan) == read_preset("tin-bread").text
    (plan,) = list_plans(book)
    assert (plan.id, plan.oven, plan.channels, plan.ready) == (
        "tin-bread-tunnel-oven",
        "oven 1",
        8,
        True,
    )


def test_own_title_names_the_plan(book: Logbook, library: ReferenceLibrary) -> None:
    kept = start_plan(book, library, From.PRESET, name="bun", title="Buns, line 2")
    assert kept.plan == "buns-line-2"
    text = shelf_of(book).text(kept.plan)
    assert tomllib.loads(text)["title"] == "Buns, line 2"
    assert text.count("#") == read_preset("bun").text.count("#")


def test_blank_plan_has_no_fault(book: Logbook, library: ReferenceLibrary) -> None:
    assert start_plan(book, library, From.BLANK).faults == 0


def test_unreadable_file_is_no_plan(book: Logbook, library: ReferenceLibrary) -> None:
    for text in ("time;core\n0;21\n", "", "\x00"):
        with pytest.raises(UsageError):
            start_plan(book, library, From.TEXT, name="x.csv", text=text)
    assert list_plans(book) == ()


def test_second_of_two_writers_is_refused_and_loses_nothing(
    book: Logbook, library: ReferenceLibrary
) -> None:
    kept = start_plan(book, library, From.PRESET, name="tin-bread")
    text = shelf_of(book).text(kept.plan)
    mine, theirs = text.replace("2.0", "1.0", 1), text.replace("2700.0", "2800.0", 1)
    keep_version(book, library, kept.plan, theirs, based_on=1, who="Janis", why="longer")
    with pytest.raises(Overtaken, match="Janis kept version 2") as refused:
        keep_version(book, library, kept.plan, mine, based_on=1, why="finer")
    assert refused.value.facts()["newest"] == 2
    assert shelf_of(book).text(kept.plan) == theirs
    assert keep_version(book, library, kept.plan, mine, based_on=2, why="finer").number == 3


def test_faulty_plan_is_kept_only_as_unfinished(book: Logbook, library: ReferenceLibrary) -> None:
    kept = start_plan(book, library, From.BLANK)
    text = shelf_of(book).text(kept.plan).replace('"K"', '"Q"')
    with pytest.raises(PlanFaults):
        keep_version(book, library, kept.plan, text, based_on=1, why="x")
    version = keep_version(book, library, kept.plan, text, based_on=1, why="x", unfinished=True)
    assert version.faults == 1
    assert not list_plans(book)[0].ready


def test_reason_and_change_are_asked_for(book: Logbook, library: ReferenceLibrary) -> None:
    kept = start_plan(book, library, From.BLANK)
    text = shelf_of(book).text(kept.plan)
    with pytest.raises(UsageError, match="nothing was changed"):
        keep_version(book, library, kept.plan, text, based_on=1, why="x")
    with pytest.raises(UsageError, match="reason"):
        keep_version(book, library, kept.plan, text + "\n", based_on=1, why=" ")
    with pytest.raises(UnknownName):
        keep_version(book, library, "none", text, based_on=1, why="x")


def test_difference_is_told_in_words_and_lines() -> None:
    old = read_preset("tin-bread").text
    new = change_text(
        old,
        [
            Change(do="set", path=("recording", "interval_s"), typed="1,5", as_kind="number"),
            Change(do="remove", path=("channels", 4)),
            Change(do="up", path=("channels", 1)),
        ],
    )
    found = compare_texts(old, new)
    assert "recording › interval_s: 2.0 → 1.5" in found.said
    assert any(s.startswith("channels › surface right was taken out") for s in found.said)
    assert len(found.said) == 2  # order is no news
    assert Side.GAP in {line.side for line in found.lines}
    numbers = [line.new for line in found.lines if line.new]
    assert numbers == sorted(numbers)
    assert compare_texts(old, old).same


def test_renamed_channel_is_followed_everywhere(library: ReferenceLibrary) -> None:
    text = read_preset("tin-bread").text + (
        '\n[[alarms]]\nname = "hot"\non = ["air left"]\nabove_c = 300.0\n'
        '\n[[instruments]]\nkind = "mqtt"\nhost = "h"\ntopic = "a/{channel}"\n'
        '[instruments.channels]\n"1" = "air left"\n"2" = "air right"\n'
    )
    at = [c["name"] for c in tomllib.loads(text)["channels"]].index("air left")
    new = change_text(text, [Change(do="rename", path=("channels", at), value="air near door")])
    data = tomllib.loads(new)
    assert data["alarms"][0]["on"] == ["air near door"]
    assert "channels › air left is called air near door now" in compare_texts(text, new).said
    assert data["instruments"][0]["channels"] == {"1": "air near door", "2": "air right"}
    assert read_draft(new, library).faults == ()


def test_copy_gets_a_name_of_its_own(library: ReferenceLibrary) -> None:
    text = read_preset("tin-bread").text
    new = change_text(text, [Change(do="copy", path=("channels", 0))] * 2)
    names = [c["name"] for c in tomllib.loads(new)["channels"]]
    assert names[-2:] == ["core left 2", "core left 3"]
    assert read_draft(new, library).faults == ()


def test_new_requirement_brings_no_limit_of_its_own(library: ReferenceLibrary) -> None:
    new = change_text(read_preset("tin-bread").text, [Change(do="add", path=("requirements",))])
    faults = read_draft(new, library).faults
    assert len(faults) == 1
    assert faults[0].path[:2] == ("requirements", 6)
    assert "at_least" in faults[0].what + faults[0].remedy


@pytest.mark.parametrize("name", preset_ids())
def test_presets_take_every_kind_of_new_item(name: str, library: ReferenceLibrary) -> None:
    text = read_preset(name).text
    for path in (("channels",), ("requirements",), ("crossings",), ("alarms",), ("instruments",)):
        new = change_text(text, [Change(do="add", path=path)])
        before = len(tomllib.loads(text).get(path[0], ()))
        assert len(tomllib.loads(new)[path[0]]) == before + 1


@pytest.mark.parametrize("text", ["a = " + "[" * 3000, "a = " + "9" * 5000, "a = [", "\ud800"])
def test_odd_texts_are_faults_not_crashes(text: str, library: ReferenceLibrary) -> None:
    draft = read_draft(text, library)
    assert draft.plan is None
    assert draft.faults


def test_crowded_text_is_refused_before_its_checks_hold_others_up(
    library: ReferenceLibrary,
) -> None:
    channel = '[[channels]]\nname = "c{}"\nsensor = "K"\nrole = "air"\n'
    text = "".join(channel.format(i) for i in range(700))
    (fault,) = read_draft(text, library).faults
    assert fault.path == ("channels",)
    assert "700" in fault.what
    lines = "\n" * 9000
    assert len(compare_texts(lines, "x\n" + lines).lines) >= 1
