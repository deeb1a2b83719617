"""Every preset is a sound plan with its sources, its cautions and words that teach."""

from __future__ import annotations

import re

import pytest

from ovenwright.domain.plan import Combine
from ovenwright.errors import UnknownName
from ovenwright.storage.plan_file import parse_plan, write_plan
from ovenwright.storage.presets import ORDER, preset_ids, read_preset, read_presets
from ovenwright.storage.reference_data import read_reference_library

MARK = re.compile(r"\[(published|computed|from memory|our choice|common practice, no source)\]$")

# kinds of food that can make someone ill: their plans must hold a safety requirement
FOOD = set(ORDER) - {"coating-cure", "chamber-survey"}


def test_all_twelve_are_there() -> None:
    assert preset_ids() == ORDER
    with pytest.raises(UnknownName, match="tin-bread"):
        read_preset("pizza")


@pytest.mark.parametrize("name", ORDER)
def test_each_is_a_sound_plan(name: str) -> None:
    preset = read_preset(name)
    plan = parse_plan(preset.text, file=name)
    assert plan.preset == name
    assert "[about]" not in preset.text
    assert preset.title
    assert preset.purpose
    assert parse_plan(write_plan(plan)) == plan


@pytest.mark.parametrize("name", ORDER)
def test_each_has_sources_and_cautions(name: str) -> None:
    preset = read_preset(name)
    plan = parse_plan(preset.text)
    assert len(preset.sources) >= 2
    assert all(MARK.search(s) for s in preset.sources)
    assert all(MARK.search(r.source) for r in plan.requirements), [
        r.name for r in plan.requirements
    ]
    cautions = " ".join(preset.cautions).lower()
    for word in ("valid", "local codes"):
        assert word in cautions, word
    assert re.search(r"hot |scald|burn", cautions)
    assert len(re.findall(r"(?:^| )# ", preset.text, re.MULTILINE)) >= 5  # comments that teach


@pytest.mark.parametrize("name", sorted(FOOD))
def test_food_has_a_safety_requirement_that_the_coldest_place_decides(name: str) -> None:
    plan = parse_plan(read_preset(name).text)
    guarded = [r for r in plan.requirements if r.safety]
    assert guarded
    assert all(r.combine is Combine.WORST for r in guarded)


def test_kinetics_and_tables_named_are_at_hand() -> None:
    library = read_reference_library()
    for preset in read_presets():
        for wish in parse_plan(preset.text).requirements:
            if "kinetics" in wish.parameters:
                library.find_kinetics(str(wish.parameters["kinetics"]))
            if "table" in wish.parameters:
                library.find_table(str(wish.parameters["table"]))
