"""Whatever is done to a plan, it is read or its faults are told: nothing else comes out."""

from __future__ import annotations

import copy
import tomllib
from typing import Any

import tomli_w
from hypothesis import event, given, settings
from hypothesis import strategies as st

from ovenwright.errors import Fault, PlanFaults
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.presets import ORDER, read_preset

DATA = {name: tomllib.loads(read_preset(name).text) for name in ORDER}
_ODD = (
    st.none()
    | st.integers(-(2**62), 2**62)
    | st.floats()
    | st.booleans()
    | st.sampled_from(["", "core", "core left", "mean", "T", "\x7f", "zone 1", "-"])
    | st.dates()
    | st.lists(st.integers(0, 3) | st.dictionaries(st.just("name"), st.integers()), max_size=3)
    | st.dictionaries(st.sampled_from(["name", "kind", "at_c", "x y"]), st.integers(), max_size=2)
)


def _spots(value: Any, trail: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    items = (
        list(value.items())
        if isinstance(value, dict)
        else list(enumerate(value))
        if isinstance(value, list)
        else []
    )
    return [(*trail, k) for k, _ in items] + [
        s for k, child in items for s in _spots(child, (*trail, k))
    ]


@settings(max_examples=200, deadline=None)
@given(
    name=st.sampled_from(ORDER),
    picks=st.lists(st.tuples(st.integers(0, 10_000), _ODD), min_size=1, max_size=4),
)
def test_a_mutated_plan_is_read_or_refused_with_lines(
    name: str, picks: list[tuple[int, Any]]
) -> None:
    data = copy.deepcopy(DATA[name])
    for pick, odd in picks:
        spots = _spots(data)
        spot = spots[pick % len(spots)]
        holder = data
        for key in spot[:-1]:
            holder = holder[key]
        if odd is None:
            del holder[spot[-1]]
        else:
            holder[spot[-1]] = odd
        if not data:
            return
    text = tomli_w.dumps(data)
    faults: tuple[Fault, ...] = ()
    try:
        parse_plan(text, file="odd.toml", check_requirement=lambda _wish, _plan: ())
    except PlanFaults as trouble:
        faults = trouble.faults
        event("refused")
    last = text.count("\n") + 1
    assert all(1 <= f.line <= last and f.what and f.remedy for f in faults)
