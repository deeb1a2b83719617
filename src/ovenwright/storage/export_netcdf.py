"""Export as NetCDF after the CF conventions, for the tools of the sciences.

Channels are discrete sampling features (CF chapter 9): one time axis for all where they share it,
else the contiguous ragged layout. Temperature is marked as on the scale (CF 1.11, 3.1.2), quality
bits stand beside it as flag masks (CF 3.5).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np

from ovenwright import __version__
from ovenwright.domain.arrays import AnyArray, FloatArray
from ovenwright.domain.run import NS, Quality, Run
from ovenwright.errors import StorageTrouble
from ovenwright.storage.durable import whole_file
from ovenwright.storage.run_facts import iso_from_ns
from ovenwright.storage.wide import chosen_channels

Positions = Mapping[str, tuple[float, float, float]]

CONVENTIONS = "CF-1.11"
_FLAGS = tuple(q for q in Quality if q.value)
_RAW_NAMES = {
    "degC": "raw_degC",
    "degF": "raw_degF",
    "K": "raw_K",
    "mV": "raw_mV",
    "ohm": "raw_ohm",
}


def export_netcdf(
    run: Run,
    target: Path,
    *,
    channels: Sequence[str] | None = None,
    positions: Positions | None = None,
    oven: str = "",
) -> None:
    """Write a run as a CF-NetCDF file (NetCDF-4, °C).

    Parameters
    ----------
    run : the run
    target : the file to make
    channels : which channels; all when left out
    positions : x, y, z in metres in the oven's own frame. CF asks a place of every feature of a
        time series; ``featureType`` is stated only when every channel has one
    oven : name of the oven the positions are in

    Raises
    ------
    UnknownName : if the run has no channel of a name
    StorageTrouble : if the disk refuses
    """
    names = chosen_channels(run, channels)
    places = (
        [positions[n] for n in names] if positions and all(n in positions for n in names) else []
    )
    with whole_file(target, overwrite=True) as temp:
        try:
            with netCDF4.Dataset(str(temp), "w", format="NETCDF4") as file:
                _global_facts(file, run, oven=oven, placed=bool(places))
                _channels(file, names, places)
                _readings(file, run, names, placed=bool(places))
        except RuntimeError as cause:  # how the library tells of the disk's refusals
            raise StorageTrouble(
                f"the file can't be written: {cause}",
                where=str(target),
                remedy="check the disk and the folder",
            ) from cause


def _global_facts(file: Any, run: Run, *, oven: str, placed: bool) -> None:
    sealed = iso_from_ns(run.sealed_ns) if run.sealed_ns else "unsealed"
    facts = {
        "Conventions": CONVENTIONS,
        "title": run.title or run.id,
        "source": "temperature sensors in an oven and in the product"
        + (f", {oven}" if oven else ""),
        "history": f"{sealed}: run {run.id} sealed by {run.software or 'ovenwright'}, digest"
        f" {run.digest or 'none'}\nexported by ovenwright {__version__}",
        "run_id": run.id,
        "digest_sha256": run.digest,
        "time_zone": run.time_zone,
    }
    if placed:
        facts["featureType"] = "timeSeries"
    if run.parent_digest:
        facts["restates_digest_sha256"] = run.parent_digest
    if run.instrument.origin:
        facts["origin"] = ", ".join(run.instrument.origin)
    if run.notes:
        facts["comment"] = "\n".join(run.notes)
    file.setncatts(facts)


def _channels(
    file: Any, names: Sequence[str], places: Sequence[tuple[float, float, float]]
) -> None:
    file.createDimension("channel", len(names))
    label = file.createVariable("channel_name", str, ("channel",))
    label.setncatts({"long_name": "name of the channel", "cf_role": "timeseries_id"})
    for at, name in enumerate(names):
        label[at] = name
    if not places:
        return
    for axis, words, column in (
        ("x", "distance along travel, or width of a chamber", 0),
        ("y", "distance across, or depth of a chamber", 1),
        ("z", "height", 2),
    ):
        made = file.createVariable(axis, "f8", ("channel",))
        facts = {"units": "m", "long_name": f"{words}, in the oven's own frame"}
        if axis == "z":
            facts |= {"axis": "Z", "positive": "up"}
        # no axis attribute on x and y: readers take it for a longitude and a latitude
        made.setncatts(facts)
        made[:] = [p[column] for p in places]


def _readings(file: Any, run: Run, names: Sequence[str], *, placed: bool) -> None:
    series = [run.series[n] for n in names]
    first = series[0].time_ns
    shared = all(s.time_ns is first or np.array_equal(s.time_ns, first) for s in series)
    dims: tuple[str, ...]
    if shared:
        axis, dims = first, ("channel", "time")
        file.createDimension("time", axis.size)
        time = file.createVariable("time", "f8", ("time",), zlib=True)
    else:
        axis, dims = np.concatenate([s.time_ns for s in series]), ("obs",)
        file.createDimension("obs", axis.size)
        count = file.createVariable("row_size", "i4", ("channel",))
        count.setncatts({"long_name": "readings of the channel", "sample_dimension": "obs"})
        count[:] = [s.time_ns.size for s in series]
        time = file.createVariable("time", "f8", ("obs",), zlib=True)
    _time(time, axis, run)
    where = ("time x y z " if placed else "time ") + "channel_name"
    if shared:
        where = where.removeprefix("time ")  # a coordinate variable already, by its name

    def variable(name: str, kind: str, values: AnyArray, **facts: Any) -> None:
        fill = np.nan if kind == "f8" else None
        made = file.createVariable(name, kind, dims, zlib=True, complevel=4, fill_value=fill)
        made.setncatts(facts | {"coordinates": where})
        made[...] = values

    def joined(parts: Sequence[AnyArray]) -> AnyArray:
        return np.stack(parts) if shared else np.concatenate(parts)

    raw_units = sorted({s.raw_unit for s in series if s.raw is not None})
    variable(
        "temperature",
        "f8",
        joined([s.value_c for s in series]),
        long_name="temperature as read",
        units="degC",
        units_metadata="temperature: on_scale",
        ancillary_variables="quality",
    )
    variable(
        "quality",
        "u1",
        joined([s.quality for s in series]),
        long_name="what is known of the reading; 0 is plain good",
        standard_name="quality_flag",
        flag_masks=np.array([q.value for q in _FLAGS], np.uint8),
        flag_meanings=" ".join(str(q.name).lower() for q in _FLAGS),
    )
    for unit in raw_units:
        facts = {"units": unit, "long_name": f"number as the instrument gave it, {unit}"}
        if unit in {"degC", "degF", "K"}:
            facts["units_metadata"] = "temperature: on_scale"
        name = _RAW_NAMES.get(unit, "raw_" + "".join(c if c.isalnum() else "_" for c in unit))
        variable(
            name,
            "f8",
            joined([_raw(s.raw, s.raw_unit == unit, s.value_c) for s in series]),
            **facts,
        )


def _raw(raw: FloatArray | None, wanted: bool, like: FloatArray) -> FloatArray:
    return raw if raw is not None and wanted else np.full(like.shape, np.nan)


def _time(variable: Any, axis: AnyArray, run: Run) -> None:
    if not run.absolute:
        # the source gave no date, so no reference date is made up
        variable.setncatts({"units": "s", "long_name": "time since the first reading"})
        variable[:] = (axis - run.start_ns) / NS
        return
    whole_s = run.start_ns // NS
    day, clock = str(np.datetime64(whole_s, "s")).split("T")
    variable.setncatts(
        {
            "units": f"seconds since {day} {clock}",
            "calendar": "standard",
            "units_metadata": "leap_seconds: unknown",  # as the instrument's clock went
            "standard_name": "time",
            "long_name": "time of the reading, UTC",
            "axis": "T",
        }
    )
    variable[:] = (axis - whole_s * NS) / NS
