"""Scenarios that can be served by name."""

from __future__ import annotations

from collections.abc import Callable

from ovenwright.errors import UnknownName
from ovenwright.virtual import scenarios
from ovenwright.virtual.faults import ReversedLeads, ShortedLeads, SwappedLeads
from ovenwright.virtual.scenario import Scenario


def _tin_bread() -> Scenario:
    return scenarios.ostrel_tin_bread()


def _tin_bread_sound() -> Scenario:
    return scenarios.ostrel_tin_bread(weak_share=1.0, wrong_type=None, dropout=None)


def _tin_bread_fast() -> Scenario:
    return scenarios.ostrel_tin_bread(interval_s=0.25, fine=False)


def _survey() -> Scenario:
    return scenarios.ostrel_coatings_survey()


def _cure() -> Scenario:
    return scenarios.ostrel_bracket_cure()


def _bench() -> Scenario:
    return scenarios.touch_bench()


def _bench_swapped() -> Scenario:
    return scenarios.touch_bench(faults=(SwappedLeads("middle", "right"),))


def _bench_faulty() -> Scenario:
    return scenarios.touch_bench(faults=(ReversedLeads("left"), ShortedLeads("right", 0.0)))


def _ice() -> Scenario:
    return scenarios.bath_bench("ice")


def _boiling() -> Scenario:
    return scenarios.bath_bench("boiling")


SCENARIOS: dict[str, tuple[Callable[[], Scenario], str]] = {
    "tin-bread": (_tin_bread, "rye tin loaves in a tunnel, with three things wrong"),
    "tin-bread-sound": (_tin_bread_sound, "the same with nothing wrong"),
    "tin-bread-fast": (_tin_bread_fast, "the first, read four times a second"),
    "survey": (_survey, "empty batch oven, nine sensors, door opened once"),
    "bracket-cure": (_cure, "coated steel brackets in the batch oven"),
    "touch-bench": (_bench, "four sensors on a bench, warmed one after another by hand"),
    "touch-bench-swapped": (_bench_swapped, "the same with the leads of two swapped"),
    "touch-bench-faulty": (_bench_faulty, "the same with one pair of leads reversed, one shorted"),
    "ice-bath": (_ice, "four sensors that hang in melting ice"),
    "boiling-bath": (_boiling, "the same in water that boils at 98.2 kPa"),
}
"""Name: how the scenario is made, and what it is."""


def scenario_named(name: str) -> Scenario:
    """Return a ready scenario.

    Raises
    ------
    UnknownName : if there is none of that name
    """
    if name not in SCENARIOS:
        raise UnknownName("scenario", name, known=tuple(SCENARIOS))
    return SCENARIOS[name][0]()
