"""A recording that goes on, foreseen from its bins: the virtual oven's own core is the truth."""

import numpy as np
import pytest

from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS
from ovenwright.errors import OvenwrightError
from ovenwright.modelling.kept_forecast import Fresh, Work
from ovenwright.storage.journal import JournalHead
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.virtual import Recording, record
from ovenwright.virtual.serving import read_address, scenario_named
from ovenwright.workflow.foreseeing import (
    FITTED_NOW,
    Foreseeing,
    Foresight,
    can_foresee,
    levels_of,
    numberless,
)
from ovenwright.workflow.overview import Bins, Overview
from ovenwright.workflow.serving_oven import plan_text_for

LIBRARY = read_reference_library(None)
START = 1_700_000_000 * NS
TEXT = plan_text_for("tin-bread-sound", read_address("mqtt://127.0.0.1:1"), LIBRARY)


@pytest.fixture(scope="module")
def bake() -> Recording:
    return record(scenario_named("tin-bread-sound"), seed=3)


def plan() -> Plan:
    return parse_plan(TEXT)


def seen_until(bake: Recording, second: float) -> Bins:
    names = [c.name for c in plan().channels]
    overview = Overview(len(names), width_ns=2 * NS)
    upto = bake.time_s <= second
    at = START + np.round(bake.time_s[upto] * NS).astype(np.int64)
    for i, name in enumerate(names):
        channel = np.full(len(at), i, dtype=np.uint16)
        overview.take(channel, at, bake.reading_c[upto, bake.names.index(name)])
    return overview.bins()


class AtOnce:
    """Does long work while one waits."""

    def __init__(self) -> None:
        self.done: list[tuple[bool, Fresh | str]] = []
        self.fits = 0

    @property
    def busy(self) -> bool:
        return bool(self.done)

    def ask(self, part: bool, work: Work) -> None:
        self.fits += work.fits
        self.done.append((part, work.do()))

    def take(self) -> tuple[bool, Fresh | str] | None:
        return self.done.pop() if self.done else None


def foreseeing(aside: AtOnce) -> Foreseeing:
    names = tuple(c.name for c in plan().channels)
    return Foreseeing(LIBRARY, JournalHead("x", "T", names, TEXT, START), plan(), aside)


def foreseen(bake: Recording, *seconds: float) -> Foresight:
    """Return what is foreseen at the last of some moments, seen one after the other."""
    entry = START + round(float(bake.load_in_s) * NS)
    keeper = foreseeing(AtOnce())
    for second in (seconds[0], *seconds):  # what is asked at the first is there at the next
        found = keeper.see(seen_until(bake, second), entry_ns=entry, now_s=second)
    return found


def test_the_levels_are_those_the_plan_asks_of_the_core() -> None:
    assert levels_of(plan()) == (95.0, 93.0, 60.0)
    assert can_foresee(plan())


@pytest.mark.slow
def test_the_true_passing_lies_in_the_interval(bake: Recording) -> None:
    found = foreseen(bake, 1500.0, 1502.0, 1600.0)
    assert {f.channel for f in found.passes} == {"core left", "core centre", "core right"}
    held = 0
    for f in found.passes:
        course = bake.reading_c[:, bake.names.index(f.channel)]
        assert f.level_c is not None
        true_s = float(bake.time_s[np.argmax(course >= f.level_c)])
        held += f.most_ns[0] <= START + true_s * NS <= f.most_ns[1]
        assert f.most_ns[0] <= f.half_ns[0] <= f.median_ns <= f.half_ns[1] <= f.most_ns[1]
        assert abs((f.median_ns - START) / NS - true_s) < 0.1 * true_s
    assert held >= len(found.passes) - 1
    assert all(f.median_ns > found.at_ns for f in found.passes)
    assert "proves nothing" in found.caution


@pytest.mark.slow
def test_requirements_that_are_ahead_are_foreseen_with_what_they_rest_on(bake: Recording) -> None:
    early = foreseen(bake, 800.0, 802.0)
    assert {f.requirement for f in early.meets} == {"kill step"}
    assert any("must be validated for the product" in words for words in early.rests_on)


def test_the_first_fit_is_awaited_and_then_kept(bake: Recording) -> None:
    aside, entry = AtOnce(), START + round(float(bake.load_in_s) * NS)
    keeper = foreseeing(aside)
    first = keeper.see(seen_until(bake, 1200.0), entry_ns=entry, now_s=0.0)
    waiting = [keeper.waiting]
    assert not first.passes
    assert FITTED_NOW in first.refused
    for second in range(1202, 1222, 2):
        found = keeper.see(seen_until(bake, second), entry_ns=entry, now_s=second - 1200.0)
        waiting.append(keeper.waiting)
        assert found.passes
    assert waiting == [True, *[False] * 10]
    assert aside.fits == 1


def test_work_that_came_to_nothing_is_told_and_asked_again_later(bake: Recording) -> None:
    aside, entry = AtOnce(), START + round(float(bake.load_in_s) * NS)
    keeper = foreseeing(aside)
    bins = seen_until(bake, 1200.0)
    keeper.see(bins, entry_ns=entry, now_s=0.0)
    aside.done = [(False, "it broke")]
    assert "it broke" in keeper.see(bins, entry_ns=entry, now_s=1.0).refused
    assert aside.fits == 1
    keeper.see(bins, entry_ns=entry, now_s=100.0)
    assert aside.fits == 2
    assert keeper.see(bins, entry_ns=entry, now_s=101.0).passes


def test_nothing_is_foreseen_of_a_core_that_does_not_warm(bake: Recording) -> None:
    try:
        found = foreseen(bake, float(bake.load_in_s) + 60.0)
    except OvenwrightError:
        return
    assert not found.passes
    assert found.refused


def test_a_reason_is_the_same_whatever_its_numbers(bake: Recording) -> None:
    entry = START + round(float(bake.load_in_s) * NS)
    keeper = foreseeing(AtOnce())
    early, later = (
        keeper.see(seen_until(bake, bake.load_in_s + second), entry_ns=entry, now_s=second)
        for second in (150.0, 170.0)
    )
    assert "has not begun to warm" in early.refused
    assert numberless(early.refused) == numberless(later.refused)
    assert early.refused.count("has not begun to warm") == 1  # said once for all three cores
