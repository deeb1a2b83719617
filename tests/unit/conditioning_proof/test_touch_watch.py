"""The touch check on benches whose truth is known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from ovenwright.conditioning.proof.touched import weigh_touches
from ovenwright.conditioning.proof.touching import TouchKind, TouchWatch
from ovenwright.domain.live import Reading
from ovenwright.domain.proof import Grade
from ovenwright.errors import OutOfRange
from ovenwright.virtual.touching import Touch, TouchBench

EIGHT = [f"c{i}" for i in range(1, 9)]


def test_each_warming_is_told_once_and_in_turn(feed: Any, in_turn: Any, counted: Any) -> None:
    bench = TouchBench(EIGHT, [3.0] * 8)
    watch, events = feed(bench, in_turn(EIGHT), until_s=110)
    assert counted(events) == EIGHT
    assert watch.missing == ()
    assert [e.turn for e in events if e.kind is TouchKind.TOUCHED] == list(range(1, 9))


@pytest.mark.parametrize("seed", range(3))
def test_any_order_and_any_speed(feed: Any, in_turn: Any, seed: int) -> None:
    rng = np.random.default_rng(seed)
    order = list(rng.permutation(EIGHT))
    taus = np.exp(rng.uniform(0.0, np.log(20.0), size=8))
    bench = TouchBench(EIGHT, list(taus), seed=seed, neighbour=0.05)
    watch, _ = feed(bench, in_turn(order, hold_s=7.0), until_s=125)
    assert list(watch.touched) == order


def test_neighbours_warmed_along_the_leads_are_not_counted(
    feed: Any, in_turn: Any, counted: Any
) -> None:
    bench = TouchBench(EIGHT, [3.0] * 8, neighbour=0.5)
    order = ["c4", "c2", "c7"]
    _, events = feed(bench, in_turn(order), until_s=60)
    assert counted(events) == order
    first = next(e for e in events if e.kind is TouchKind.TOUCHED)
    carried = {c.channel: c for c in first.carried}
    assert set(carried) == {"c3", "c5"}
    assert all(0.1 < c.share < 0.5 and c.delay_s > 0 and not c.at_once for c in carried.values())


def test_inputs_that_hear_each_other_move_at_the_same_moment(
    feed: Any, in_turn: Any, counted: Any
) -> None:
    bench = TouchBench(EIGHT, [3.0] * 8, cross=0.3)
    _, events = feed(bench, in_turn(["c3"]), until_s=40)
    assert counted(events) == ["c3"]
    (touched,) = [e for e in events if e.kind is TouchKind.TOUCHED]
    (crossed,) = touched.carried
    assert (crossed.channel, crossed.at_once) == ("c4", True)
    assert crossed.share == pytest.approx(0.3, abs=0.03)
    remarks = weigh_touches(EIGHT, events).remarks
    assert [r.channel for r in remarks if "same moment" in r.what] == ["c4"]


def test_reversed_leads_and_a_dead_sensor_are_named(feed: Any, in_turn: Any) -> None:
    bench = TouchBench(EIGHT, [3.0] * 8, reversed_leads=["c2"], dead=["c5"])
    watch, events = feed(bench, in_turn(EIGHT), until_s=110)
    assert watch.missing == ("c5",)
    assert [e.channel for e in events if e.kind is TouchKind.REVERSED] == ["c2"]
    found = weigh_touches(EIGHT, events, order=EIGHT)
    assert (found.dead, found.reversed_leads) == (("c5",), ("c2",))
    assert found.identity == {}  # a dead one must not move those that come after it
    faults = {r.channel for r in found.remarks if r.grade is Grade.FAULT}
    assert faults == {"c2", "c5"}


def test_a_swapped_pair_is_named_by_the_order_of_touching(feed: Any, in_turn: Any) -> None:
    bench = TouchBench(EIGHT, [2.0] * 8)
    moved = [*EIGHT[:2], "c4", "c3", *EIGHT[4:]]  # who reacts when c1 … c8 are touched in order
    _, events = feed(bench, in_turn(moved), until_s=110)
    found = weigh_touches(EIGHT, events, order=EIGHT)
    assert found.identity == {"c4": "c3", "c3": "c4"}
    (remark,) = [r for r in found.remarks if r.grade is Grade.FAULT]
    assert "swapped" in remark.what
    assert weigh_touches(EIGHT, events).identity == {}  # without an order nothing is claimed


def test_three_turned_round_are_each_told_what_they_are(feed: Any, in_turn: Any) -> None:
    names = EIGHT[:4]
    bench = TouchBench(names, [2.0] * 4)
    _, events = feed(bench, in_turn(["c2", "c3", "c1", "c4"]), until_s=65)
    assert weigh_touches(names, events, order=names).identity == {
        "c2": "c1", "c3": "c2", "c1": "c3",
    }  # fmt: skip


def test_a_module_that_shifts_as_one_is_no_touch(feed: Any, counted: Any) -> None:
    bench = TouchBench(EIGHT[:4], [3.0] * 4)
    time_s = np.arange(0.0, 60.0, bench.interval_s)
    warmed = (
        4.0 * np.clip((time_s - 15.0) / 8.0, 0, 1) * np.exp(-np.clip(time_s - 25.0, 0, None) / 10)
    )
    _, events = feed(bench, [], until_s=60, added_k=warmed[:, None])
    assert counted(events) == []
    assert any(e.kind is TouchKind.MODULE_SHIFT for e in events)


def test_two_at_once_are_not_counted_until_touched_alone(feed: Any, counted: Any) -> None:
    bench = TouchBench(EIGHT[:4], [3.0] * 4)
    both = [Touch("c1", 7, 13), Touch("c2", 7, 13)]
    alone = [Touch("c1", 35, 41), Touch("c2", 50, 56)]
    watch, events = feed(bench, [*both, *alone], until_s=75)
    assert any(e.kind is TouchKind.TOGETHER for e in events)
    assert list(watch.touched) == ["c1", "c2"]
    assert weigh_touches(EIGHT[:4], events).turns == ("c1", "c2")


def test_noise_draughts_spikes_and_a_warming_room_are_no_touch(feed: Any, counted: Any) -> None:
    bench = TouchBench(
        EIGHT, [1.0] * 8, noise_k=0.1, draught_k=0.1, resolution_k=0.1, drift_k_s=1.0 / 60.0
    )
    spikes = np.zeros((int(120 / bench.interval_s), 8))
    spikes[100, 3] = 40.0
    spikes[300, 5] = -15.0
    _, events = feed(bench, [], until_s=120, added_k=spikes)
    assert counted(events) == []


def test_a_hot_room_makes_a_touched_sensor_cool(feed: Any, in_turn: Any) -> None:
    bench = TouchBench(EIGHT[:3], [3.0] * 3, room_c=40.0)
    _, events = feed(bench, in_turn(EIGHT[:3]), until_s=55)
    kinds = [e.kind for e in events if e.turn]
    assert kinds == [TouchKind.TOUCHED] * 3


def test_a_slow_sensor_is_not_called_reversed_on_its_long_way_back(feed: Any, in_turn: Any) -> None:
    bench = TouchBench(["a", "b"], [30.0, 25.0], interval_s=1.0)
    _, events = feed(bench, in_turn(["a", "b"], hold_s=10.0), until_s=240)
    assert [e.kind for e in events if e.turn] == [TouchKind.TOUCHED] * 2


def test_clocks_that_differ_do_not_matter(feed: Any, in_turn: Any) -> None:
    bench = TouchBench(EIGHT[:4], [3.0] * 4)
    modules = {"c1": "one", "c2": "one", "c3": "two", "c4": "two"}
    watch, _ = feed(bench, in_turn(EIGHT[:4]), until_s=65, modules=modules, clock_s=-3600.0)
    assert list(watch.touched) == EIGHT[:4]


def test_the_one_that_is_held_leads_while_it_is_held(in_turn: Any) -> None:
    bench = TouchBench(EIGHT[:3], [3.0] * 3, neighbour=0.4)
    watch = TouchWatch(bench.names)
    time_s, shown = bench.shown([Touch("c2", 7, 13)], until_s=20)
    leading = set()
    for t, row in zip(time_s, shown, strict=True):
        stamp = round(t * 1e9)
        watch.feed(
            Reading(n, stamp, stamp, float(v)) for n, v in zip(bench.names, row, strict=True)
        )
        if 8.5 < t < 13:
            leading |= {m.channel for m in watch.moving() if m.leading}
    assert leading == {"c2"}


def test_late_missing_and_foreign_readings_are_passed_over() -> None:
    watch = TouchWatch(["a"])
    stamp = 10**9
    late = Reading("a", stamp, stamp, 90.0, late=True)
    missing = Reading("a", stamp, stamp, math.nan)
    foreign = Reading("zzz", stamp, stamp, 20.0)
    assert watch.feed([late, missing, foreign]) == ()
    assert not watch.learnt


def test_wrong_calls_are_refused() -> None:
    with pytest.raises(OutOfRange):
        TouchWatch([])
    with pytest.raises(OutOfRange):
        TouchWatch(["a", "a"])
    with pytest.raises(OutOfRange):
        TouchWatch(["a"]).feed([Reading("a", 1, 1, 1.0, unit="mV")])


def test_a_check_in_which_nobody_touched_anything_says_so_once() -> None:
    found = weigh_touches(EIGHT, [], order=EIGHT)
    assert found.dead == tuple(EIGHT)
    assert [(r.grade, r.channel) for r in found.remarks] == [(Grade.FAULT, "")]
