"""A bench in place of an oven: what is touched warms as first order says, and faults are the wires'."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ovenwright.errors import OutOfRange, OvenwrightError
from ovenwright.virtual import iterate, record
from ovenwright.virtual.scenarios import rye_tin_loaf, touch_bench
from ovenwright.virtual.serving import TruthFile, scenario_named
from ovenwright.virtual.touching import BenchSpec, Touch


def calm(*touches: Touch) -> BenchSpec:
    return BenchSpec(touches, neighbour=0.0, draught_k=0.0)


def test_a_touched_sensor_follows_first_order() -> None:
    """Newton's law of cooling: with a finger T tends to the mean weighted by contact, then to the air."""
    spec = calm(Touch("middle", 20.0, 32.0))
    bench = record(replace(touch_bench(), oven=spec))
    tau = bench.scenario.sensors[1].time_constant_s
    time_s, tip = bench.fine_time_s, bench.tip_c[:, 1]
    held = (spec.ambient_c + spec.contact * spec.finger_c) / (1.0 + spec.contact)
    warming = (time_s >= 20.0) & (time_s <= 32.0)
    expected = held + (spec.ambient_c - held) * np.exp(
        -(time_s[warming] - 20.0) * (1.0 + spec.contact) / tau
    )
    assert tip[warming] == pytest.approx(expected, abs=0.15)
    falling = time_s >= 32.0
    after = np.exp(-(time_s[falling] - 32.0) / tau)
    assert tip[falling] == pytest.approx(spec.ambient_c + (held - spec.ambient_c) * after, abs=0.03)
    untouched = np.delete(bench.tip_c, 1, axis=1)
    assert untouched == pytest.approx(np.full_like(untouched, spec.ambient_c))


def test_scan_by_scan_it_is_what_it_is_all_at_once() -> None:
    scenario = scenario_named("touch-bench-faulty")
    bench = record(scenario, seed=4)
    scans = list(iterate(scenario, seed=4))
    assert len(scans) == scenario.scans
    assert np.array([s.reading_c for s in scans]) == pytest.approx(bench.reading_c)
    assert np.array([s.tip_c for s in scans]) == pytest.approx(bench.tip_c)


@pytest.mark.parametrize(
    ("name", "moves"),
    [
        ("touch-bench", {"left": "left", "middle": "middle", "right": "right", "spare": "spare"}),
        ("touch-bench-swapped", {"middle": "right", "right": "middle", "spare": "spare"}),
        ("touch-bench-faulty", {"left": "left", "middle": "middle", "right": "", "spare": "spare"}),
    ],
)
def test_the_channel_that_moves_is_the_one_wired_to_the_touched(
    name: str, moves: dict[str, str]
) -> None:
    bench = record(scenario_named(name), seed=2)
    spec = bench.scenario.oven
    assert isinstance(spec, BenchSpec)
    rest = np.median(bench.reading_c[bench.time_s < 20.0], axis=0)
    for touch in spec.touches:
        if touch.sensor not in moves:
            continue
        (at,) = np.flatnonzero(bench.time_s == touch.to_s)
        away = np.abs(bench.reading_c[at] - rest)
        moved = {n for n, k in zip(bench.names, away, strict=True) if k > 5.0}
        assert moved == ({moves[touch.sensor]} - {""})
    if name == "touch-bench-faulty":
        assert bench.reading_c[bench.time_s == 26.0, 0] < rest[0] - 5.0  # reversed: it cools


def test_the_truth_tells_who_was_touched_when(tmp_path: Path) -> None:
    scenario = scenario_named("touch-bench-swapped")
    file = TruthFile(tmp_path / "truth.json")
    file.begin(scenario, seed=1, speed=1.0, start_ns=0)
    file.close()
    told = json.loads((tmp_path / "truth.json").read_text())
    assert [t["channel"] for t in told["touches"]] == ["left", "middle", "right", "spare"]
    assert all(t["to_s"] - t["from_s"] == 6.0 for t in told["touches"])
    starts = [t["from_s"] for t in told["touches"]]
    assert starts[0] == 20.0
    assert np.diff(starts) == pytest.approx([18.0] * 3)
    assert [c["time_constant_s"] for c in told["channels"]] == [1.6, 2.4, 3.2, 2.0]
    (planted,) = told["planted"]
    assert (planted["channel"], planted["kind"], planted["note"]) == (
        "middle", "SwappedLeads", "with right",
    )  # fmt: skip


def test_nothing_is_baked_on_a_bench() -> None:
    with pytest.raises(OutOfRange, match="none on a bench"):
        replace(touch_bench(), product=rye_tin_loaf(fine=False))
    with pytest.raises(OutOfRange, match="left, middle, right, spare"):
        record(replace(touch_bench(), oven=calm(Touch("nobody", 1.0, 2.0))))


@pytest.mark.parametrize(("name", "true_c"), [("ice-bath", 0.0), ("boiling-bath", 99.10)])
def test_in_a_bath_every_sensor_rests_at_its_temperature(name: str, true_c: float) -> None:
    """Ice melts at 0 °C; water boils at 99.10 °C at 98.2 kPa (IAPWS-IF97 region 4)."""
    bench = record(scenario_named(name), seed=3)
    assert bench.tip_c == pytest.approx(np.full_like(bench.tip_c, true_c), abs=0.15)
    shown = bench.reading_c.mean(axis=0)
    # class 1 of type K is 1.5 K wide (IEC 60584-1); the reference junction may be off by 0.3 K
    assert np.abs(shown - true_c).max() < 1.9
    assert np.ptp(shown) > 0.5  # no two sensors alike


def test_a_bath_is_one_that_there_is_and_nobody_is_warmed_in_it() -> None:
    with pytest.raises(OvenwrightError, match="bath"):
        BenchSpec((), bath="oil")
    with pytest.raises(OutOfRange, match="touches"):
        BenchSpec((Touch("left", 0.0, 1.0),), bath="ice")
