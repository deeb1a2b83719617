"""A touch check that begins while somebody already warms a sensor: never dead, never reversed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.conditioning.proof.touched import Touched, weigh_touches
from ovenwright.conditioning.proof.touching import TouchEvent, TouchKind, TouchWatch
from ovenwright.domain.live import Reading
from ovenwright.domain.proof import Grade
from ovenwright.virtual.touching import Touch, TouchBench

FIVE = [f"c{i}" for i in range(1, 6)]


def watched_from(
    bench: TouchBench, touches: Sequence[Touch], *, from_s: float, until_s: float
) -> tuple[TouchWatch, list[TouchEvent], list[tuple[str, ...]]]:
    """Feed what a bench shows from a moment on; give watch, events and who was waited for."""
    watch = TouchWatch(bench.names)
    events: list[TouchEvent] = []
    waited: list[tuple[str, ...]] = []
    time_s, shown = bench.shown(touches, until_s=until_s)
    for t, row in zip(time_s, shown, strict=True):
        if t < from_s:
            continue
        stamp = round(t * 1e9)
        events += watch.feed(
            Reading(n, stamp, stamp, float(v)) for n, v in zip(bench.names, row, strict=True)
        )
        waited.append(watch.restless)
    events += watch.finish()
    return watch, events, waited


def weighed(events: Sequence[TouchEvent]) -> Touched:
    return weigh_touches(FIVE, events, order=FIVE)


@pytest.mark.parametrize("from_s", [21.0, 23.0, 25.5, 27.0, 29.0])
def test_a_check_begun_during_a_warming_calls_it_not_at_rest(from_s: float) -> None:
    bench = TouchBench(FIVE, [3.0] * 5)
    held = Touch("c1", 20.0, 26.0)
    later = [Touch(n, 45.0 + 12 * k, 51.0 + 12 * k) for k, n in enumerate(FIVE[1:])]
    watch, events, waited = watched_from(bench, [held, *later], from_s=from_s, until_s=110.0)
    found = weighed(events)
    assert found.dead == ()
    assert found.reversed_leads == ()
    assert found.restless == ("c1",)
    assert found.turns == ("c2", "c3", "c4", "c5")
    assert ("c1",) in waited  # it is said while it is waited for
    assert waited[-1] == ()
    (remark,) = [r for r in found.remarks if r.channel == "c1" and r.check == "touch"]
    assert remark.grade is Grade.REMARK
    assert "moving already" in remark.what
    assert watch.missing == ("c1",)


def test_one_that_came_to_rest_is_proved_by_its_touch() -> None:
    bench = TouchBench(FIVE, [3.0] * 5)
    touches = [Touch("c1", 20.0, 26.0)]
    touches += [Touch(n, 60.0 + 12 * k, 66.0 + 12 * k) for k, n in enumerate(FIVE)]
    _, events, _ = watched_from(bench, touches, from_s=22.0, until_s=140.0)
    found = weighed(events)
    assert found.turns == tuple(FIVE)
    assert (found.dead, found.reversed_leads, found.restless) == ((), (), ())
    assert not [r for r in found.remarks if r.grade is Grade.FAULT]


def test_one_held_all_along_is_let_go_not_reversed() -> None:
    bench = TouchBench(FIVE, [1.5] * 5)
    touches = [Touch("c3", 5.0, 45.0), Touch("c3", 75.0, 81.0), Touch("c1", 90.0, 96.0)]
    _, events, _ = watched_from(bench, touches, from_s=30.0, until_s=115.0)
    assert [e.kind for e in events if e.channel == "c3" and e.turn] == [TouchKind.TOUCHED]
    found = weighed(events)
    assert found.turns == ("c3", "c1")
    assert found.reversed_leads == ()


def test_reversed_leads_are_still_told_at_the_first_touch() -> None:
    bench = TouchBench(FIVE, [3.0] * 5, reversed_leads=["c2"])
    touches = [Touch(n, 7.0 + 12 * k, 13.0 + 12 * k) for k, n in enumerate(FIVE)]
    _, events, _ = watched_from(bench, touches, from_s=0.0, until_s=75.0)
    assert weighed(events).reversed_leads == ("c2",)
    assert weighed(events).restless == ()


@pytest.mark.parametrize("noise_k", [0.0, 0.05, 0.3])
def test_noise_alone_is_rest(noise_k: float) -> None:
    bench = TouchBench(FIVE, [3.0] * 5, noise_k=noise_k, drift_k_s=1.0 / 60.0)
    _, events, _ = watched_from(bench, [], from_s=0.0, until_s=40.0)
    assert not [e for e in events if e.kind is TouchKind.RESTLESS]


@settings(max_examples=40, deadline=None)
@given(
    began_s=st.floats(0.5, 12.0),
    tau_s=st.floats(1.0, 8.0),
    held_s=st.floats(4.0, 12.0),
    seed=st.integers(0, 99),
)
def test_what_moved_is_never_called_dead_nor_reversed(
    began_s: float, tau_s: float, held_s: float, seed: int
) -> None:
    bench = TouchBench(FIVE, [tau_s] * 5, seed=seed)
    touches = [Touch("c1", 20.0, 20.0 + held_s)]
    touches += [Touch(n, 60.0 + 14 * k, 66.0 + 14 * k) for k, n in enumerate(FIVE[1:])]
    _, events, _ = watched_from(bench, touches, from_s=20.0 + began_s, until_s=130.0)
    found = weighed(events)
    time_s, shown = bench.shown(touches, until_s=130.0)
    seen = shown[(time_s >= 20.0 + began_s) & (time_s < 55.0), 0]
    moved = float(np.ptp(seen)) > 3.0
    assert not (moved and "c1" in found.dead)
    assert found.reversed_leads == ()
    assert set(FIVE[1:]) <= set(found.turns)


def test_one_that_is_heated_all_the_time_is_waited_for_and_never_called_reversed() -> None:
    bench = TouchBench(FIVE, [3.0] * 5)
    time_s, shown = bench.shown([Touch("c1", 20.0, 26.0)], until_s=120)
    shown[:, 4] += 0.3 * time_s
    watch = TouchWatch(FIVE)
    events: list[TouchEvent] = []
    for t, row in zip(time_s, shown, strict=True):
        stamp = round(t * 1e9)
        events += watch.feed(
            Reading(n, stamp, stamp, float(v)) for n, v in zip(FIVE, row, strict=True)
        )
    assert watch.restless == ("c5",)
    assert not watch.learnt
    found = weighed([*events, *watch.finish()])
    assert found.turns == ("c1",)
    assert found.restless == ("c5",)
    assert found.reversed_leads == ()
