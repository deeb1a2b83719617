"""When the kill step will be met, foreseen on bakes of the virtual oven, whose physics is not the tool's.

The moment it really was met is added up here from the readings themselves, with D and z as published
for Salmonella in hamburger bun dough (Channaiah et al. 2016; D and z as
in the library's entry, which names its source).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ovenwright.compose import build
from ovenwright.config import load
from ovenwright.storage.readings import Choices
from ovenwright.virtual import scenarios
from ovenwright.virtual.recording import Recording
from ovenwright.virtual.running import record
from ovenwright.virtual.writing import as_bytes, style
from ovenwright.workflow.bringing_in import bring_in
from ovenwright.workflow.demo import demo_plan
from ovenwright.workflow.forecasting import forecast_run
from ovenwright.workflow.laying_out import Wanted

pytestmark = pytest.mark.slow


def met_at(
    recording: Recording, column: int, *, d_s: float, reference_c: float, z_k: float
) -> float:
    """When five decimal reductions were earned, s from the first reading."""
    sound = np.isfinite(recording.reading_c[:, column])
    time_s, temp_c = recording.time_s[sound], recording.reading_c[sound, column]
    pace = 10.0 ** ((temp_c - reference_c) / z_k) / d_s
    earned = np.concatenate(([0.0], np.cumsum(0.5 * (pace[1:] + pace[:-1]) * np.diff(time_s))))
    return float(np.interp(5.0, earned, time_s))


def test_the_moment_of_the_kill_step_lies_in_the_interval(tmp_path: Path) -> None:
    tools = build(load({"logbook": str(tmp_path / "logbook")}))
    library = tools.library()
    k = library.find_kinetics("bun_salm")
    assert k.d_s is not None
    assert k.reference_c is not None
    assert k.z_k is not None
    inside, off = [], []
    for seed in (11, 12):
        scenario = scenarios.ostrel_tin_bread(
            weak_share=1.0, wrong_type=None, dropout=None, fine=False, interval_s=4.0
        )
        played = record(scenario, seed=seed)
        table, sheet = tmp_path / f"{seed}.csv", tmp_path / f"{seed}.toml"
        table.write_bytes(as_bytes(played, style("semicolon plant")))
        sheet.write_text(demo_plan("ostrel-tin-bread"), encoding="utf-8")
        run = bring_in([table], Choices(), logbook=tools.logbook, plan_file=sheet, noted=()).run
        truth = {
            c.name: met_at(played, i, d_s=k.d_s, reference_c=k.reference_c, z_k=k.z_k)
            for i, c in enumerate(played.channels)
            if c.name.startswith("core")
        }
        until_s = played.load_in_s + 0.6 * (min(truth.values()) - played.load_in_s)
        told = forecast_run(tools.logbook, library, run.id, Wanted(until_s=until_s, members=2000))
        # an end temperature and an upper limit have no moment, and say so
        assert {name for name, _ in told.not_foreseen} >= {"surface not scorched"}
        for channel in told.channels:
            one = next(m for m in channel.meets if m.requirement == "kill step")
            assert not one.met
            assert one.interval_90 is not None
            assert one.median_s is not None
            assert one.so_far < 5.0
            at = truth[channel.name]
            inside.append(one.interval_90[0] <= at <= one.interval_90[1])
            off.append((one.median_s - at) / (at - played.load_in_s))
    assert len(inside) >= 4
    assert np.mean(inside) >= 0.8
    # asked at six tenths of the way nothing narrower is claimed; seen was 0.17, alike in all places
    # and all of it too late, never on the side on which a product would be thought safe too soon
    assert np.median(np.abs(off)) < 0.2
    assert min(off) > -0.05
