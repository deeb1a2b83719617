from __future__ import annotations

import csv
import io
import warnings
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import netCDF4
import numpy as np
import openpyxl
import pandas as pd  # type: ignore[import-untyped]
import polars as pl
import pytest
import xarray as xr

from ovenwright.domain.run import Instrument, Quality, Run, Series
from ovenwright.errors import StorageTrouble, UnknownName
from ovenwright.storage.export_csv import export_csv, write_csv
from ovenwright.storage.export_netcdf import export_netcdf
from ovenwright.storage.export_parquet import export_parquet
from ovenwright.storage.export_xlsx import export_xlsx, local_seconds
from ovenwright.storage.wide import ExportUnit, wide_of

# 2026-03-29 00:59:58.1 UTC: two seconds before the clocks of Riga go forward
START = int(np.datetime64("2026-03-29T00:59:58.100", "ns").astype(np.int64))


def make_run() -> Run:
    n = 6
    time_ns = START + np.arange(n, dtype=np.int64) * 1_000_000_000
    core = np.array([20.1, 1 / 3, np.nan, 97.25, 1e-7, 100.0])
    quality = np.zeros(n, np.uint8)
    quality[2] = Quality.MISSING | Quality.OVERFLOW
    fahrenheit = np.array([212.5, 71.3, 32.0, 451.0, np.nan, 98.6])
    return Run(
        id="r1",
        title="Rye",
        series={
            "core, left": Series(time_ns, core, quality),
            "time": Series(
                time_ns, (fahrenheit - 32) / 1.8, np.zeros(n, np.uint8), fahrenheit, "degF"
            ),
        },
        instrument=Instrument(origin=("a.csv",)),
        notes=("°C concluded",),
        time_zone="Europe/Riga",
        digest="ab" * 32,
    )


def make_ragged() -> Run:
    run = make_run()
    odd = START + np.array([500_000_000, 1_000_000_000], np.int64)
    late = Series(odd, np.array([1.5, 2.5]), np.zeros(2, np.uint8))
    return replace(run, series={**run.series, "late": late})


def text_of(run: Run, **how: object) -> list[list[str]]:
    sink = io.BytesIO()
    write_csv(run, sink, **how)  # type: ignore[arg-type]
    return list(csv.reader(io.StringIO(sink.getvalue().decode("utf-8"), newline="")))


def test_csv_keeps_every_digit_and_leaves_missing_empty() -> None:
    head, *rows = text_of(make_run())
    assert head == ["elapsed_s", "core, left", "time (channel)"]
    assert [r[0] for r in rows] == ["0", "1", "2", "3", "4", "5"]
    assert [r[1] for r in rows] == ["20.1", "0.3333333333333333", "", "97.25", "1e-7", "100"]
    assert [float(r[2]) for r in rows[:4]] == make_run().series["time"].value_c[:4].tolist()


def test_csv_in_fahrenheit_and_raw_gives_the_digits_as_read() -> None:
    head, *rows = text_of(make_run(), unit=ExportUnit.FAHRENHEIT)
    assert head == ["elapsed_s", "core, left [degF]", "time [degF]"]
    assert [r[2] for r in rows] == ["212.5", "71.3", "32", "451", "", "98.6"]
    assert float(rows[3][1]) == pytest.approx(97.25 * 1.8 + 32, abs=1e-12)
    head, *rows = text_of(make_run(), unit=ExportUnit.RAW)
    assert head == ["elapsed_s", "core, left", "time [degF]"]
    assert rows[0] == ["0", "20.1", "212.5"]


def test_a_restated_channel_is_not_given_its_old_digits_in_fahrenheit() -> None:
    run = make_run()
    one = replace(run.series["time"], value_c=np.full(6, 100.0), restated_from="T")
    _, first, *_ = text_of(replace(run, series={"a": one}), unit=ExportUnit.FAHRENHEIT)
    assert first == ["0", "212"]


def test_different_times_give_the_union_and_nothing_between() -> None:
    head, *rows = text_of(make_ragged())
    assert head[-1] == "late"
    assert [(r[0], r[1], r[3]) for r in rows[:3]] == [
        ("0", "20.1", ""),
        ("0.5", "", "1.5"),
        ("1", "0.3333333333333333", "2.5"),
    ]
    assert len(rows) == 7


def test_channels_come_in_the_order_asked() -> None:
    head, *_ = text_of(make_ragged(), channels=["late", "core, left", "late"])
    assert head == ["elapsed_s", "late", "core, left"]
    with pytest.raises(UnknownName, match="core, left"):
        text_of(make_run(), channels=["core"])


def test_elapsed_counts_from_the_runs_first_reading_whatever_is_chosen() -> None:
    _, first, *_ = text_of(make_ragged(), channels=["late"])
    assert first == ["0.5", "1.5"]


def test_long_csv_reads_back_to_the_bit(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    n = 70_000
    values = rng.normal(150, 60, n)
    time_ns = START + np.arange(n, dtype=np.int64) * 250_000_000
    run = Run(id="x", series={"a": Series(time_ns, values, np.zeros(n, np.uint8))})
    export_csv(run, tmp_path / "a.csv")
    back = pl.read_csv(tmp_path / "a.csv", schema_overrides={"a": pl.String})
    assert back["a"].cast(pl.Float64).to_numpy().tobytes() == values.tobytes()
    np.testing.assert_array_equal(back["elapsed_s"].to_numpy(), np.arange(n) * 0.25)


def test_parquet_is_wide(tmp_path: Path) -> None:
    export_parquet(make_ragged(), tmp_path / "a.parquet")
    frame = pd.read_parquet(tmp_path / "a.parquet")
    assert list(frame.columns) == ["elapsed_s", "time", "core, left", "time (channel)", "late"]
    assert frame["time"][0].value == START
    assert pl.read_parquet(tmp_path / "a.parquet")["late"].null_count() == 5
    export_parquet(replace(make_run(), absolute=False), tmp_path / "b.parquet")
    assert "time" not in pd.read_parquet(tmp_path / "b.parquet").columns


def test_workbook_has_real_times_by_the_clock_on_the_wall(tmp_path: Path) -> None:
    export_xlsx(make_run(), tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert book.sheetnames == ["Readings", "About"]
    rows = list(book["Readings"].iter_rows(values_only=True))
    assert rows[0] == (
        "time (Europe/Riga)",
        "elapsed_s",
        "core, left [°C]",
        "time (channel) [°C]",
    )
    assert rows[1][0] == datetime(2026, 3, 29, 2, 59, 58, 100_000)  # noqa: DTZ001 - a wall clock
    assert rows[3][0] == datetime(2026, 3, 29, 4, 0, 0, 100_000)  # noqa: DTZ001 - summer time
    assert rows[1][1:3] == (0, 20.1)
    assert rows[3][2] is None
    about = {row[0]: row[1] for row in book["About"].iter_rows(values_only=True)}
    assert about["run"] == "r1"
    assert about["digest (SHA-256)"] == "ab" * 32


def test_workbook_never_makes_a_formula_of_a_name(tmp_path: Path) -> None:
    run = make_run()
    evil = replace(run, series={"=1+1": run.series["time"]}, title="=cmd")
    export_xlsx(evil, tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    cell = book["Readings"]["C1"]
    assert (cell.value, cell.data_type) == ("=1+1 [°C]", "s")


def test_wall_clock_without_a_known_zone_is_named_utc() -> None:
    seconds, zone = local_seconds(np.array([START], np.int64), "No/Where")
    assert zone == "UTC"
    assert seconds[0] == START / 1e9


def test_netcdf_opens_in_xarray_with_times_and_flags(tmp_path: Path) -> None:
    run = make_run()
    places = {"core, left": (1.0, 0.2, 0.1), "time": (1.0, -0.2, 0.1)}
    export_netcdf(run, tmp_path / "a.nc", positions=places, oven="oven 3")
    with xr.open_dataset(tmp_path / "a.nc") as data:
        assert data.attrs["Conventions"] == "CF-1.11"
        assert data.attrs["featureType"] == "timeSeries"
        assert "digest " + "ab" * 32 in data.attrs["history"]
        assert data["temperature"].dims == ("channel", "time")
        np.testing.assert_array_equal(
            data["temperature"].sel(channel=0), run.series["core, left"].value_c
        )
        assert data["channel_name"].to_numpy().tolist() == ["core, left", "time"]
        assert data["channel_name"].attrs["cf_role"] == "timeseries_id"
        assert data["x"].to_numpy().tolist() == [1.0, 1.0]
        drift = data["time"].to_numpy().astype("M8[ns]").astype(np.int64) - (
            run.series["time"].time_ns
        )
        assert np.abs(drift).max() < 1_000
        assert data["temperature"].attrs["units_metadata"] == "temperature: on_scale"
        assert data["temperature"].attrs["ancillary_variables"] == "quality"
        quality = data["quality"]
        meanings = quality.attrs["flag_meanings"].split()
        masks = quality.attrs["flag_masks"].tolist()
        got = int(quality.sel(channel=0)[2])
        assert {m for m, bit in zip(meanings, masks, strict=True) if got & bit} == {
            "missing",
            "overflow",
        }
        np.testing.assert_array_equal(data["raw_degF"].sel(channel=1), run.series["time"].raw)
        assert np.isnan(data["raw_degF"].sel(channel=0)).all()


def test_netcdf_follows_cf_where_xarray_does_not_look(tmp_path: Path) -> None:
    export_netcdf(make_run(), tmp_path / "a.nc")
    with netCDF4.Dataset(str(tmp_path / "a.nc")) as file:
        assert file["time"].units == "seconds since 2026-03-29 00:59:58"
        assert file["time"].calendar == "standard"
        assert file["quality"].flag_masks.dtype == file["quality"].dtype
        # every feature of a time series needs a place (CF 9.2): none known, none claimed
        assert "featureType" not in file.ncattrs()


def test_netcdf_of_different_times_is_contiguous_ragged(tmp_path: Path) -> None:
    run = make_ragged()
    export_netcdf(run, tmp_path / "a.nc", channels=["late", "core, left"])
    with xr.open_dataset(tmp_path / "a.nc") as data:
        assert data["temperature"].dims == ("obs",)
        assert data["row_size"].attrs["sample_dimension"] == "obs"
        assert data["row_size"].to_numpy().tolist() == [2, 6]
        np.testing.assert_array_equal(data["temperature"][:2], [1.5, 2.5])


def test_netcdf_makes_up_no_date(tmp_path: Path) -> None:
    export_netcdf(replace(make_run(), absolute=False), tmp_path / "a.nc")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = xr.open_dataset(tmp_path / "a.nc", decode_times=False)
    with data:
        assert data["time"].attrs["units"] == "s"
        np.testing.assert_array_equal(data["time"], np.arange(6.0))


def test_exports_replace_whole_or_not_at_all(tmp_path: Path) -> None:
    target = tmp_path / "a.csv"
    target.write_text("old")
    with pytest.raises(UnknownName):
        export_csv(make_run(), target, channels=["none"])
    assert target.read_text() == "old"
    export_csv(make_run(), target)
    assert target.read_text().startswith("elapsed_s,")
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]
    for export in (export_csv, export_parquet, export_xlsx, export_netcdf):
        with pytest.raises(StorageTrouble):
            export(make_run(), target / "under-a-file.x")


def test_a_channel_without_readings_is_a_column_without_numbers(tmp_path: Path) -> None:
    run = make_run()
    empty = Series(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8))
    run = replace(run, series={**run.series, "silent": empty})
    wide = wide_of(run)
    assert np.isnan(wide.columns[-1].values).all()
    alone = replace(run, series={"silent": empty})
    export_csv(alone, tmp_path / "a.csv")
    export_parquet(alone, tmp_path / "a.parquet")
    export_xlsx(alone, tmp_path / "a.xlsx")
    export_netcdf(alone, tmp_path / "a.nc")
    assert (tmp_path / "a.csv").read_text() == "elapsed_s,silent\n"
    assert pl.read_parquet(tmp_path / "a.parquet").shape == (0, 3)
    with netCDF4.Dataset(str(tmp_path / "a.nc")) as file:
        assert file["temperature"].shape == (1, 0)
