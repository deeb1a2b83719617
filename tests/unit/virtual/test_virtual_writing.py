"""Text as instruments write it: the numbers survive, marks and units stand where they should."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from ovenwright import virtual
from ovenwright.errors import UnknownName
from ovenwright.virtual import scenarios
from ovenwright.virtual.faults import Dropout, FailingJunction
from ovenwright.virtual.recording import Recording
from ovenwright.virtual.writing import STYLES, TextStyle, as_bytes, as_text, style


@pytest.fixture(scope="module")
def run() -> Recording:
    base = scenarios.ostrel_tin_bread(
        wrong_type=None,
        dropout=None,
        fine=False,
        faults=(Dropout("core left", 50.0, 10.0), FailingJunction("air left", 60.0, every_s=10.0)),
    )
    quick = replace(base, oven=scenarios.ostrel_tunnel(bake_min=5.0), lead_s=40.0, tail_s=40.0)
    return virtual.record(quick, seed=1)


def table(text: str, how: TextStyle) -> tuple[list[str], list[list[str]]]:
    rows = list(csv.reader(io.StringIO(text), delimiter=how.delimiter))[len(how.banner) :]
    return rows[0], rows[1 + (how.units == "row") :]


@pytest.mark.parametrize("name", sorted(STYLES))
def test_every_style_carries_every_reading(run: Recording, name: str) -> None:
    how = style(name)
    text = as_bytes(run, how).decode(how.encoding)
    if how.newline == "\r\n":
        text = text.replace("\r\n", "\n")
    head, rows = table(text, how)
    assert len(rows) == run.time_s.size
    assert {len(r) for r in rows} == {len(head)}
    first = next(i for i, h in enumerate(head) if h.startswith("core left"))
    factor, offset = (1.8, 32.0) if how.unit == "°F" else (1.0, 0.0)
    for j, name_j in enumerate(run.names):
        assert head[first + j].startswith(name_j)
        for i in range(0, len(rows), 7):
            cell = rows[i][first + j]
            if run.mark[i, j] == 1:
                assert cell == how.missing
            elif run.mark[i, j] == 2:
                assert cell == how.over_range
            else:
                expected = run.reading_c[i, j] * factor + offset
                assert float(cell.replace(how.decimal, ".")) == pytest.approx(expected, abs=0.051)


def test_units_row_stands_under_the_header(run: Recording) -> None:
    how = style("semicolon plant")
    lines = as_text(run, how).split("\r\n")
    assert lines[4].split(";")[:3] == ["Date", "Time", "core left"]
    assert lines[5].split(";")[:3] == ["", "", "°C"]
    assert lines[5].split(";")[-1] == "V"


def test_local_time_follows_the_clock_of_the_place(run: Recording) -> None:
    head, rows = table(as_text(run, style("comma iso")), style("comma iso"))
    assert head[0] == "Time"
    first = datetime.fromisoformat(rows[0][0])
    assert first == datetime.fromisoformat(run.scenario.start)
    assert first.utcoffset() is not None
    last = datetime.fromisoformat(rows[-1][0])
    assert (last - first).total_seconds() == run.time_s[-1]


def test_clock_goes_over_midnight_and_back_an_hour(run: Recording) -> None:
    """Central Europe put its clocks back at 01:00 UTC on 26 October 2025 (EU directive 2000/84)."""
    start = datetime(2025, 10, 26, 0, 59, 0, tzinfo=UTC).isoformat()
    folded = replace(run, scenario=replace(run.scenario, start=start, time_zone="Europe/Berlin"))
    _, rows = table(as_text(folded, TextStyle(time="clock")), TextStyle())
    clocks = [r[0] for r in rows]
    assert clocks[0] == "02:59:00"
    assert "02:00:00" in clocks
    assert clocks.index("02:59:58") < clocks.index("02:00:00")
    night = replace(
        run, scenario=replace(run.scenario, start="2026-01-10T23:59:00+00:00", time_zone="UTC")
    )
    _, rows = table(as_text(night, TextStyle(time="clock")), TextStyle())
    assert rows[30][0] == "00:00:00"


def test_elapsed_and_half_day_clock(run: Recording) -> None:
    _, rows = table(as_text(run, TextStyle(time="elapsed h:mm:ss")), TextStyle())
    assert rows[31][0] == "0:01:02"
    _, rows = table(as_text(run, style("am pm")), style("am pm"))
    assert rows[0][0] == "03/03/2026 06:42:00 AM"


def test_decimals_follow_resolution_and_full_digits_survive(run: Recording) -> None:
    _, rows = table(as_text(run, TextStyle()), TextStyle())
    assert all(len(r[1].split(".")[1]) == 1 for r in rows if r[1])
    fine = replace(run, channels=tuple(replace(c, resolution_k=0.0) for c in run.channels))
    _, rows = table(as_text(fine, TextStyle()), TextStyle())
    assert all(len(r[2].split(".")[1]) == 4 for r in rows)
    assert np.isfinite([float(r[2]) for r in rows]).all()


def test_unknown_style_is_named() -> None:
    with pytest.raises(UnknownName, match="plain comma"):
        style("papyrus")
    with pytest.raises(UnknownName, match="unit"):
        TextStyle(unit="°R")
