"""Give a run out in the formats that others work with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import BinaryIO

from ovenwright.domain.run import Run
from ovenwright.errors import OvenwrightError, UsageError
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.wide import ExportUnit, chosen_channels


class Format(StrEnum):
    """The formats a run is given out in."""

    CSV = "csv"
    XLSX = "xlsx"
    PARQUET = "parquet"
    NETCDF = "netcdf"

    @property
    def suffix(self) -> str:
        """The usual end of such a file's name."""
        return ".nc" if self is Format.NETCDF else f".{self.value}"


def named_channels(words: Sequence[str], known: Sequence[str]) -> tuple[str, ...]:
    """Return the channels that words name: each is one name, or several with commas between."""
    found: list[str] = []
    for word in words:
        if word in known:  # a name may hold a comma itself
            found.append(word)
        else:
            found += [part.strip() for part in word.split(",") if part.strip()]
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Exported:
    """What was given out, and where to."""

    run_id: str
    digest: str
    format: Format
    unit: ExportUnit
    path: Path
    channels: tuple[str, ...]
    size_bytes: int


def export_run(
    logbook: Logbook,
    run_ref: str,
    form: Format,
    *,
    target: Path | None = None,
    channels: Sequence[str] | None = None,
    unit: ExportUnit = ExportUnit.CELSIUS,
    overwrite: bool = False,
) -> Exported:
    """Write a run into a file of another format.

    Parameters
    ----------
    target : the file; ``RUN.csv`` and the like in the working folder when left out
    channels : which channels, in that order; all when left out
    unit : °C, °F or as read; NetCDF is °C with the numbers as read beside
    overwrite : whether a file that is there and not empty may be replaced

    Raises
    ------
    UsageError : if the file is there already, or NetCDF is asked for in another unit than °C
    UnknownName : if there is no such run or channel
    StorageTrouble : if the disk refuses or the sealed file is damaged
    """
    if form is Format.NETCDF and unit is ExportUnit.FAHRENHEIT:
        raise UsageError(
            "NetCDF is written in °C, with the numbers as read beside it",
            where="--unit F",
            remedy="leave --unit out, or choose csv, xlsx or parquet",
        )
    run = logbook.open(run_ref)
    path = target if target is not None else Path(f"{run.id}{form.suffix}")
    if path.is_dir():
        path = path / f"{run.id}{form.suffix}"
    if not overwrite and path.exists() and path.stat().st_size:
        raise UsageError(
            "the file is there already",
            where=str(path),
            remedy="choose another name with -o, or replace it with --force",
        )
    if form is Format.CSV:
        from ovenwright.storage.export_csv import export_csv

        export_csv(run, path, channels=channels, unit=unit)
    elif form is Format.XLSX:
        from ovenwright.storage.export_xlsx import export_xlsx

        export_xlsx(run, path, channels=channels, unit=unit)
    elif form is Format.PARQUET:
        from ovenwright.storage.export_parquet import export_parquet

        export_parquet(run, path, channels=channels, unit=unit)
    else:
        from ovenwright.storage.export_netcdf import export_netcdf

        positions, oven = places_of(run)
        export_netcdf(run, path, channels=channels, positions=positions, oven=oven)
    return Exported(
        run_id=run.id,
        digest=run.digest,
        format=form,
        unit=unit,
        path=path,
        channels=chosen_channels(run, channels),
        size_bytes=path.stat().st_size,
    )


def stream_csv(
    logbook: Logbook,
    run_ref: str,
    sink: BinaryIO,
    *,
    channels: Sequence[str] | None = None,
    unit: ExportUnit = ExportUnit.CELSIUS,
) -> None:
    """Write a run as CSV into an open stream; see :func:`storage.export_csv.write_csv`."""
    from ovenwright.storage.export_csv import write_csv

    write_csv(logbook.open(run_ref), sink, channels=channels, unit=unit)


def places_of(run: Run) -> tuple[dict[str, tuple[float, float, float]], str]:
    """Return the places of channels that the run's plan states in full, and the oven's name."""
    from ovenwright.storage.plan_file import parse_plan

    if not run.plan_toml:
        return {}, ""
    try:
        plan = parse_plan(run.plan_toml)
    except OvenwrightError:  # an export does not fail over a plan that is out of date
        return {}, ""
    found: dict[str, tuple[float, float, float]] = {}
    for channel in plan.channels:
        place = channel.place
        if place.x_m is not None and place.y_m is not None and place.z_m is not None:
            found[channel.name] = (place.x_m, place.y_m, place.z_m)
    return found, plan.oven.name
