"""Changes in place: the data changes as asked, every comment stays, and nothing else moves."""

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.errors import UsageError
from ovenwright.storage.presets import preset_ids, read_preset
from ovenwright.storage.toml_edit import (
    add_item,
    literal,
    number_as_typed,
    remove_value,
    set_value,
    swap_items,
)

PLAN = """# head
title = "Loaves"   # the title

[oven] # where
kind = "tunnel"
belt_speed_m_min = 0.7 # 24 m in 34 min

# zones in order
[[oven.zones]]
name = "zone 1"
length_m = 6.0

[[oven.zones]]
name = "zone 2"
length_m = 6.0

[[channels]]
name = "core" # slowest
place = { lane = "left", depth_m = 0.05 }
# [channels.certificate]

# about what is asked
[[requirements]]
name = "hot"
cautions = [
  "one",   # first
  "two",
]
"""


def comments(text: str) -> list[str]:
    return [line.split("#", 1)[1] for line in text.splitlines() if "#" in line]


def test_value_is_changed_where_it_stands() -> None:
    new = set_value(PLAN, ("oven", "belt_speed_m_min"), 0.8)
    assert new == PLAN.replace("0.7 # 24", "0.8 # 24")


def test_new_key_stands_with_its_table_not_with_the_comment_of_the_next() -> None:
    new = set_value(PLAN, ("oven", "belt_width_m"), 2.5)
    assert "34 min\nbelt_width_m = 2.5\n\n# zones in order" in new


def test_inline_table_grows_and_shrinks() -> None:
    new = set_value(PLAN, ("channels", 0, "place", "zone"), "zone 1")
    assert 'place = { lane = "left", depth_m = 0.05, zone = "zone 1" }' in new
    new = remove_value(new, ("channels", 0, "place", "lane"))
    assert 'place = { depth_m = 0.05, zone = "zone 1" }' in new
    new = remove_value(new, ("channels", 0, "place", "zone"))
    new = remove_value(new, ("channels", 0, "place", "depth_m"))
    assert tomllib.loads(new)["channels"][0]["place"] == {}
    assert "lane" in set_value(new, ("channels", 0, "place", "lane"), "right")


def test_missing_tables_are_written() -> None:
    new = set_value(PLAN, ("site", "time_zone"), "Europe/Riga")
    assert new.endswith('\n\n[site]\ntime_zone = "Europe/Riga"\n')
    new = set_value(PLAN, ("channels", 0, "body", "mass_kg"), 0.25)
    assert "body = { mass_kg = 0.25 }\n" in new
    assert comments(new) == comments(PLAN)


def test_table_between_is_written_before_its_child() -> None:
    text = "[recording.stop] # rule\nafter_s = 3\n"
    new = set_value(text, ("recording", "interval_s"), 2.0)
    assert new == "[recording]\ninterval_s = 2.0\n\n[recording.stop] # rule\nafter_s = 3\n"


def test_dotted_keys_go_on_dotted() -> None:
    assert set_value('a.b = 1\nc = "x"\n', ("a", "d"), 2) == 'a.b = 1\na.d = 2\nc = "x"\n'


def test_item_is_added_behind_its_like() -> None:
    new = add_item(PLAN, ("oven", "zones"), {"name": "zone 3", "length_m": 2.0})
    assert [z["name"] for z in tomllib.loads(new)["oven"]["zones"]][-1] == "zone 3"
    assert new.index("zone 3") < new.index("[[channels]]")
    new = add_item(PLAN, ("channels",), {"name": "air"})
    assert new.index('"air"') < new.index("# about what is asked")
    assert comments(new) == comments(PLAN)


def test_item_is_taken_out_whole() -> None:
    new = remove_value(PLAN, ("oven", "zones", 0))
    assert "zone 1" not in new
    assert "# zones in order" in new
    new = remove_value(PLAN, ("requirements", 0, "cautions", 0))
    assert 'cautions = [\n  # first\n  "two",\n]' in new or "two" in new
    assert tomllib.loads(new)["requirements"][0]["cautions"] == ["two"]


def test_last_item_leaves_no_list_behind() -> None:
    assert "channels" not in tomllib.loads(remove_value(PLAN, ("channels", 0)))


def test_neighbours_change_places() -> None:
    new = swap_items(PLAN, ("oven", "zones"), 0, 1)
    assert [z["name"] for z in tomllib.loads(new)["oven"]["zones"]] == ["zone 2", "zone 1"]
    assert swap_items(new, ("oven", "zones"), 0, 1) == PLAN


def test_windows_line_ends_stay() -> None:
    text = PLAN.replace("\n", "\r\n")
    new = set_value(text, ("oven", "belt_width_m"), 2.5)
    assert new == set_value(PLAN, ("oven", "belt_width_m"), 2.5).replace("\n", "\r\n")


def test_broken_text_is_refused_and_said_so() -> None:
    with pytest.raises(UsageError, match="not valid TOML"):
        set_value("title = ", ("title",), "x")


@pytest.mark.parametrize(
    "path", [("channels", 7, "name"), ("title", "x"), ("oven", "zones", "name"), ()]
)
def test_nowhere_is_refused(path: tuple[str | int, ...]) -> None:
    with pytest.raises(UsageError):
        set_value(PLAN, path, "x")


@pytest.mark.parametrize(
    ("typed", "written"),
    [
        ("0,5", "0.5"),
        (" 2.0 ", "2.0"),
        ("−3", "-3"),
        (".5", "0.5"),
        ("1e-7", "1e-7"),
        ("007", "7.0"),
        ("5.", "5"),
        ("1_000", "1_000"),
    ],
)
def test_numbers_as_people_type_them(typed: str, written: str) -> None:
    assert literal(number_as_typed(typed)) == written


@pytest.mark.parametrize("typed", ["hot", "1,000,000", "nan", "", "0x10", "12 °C"])
def test_what_is_no_number_stays_text_so_that_its_fault_is_shown(typed: str) -> None:
    assert literal(number_as_typed(typed)) == literal(typed)


@pytest.mark.parametrize("name", preset_ids())
def test_every_key_of_every_preset_can_be_changed_and_taken_out(name: str) -> None:
    """Each edit proves itself, so that none raises is the test; comments are counted besides."""
    text = read_preset(name).text
    paths: list[tuple[str | int, ...]] = []

    def walk(value: Any, path: tuple[str | int, ...]) -> None:
        if isinstance(value, dict):
            for k, v in value.items():
                walk(v, (*path, k))
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for i, v in enumerate(value):
                walk(v, (*path, i))
        else:
            paths.append(path)

    walk(tomllib.loads(text), ())
    for path in paths[::3]:
        new = set_value(text, path, "changed")

        assert new.count("\n#") == text.count("\n#")
        remove_value(text, path)


values = st.recursive(
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | st.text(st.characters(codec="utf-8"), max_size=12),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(st.characters(codec="utf-8"), max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)


@settings(max_examples=60, deadline=None)
@given(values)
def test_any_plain_value_is_read_back_as_it_was(value: Any) -> None:
    new = set_value(PLAN, ("oven", "note"), value)
    assert tomllib.loads(new)["oven"]["note"] == value
    assert remove_value(new, ("oven", "note")) == PLAN
