"""Recordings of the virtual oven, written by code that shares nothing with the reader."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from ovenwright.analysis.roles import guess_roles
from ovenwright.domain.run import NS, Quality
from ovenwright.storage.readings import Choices, read_file
from ovenwright.virtual import scenarios
from ovenwright.virtual.recording import Recording
from ovenwright.virtual.running import record
from ovenwright.virtual.writing import STYLES, TIMES, TextStyle, as_bytes

TO_CELSIUS = {"degC": (1.0, 0.0), "degF": (1.8, 32.0), "K": (1.0, 273.15)}


@pytest.fixture(scope="module")
def recording() -> Recording:
    return record(scenarios.ostrel_tin_bread(), seed=3)


ALL = STYLES | {
    f"{time} in {unit}": TextStyle(time=time, unit=unit, delimiter=";")
    for time in TIMES
    for unit in ("°C", "°F", "K")
}


@pytest.mark.parametrize("name", ALL)
def test_every_style_gives_back_what_was_written(
    name: str, recording: Recording, tmp_path: Path
) -> None:
    decimals = ALL[name].decimals or 2
    style = replace(ALL[name], decimals=decimals)
    path = tmp_path / "run.csv"
    path.write_bytes(as_bytes(recording, style))
    zone = recording.scenario.time_zone
    found = read_file(path, Choices(zone=zone, day_first=style.time.startswith("day")))
    by_name = {c.name: c for c in found.channels}
    assert list(by_name)[: len(recording.names)] == list(recording.names)
    for j, heading in enumerate(recording.names):
        channel = by_name[heading]
        factor, offset = TO_CELSIUS[channel.unit]
        written = recording.reading_c[:, j] * factor + offset
        np.testing.assert_allclose(channel.value, written, rtol=0, atol=0.5001 * 10.0**-decimals)
        gone = np.isnan(channel.value)
        np.testing.assert_array_equal(gone, recording.mark[:, j] > 0)
        assert ((channel.quality[gone] & int(Quality.MISSING)) > 0).all()
    elapsed = (found.channels[0].time_ns - found.channels[0].time_ns[0]) / NS
    tolerance = 0.0031 if style.time == "elapsed minutes" else 1e-9  # four decimals of a minute
    np.testing.assert_allclose(elapsed, recording.time_s, atol=tolerance)
    if found.absolute:
        start = datetime.fromisoformat(recording.scenario.start)
        assert found.channels[0].time_ns[0] == int(start.timestamp()) * NS


@pytest.mark.parametrize("seed", range(4))
def test_roles_are_guessed_right(seed: int) -> None:
    run = record(scenarios.random_scenario(seed), seed=seed)
    guessed = [str(role) for role, _ in guess_roles(run.time_s, run.reading_c)]
    assert guessed == [c.role for c in run.channels]
