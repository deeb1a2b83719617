from __future__ import annotations

import errno
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd  # type: ignore[import-untyped]
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from ovenwright.domain.run import Instrument, Mark, MarkKind, Quality, Run, Series
from ovenwright.errors import DigestMismatch, StorageTrouble
from ovenwright.storage.sealed import open_run, read_facts, seal_run, verify_run

START = 1_772_633_520_123_456_789


def make_run(**changes: object) -> Run:
    n = 240
    time_ns = START + np.arange(n, dtype=np.int64) * 250_000_000
    odd = START + np.cumsum(np.full(100, 611_000_001, np.int64))
    ramp = np.round(np.linspace(21.3, 97.4, n), 2)
    ramp[17:20] = np.nan
    quality = np.zeros(n, np.uint8)
    quality[17:20] = Quality.MISSING
    rng = np.random.default_rng(7)
    fahrenheit = np.round(rng.normal(300, 5, 100), 1)
    run = Run(
        id="2026-03-04-1412-rye",
        title="Rye, tin, 800 g",
        series={
            "core left": Series(time_ns, ramp, quality),
            "air": Series(time_ns, ramp * np.pi, np.zeros(n, np.uint8)),
            "Ofen Süd": Series(
                odd, (fahrenheit - 32) / 1.8, np.zeros(100, np.uint8), fahrenheit, "degF"
            ),
            "silent": Series(np.empty(0, np.int64), np.empty(0, np.float64), np.empty(0, np.uint8)),
        },
        marks=(
            Mark(MarkKind.LOAD_IN, START + 5_000_000_001, "loaf in", "N. Ostrel"),
            Mark(MarkKind.GAP, START + 6, until_ns=START + 9, channel="air"),
        ),
        instrument=Instrument("logger", "17", "2.1", 23.4, 0.1, ("a.csv",), ("ff" * 32,)),
        plan_toml='title = "Rye"\n',
        notes=("°C concluded", "line\nbreak"),
        set_aside=("humidity",),
        time_zone="Europe/Riga",
        parent_digest="ab" * 32,
    )
    return replace(run, **changes)  # type: ignore[arg-type]


def assert_same(a: Run, b: Run) -> None:
    assert list(a.series) == list(b.series)
    for name, one in a.series.items():
        other = b.series[name]
        np.testing.assert_array_equal(one.time_ns, other.time_ns)
        np.testing.assert_array_equal(one.value_c, other.value_c)
        np.testing.assert_array_equal(one.quality, other.quality)
        assert (one.raw is None) == (other.raw is None)
        if one.raw is not None and other.raw is not None:
            np.testing.assert_array_equal(one.raw, other.raw)
        assert (one.raw_unit, one.restated_from) == (other.raw_unit, other.restated_from)
    assert replace(a, series={"x": next(iter(a.series.values()))}) == replace(
        b, series={"x": next(iter(a.series.values()))}
    )


def test_what_was_sealed_is_what_is_opened(tmp_path: Path) -> None:
    run = make_run()
    sealed = seal_run(run, tmp_path / "runs" / "a.parquet")
    assert sealed.digest
    assert sealed.software.startswith("ovenwright ")
    assert sealed.sealed_ns > START
    back = open_run(tmp_path / "runs" / "a.parquet", verify=True)
    assert_same(sealed, back)
    assert replace(back, digest="", software="", sealed_ns=0).notes == run.notes


def test_channels_on_one_axis_share_it_and_nothing_can_be_written_to(tmp_path: Path) -> None:
    seal_run(make_run(), tmp_path / "a.parquet")
    series = open_run(tmp_path / "a.parquet").series
    assert series["core left"].time_ns is series["air"].time_ns
    for one in series.values():
        for array in (one.time_ns, one.value_c, one.quality):
            assert not array.flags.writeable
    with pytest.raises(ValueError, match="read-only"):
        series["air"].value_c[0] = 0.0


def test_facts_come_without_the_values(tmp_path: Path) -> None:
    sealed = seal_run(make_run(), tmp_path / "a.parquet")
    facts = read_facts(tmp_path / "a.parquet")
    assert facts.digest == sealed.digest
    assert facts.start_ns == sealed.start_ns
    assert facts.duration_s == pytest.approx((sealed.end_ns - sealed.start_ns) / 1e9)
    assert [(c.name, c.count, c.missing, c.has_raw) for c in facts.channels] == [
        ("core left", 240, 3, False),
        ("air", 240, 3, False),
        ("Ofen Süd", 100, 0, True),
        ("silent", 0, 0, False),
    ]
    assert facts.plan_toml == 'title = "Rye"\n'


def test_pandas_reads_it_with_no_code_of_ours(tmp_path: Path) -> None:
    run = seal_run(make_run(), tmp_path / "a.parquet")
    frame = pd.read_parquet(tmp_path / "a.parquet")
    assert list(frame.columns) == ["channel", "time", "value", "quality", "raw"]
    assert str(frame["time"].dtype) == "datetime64[ns, UTC]"
    keys = list(zip(frame["channel"].astype(str), frame["time"], strict=True))
    assert keys == sorted(keys)
    wide = frame.pivot(index="time", columns="channel", values="value")
    core = wide["core left"].reindex(pd.to_datetime(run.series["core left"].time_ns, utc=True))
    np.testing.assert_array_equal(core.to_numpy(), run.series["core left"].value_c)


def test_polars_reads_it_with_no_code_of_ours(tmp_path: Path) -> None:
    run = seal_run(make_run(), tmp_path / "a.parquet")
    frame = pl.read_parquet(tmp_path / "a.parquet")
    assert frame.schema["time"] == pl.Datetime("ns", "UTC")
    air = frame.filter(pl.col("channel") == "air")
    assert air["value"].null_count() == 3  # missing is missing, not a number that is none
    np.testing.assert_array_equal(air["value"].to_numpy(), run.series["air"].value_c)
    wide = frame.pivot(on="channel", index="time", values="value")
    assert set(wide.columns) == {"time", "core left", "air", "Ofen Süd"}


def test_no_raw_column_where_no_channel_has_raw_numbers(tmp_path: Path) -> None:
    run = make_run()
    seal_run(replace(run, series={"air": run.series["air"]}), tmp_path / "a.parquet")
    assert pq.read_schema(tmp_path / "a.parquet").names == ["channel", "time", "value", "quality"]


def test_digest_is_over_content_not_compression(tmp_path: Path) -> None:
    sealed = seal_run(make_run(), tmp_path / "a.parquet")
    table = pq.read_table(tmp_path / "a.parquet")
    pq.write_table(table, tmp_path / "b.parquet", compression="gzip", row_group_size=50)
    with pytest.raises(StorageTrouble, match="rewritten"):
        verify_run(tmp_path / "b.parquet")
    facts = verify_run(tmp_path / "b.parquet", content_only=True)
    assert facts.facts.digest == sealed.digest
    assert facts.seal_intact is None
    assert (tmp_path / "a.parquet").read_bytes() != (tmp_path / "b.parquet").read_bytes()


@pytest.mark.parametrize(
    "change",
    [
        {"title": "Rye, tin, 900 g"},
        {"id": "another"},
        {"notes": ()},
        {"marks": ()},
        {"absolute": False},
        {"plan_toml": 'title = "Rye" '},
        {"instrument": Instrument("logger", "17", "2.1", 23.5, 0.1)},
        {"time_zone": "UTC"},
        {"parent_digest": ""},
        {"set_aside": ()},
    ],
    ids=lambda c: next(iter(c)),
)
def test_every_fact_changes_the_digest(tmp_path: Path, change: dict[str, object]) -> None:
    a = seal_run(make_run(), tmp_path / "a.parquet", sealed_ns=1)
    b = seal_run(make_run(**change), tmp_path / "b.parquet", sealed_ns=1)
    assert a.digest != b.digest


@pytest.mark.parametrize("part", ["time_ns", "value_c", "quality", "raw", "name", "restated_from"])
def test_every_reading_changes_the_digest(tmp_path: Path, part: str) -> None:
    run = make_run()
    one = run.series["Ofen Süd"]
    assert one.raw is not None
    name = "Ofen Süd"
    if part == "time_ns":
        one = replace(one, time_ns=one.time_ns + np.eye(1, 100, 99, dtype=np.int64)[0])
    elif part == "value_c":
        one = replace(
            one,
            value_c=np.nextafter(
                one.value_c, 0, where=np.arange(100) == 50, out=one.value_c.copy()
            ),
        )
    elif part == "quality":
        one = replace(one, quality=one.quality + np.eye(1, 100, 3, dtype=np.uint8)[0])
    elif part == "raw":
        one = replace(one, raw=one.raw + np.eye(1, 100, 3)[0] * 0.1)
    elif part == "name":
        name = "Ofen Nord"
    else:
        one = replace(one, restated_from="T")
    rest = {k: v for k, v in run.series.items() if k != "Ofen Süd"}
    a = seal_run(
        replace(run, series={**rest, "Ofen Süd": run.series["Ofen Süd"]}),
        tmp_path / "a.parquet",
        sealed_ns=1,
    )
    b = seal_run(replace(run, series={**rest, name: one}), tmp_path / "b.parquet", sealed_ns=1)
    assert a.digest != b.digest


def test_same_run_gives_the_same_digest_whatever_the_nan(tmp_path: Path) -> None:
    run = make_run()
    other = np.frombuffer(b"\x01\x00\x00\x00\x00\x00\xf8\xff", "<f8")[0]  # another kind of NaN
    air = run.series["air"]
    values = air.value_c.copy()
    values[17:20] = other
    twin = replace(run, series={**run.series, "air": replace(air, value_c=values)})
    a = seal_run(run, tmp_path / "a.parquet", sealed_ns=1)
    b = seal_run(twin, tmp_path / "b.parquet", sealed_ns=1)
    assert a.digest == b.digest
    assert open_run(tmp_path / "b.parquet", verify=True).digest == a.digest


def test_any_altered_byte_is_found(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    seal_run(make_run(), path)
    good = path.read_bytes()
    rng = np.random.default_rng(11)
    spots = {0, 3, len(good) - 1, len(good) - 6, *rng.integers(0, len(good), 250).tolist()}
    bad = tmp_path / "bad.parquet"
    for spot in sorted(spots):
        content = bytearray(good)
        content[spot] ^= int(rng.integers(1, 256))
        bad.write_bytes(content)
        with pytest.raises(StorageTrouble):
            verify_run(bad)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_a_file_cut_short_is_told(tmp_path: Path, share: float) -> None:
    path = tmp_path / "a.parquet"
    seal_run(make_run(), path)
    content = path.read_bytes()
    cut = tmp_path / "cut.parquet"
    cut.write_bytes(content[: int(len(content) * share)])
    with pytest.raises(StorageTrouble, match="restore it from a copy"):
        open_run(cut)


def test_altered_values_with_the_facts_kept_are_a_digest_mismatch(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    seal_run(make_run(), path)
    table = pq.read_table(path)
    values = table.column("value").to_numpy().copy()
    values[150] += 0.5
    column = pa.array(values, mask=np.isnan(values))
    forged = table.set_column(2, table.schema.field("value"), column)
    pq.write_table(forged, tmp_path / "b.parquet")
    with pytest.raises(DigestMismatch):
        verify_run(tmp_path / "b.parquet")
    assert open_run(tmp_path / "b.parquet").id == "2026-03-04-1412-rye"


def test_rows_in_another_order_are_refused_even_unverified(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    seal_run(make_run(), path)
    pq.write_table(pq.read_table(path).sort_by("time"), tmp_path / "b.parquet")
    with pytest.raises(StorageTrouble, match="don't stand by channel"):
        open_run(tmp_path / "b.parquet")


def test_other_parquet_and_missing_files_are_told_apart(tmp_path: Path) -> None:
    pl.DataFrame({"a": [1]}).write_parquet(tmp_path / "foreign.parquet")
    with pytest.raises(StorageTrouble, match="no sealed run"):
        open_run(tmp_path / "foreign.parquet")
    with pytest.raises(StorageTrouble, match="no such file"):
        open_run(tmp_path / "none.parquet")
    (tmp_path / "text.parquet").write_text("time,a\n1,2\n")
    with pytest.raises(StorageTrouble, match="can't be read as a sealed run"):
        open_run(tmp_path / "text.parquet")


def test_a_sealed_run_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    seal_run(make_run(), path)
    before = path.read_bytes()
    with pytest.raises(StorageTrouble, match="already"):
        seal_run(make_run(title="other"), path)
    assert path.read_bytes() == before
    assert not path.stat().st_mode & 0o222


def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageTrouble, match="disk is full") as told:
        seal_run(make_run(), tmp_path / "a.parquet")
    assert told.value.exit_code == 4
    assert list(tmp_path.iterdir()) == []


def test_a_note_that_looks_like_the_seal_is_only_a_note(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    seal_run(make_run(notes=("ovenwright:seal@" + "0" * 64,)), path)
    assert verify_run(path).seal_intact


def test_text_that_is_no_unicode_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StorageTrouble):
        seal_run(make_run(title="bad \ud800"), tmp_path / "a.parquet")
    assert list(tmp_path.iterdir()) == []


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    values=arrays(np.float64, st.integers(0, 60), elements=st.floats(width=64)),
    title=st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
)
def test_any_double_survives_to_the_bit(
    tmp_path_factory: pytest.TempPathFactory, values: np.ndarray, title: str
) -> None:
    path = tmp_path_factory.mktemp("seal") / "a.parquet"
    n = values.size
    series = Series(np.arange(n, dtype=np.int64), values, np.zeros(n, np.uint8))
    seal_run(Run(id="x", title=title, series={"a": series}), path)
    back = open_run(path, verify=True)
    assert back.title == title
    got = back.series["a"].value_c
    there = ~np.isnan(values)
    assert np.array_equal(np.isnan(got), ~there)
    assert values[there].tobytes() == got[there].tobytes()


def test_the_check_in_the_reference_agrees_with_no_code_of_ours(tmp_path: Path) -> None:
    page = Path(__file__).parents[3] / "docs" / "reference" / "sealed-run-format.md"
    (script,) = re.findall(r"```python\n(.*?)```", page.read_text("utf-8"), re.DOTALL)
    (tmp_path / "check.py").write_text(script)

    def check(path: Path) -> tuple[int, str]:
        done = subprocess.run(
            [sys.executable, "-I", str(tmp_path / "check.py"), str(path)],
            capture_output=True,
            text=True,
            check=False,
        )
        return done.returncode, done.stdout.strip() + done.stderr

    seal_run(make_run(), tmp_path / "a.parquet")
    assert check(tmp_path / "a.parquet") == (0, "as sealed")
    table = pq.read_table(tmp_path / "a.parquet")
    quality = table.column("quality").to_numpy().copy()
    quality[5] ^= 1
    forged = table.set_column(3, table.schema.field("quality"), pa.array(quality))
    pq.write_table(forged, tmp_path / "b.parquet")
    assert check(tmp_path / "b.parquet") == (4, "NOT AS SEALED")
