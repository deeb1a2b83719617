"""A recording that goes on, foreseen from its bins: the virtual oven's own core is the truth."""

from pathlib import Path

import numpy as np
import pytest

from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS
from ovenwright.errors import OvenwrightError
from ovenwright.storage.journal import JournalHead
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.virtual import Recording, record
from ovenwright.virtual.serving import read_address, scenario_named
from ovenwright.workflow.foreseeing import Foresight, can_foresee, foresee, levels_of
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


def foreseen(bake: Recording, second: float, folder: Path) -> Foresight:
    names = tuple(c.name for c in plan().channels)
    head = JournalHead("x", "T", names, TEXT, START)
    entry = START + round(float(bake.load_in_s) * NS)
    bins = seen_until(bake, second)
    return foresee(Logbook(folder), LIBRARY, head, plan(), bins, entry_ns=entry)


def test_the_levels_are_those_the_plan_asks_of_the_core() -> None:
    assert levels_of(plan()) == (95.0, 93.0, 60.0)
    assert can_foresee(plan())


@pytest.mark.slow
def test_the_true_passing_lies_in_the_interval(bake: Recording, tmp_path: Path) -> None:
    found = foreseen(bake, 1600.0, tmp_path)
    assert {f.channel for f in found.found} == {"core left", "core centre", "core right"}
    held = 0
    for f in found.found:
        course = bake.reading_c[:, bake.names.index(f.channel)]
        true_s = float(bake.time_s[np.argmax(course >= f.level_c)])
        held += f.low_ns <= START + true_s * NS <= f.high_ns
        assert abs((f.median_ns - START) / NS - true_s) < 0.1 * true_s
    assert held >= len(found.found) - 1
    assert all(f.median_ns > found.at_ns for f in found.found)
    assert "proves nothing" in found.caution


def test_nothing_is_foreseen_of_a_core_that_does_not_warm(bake: Recording, tmp_path: Path) -> None:
    try:
        found = foreseen(bake, float(bake.load_in_s) + 60.0, tmp_path)
    except OvenwrightError:
        return
    assert not found.found
    assert found.refused
