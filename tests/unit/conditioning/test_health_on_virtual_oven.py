"""Faults planted in the virtual oven are found; its sound channels raise neither bad nor doubt.

The virtual oven shares no code with the checks. Plants and numbers in it are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ovenwright.conditioning.health import check_run
from ovenwright.domain.plan import (
    Body,
    ChamberOven,
    Channel,
    Plan,
    Product,
    Recording,
    SensorType,
    Site,
)
from ovenwright.domain.profile import FlagSpan, Severity
from ovenwright.domain.run import Role, Run, Series
from ovenwright.virtual import faults
from ovenwright.virtual.recording import Recording as Record
from ovenwright.virtual.running import record
from ovenwright.virtual.scenarios import ostrel_coatings_survey, ostrel_tin_bread


def check(rec: Record) -> tuple[FlagSpan, ...]:
    time_ns = np.round(rec.time_s * 1e9).astype(np.int64)
    series = {
        name: Series(time_ns, rec.reading_c[:, i].copy(), rec.mark[:, i].astype(np.uint8))
        for i, name in enumerate(rec.names)
    }
    body = Body(mass_kg=1.0, heat_capacity_j_kg_k=500.0, area_m2=0.1)
    plan = Plan(
        title="virtual",
        oven=ChamberOven(kind="chamber", name="any", width_m=1, depth_m=1, height_m=1),
        product=Product(name="any"),
        recording=Recording(interval_s=rec.scenario.interval_s),
        site=Site(pressure_kpa=rec.scenario.pressure_kpa),
        channels=tuple(
            Channel(
                name=s.name,
                sensor=SensorType(s.set_as or s.wire),
                tolerance=s.tolerance,
                role=Role(s.role),
                module=s.module,
                body=body if s.role == "body" else None,
            )
            for s in rec.channels
        ),
    )
    return check_run(Run(id="virtual", series=series), plan)


def serious(spans: tuple[FlagSpan, ...]) -> set[tuple[str, str]]:
    return {(s.channel, s.check) for s in spans if s.severity is not Severity.REMARK}


def test_the_bake_with_a_wrong_wire_and_a_dropout() -> None:
    spans = check(record(ostrel_tin_bread(), seed=1))
    assert serious(spans) == {("core left", "wrong-type"), ("surface right", "gap")}
    (suspect,) = [s for s in spans if s.check == "wrong-type"]
    assert "type K wire recorded as T" in suspect.reason
    (gap,) = [s for s in spans if s.check == "gap"]
    assert abs(gap.from_s - 1500.0) <= 2.0
    assert abs(gap.to_s - 1540.0) <= 2.0


def test_the_sound_survey_raises_nothing() -> None:
    assert check(record(ostrel_coatings_survey(), seed=2)) == ()


def test_a_failing_junction_in_the_survey() -> None:
    name = ostrel_coatings_survey().sensors[3].name
    spans = check(record(ostrel_coatings_survey(failing=name, failing_from_s=4200.0), seed=2))
    assert {s.channel for s in spans} == {name}
    (failed,) = [s for s in spans if s.check == "open-junction"]
    assert 4200.0 - 5.0 <= failed.from_s <= 4200.0 + 60.0
    assert failed.to_s == pytest.approx(7500.0, abs=10.0)


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (faults.ReversedLeads("core left"), "reversed"),
        (faults.ReversedLeads("air left"), "reversed"),
        (faults.ShortedLeads("surface left", 1200.0), "implausible-rate"),
        (faults.Stuck("core right", 1400.0, 2200.0), "flat-line"),
    ],
    ids=lambda x: x if isinstance(x, str) else type(x).__name__,
)
def test_faults_of_one_channel(fault: faults.Fault, expected: str) -> None:
    sound = ostrel_tin_bread(fine=False, wrong_type=None, dropout=None)
    spans = check(record(replace(sound, faults=(fault,)), seed=3))
    name = fault.channel
    assert (name, expected) in serious(spans)
    assert {channel for channel, _ in serious(spans)} == {name}


def test_planted_spikes_are_remarks_on_their_own_readings() -> None:
    sound = ostrel_tin_bread(fine=False, wrong_type=None, dropout=None)
    spikes = faults.Spikes("core right", 300.0, 2000.0)
    spans = check(record(replace(sound, faults=(spikes,)), seed=3))
    found = [s for s in spans if s.channel == "core right"]
    assert len(found) == spikes.count
    assert {s.check for s in found} == {"spike"}
