"""List what the logbook keeps, give it out, prove it unaltered."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any, BinaryIO

from ovenwright.catalogue.catalogue import Catalogue
from ovenwright.catalogue.entries import JudgementEntry, MeasureEntry, RunEntry
from ovenwright.domain.run import Run
from ovenwright.errors import CatalogueTrouble, OvenwrightError, StorageTrouble, UsageError
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.run_facts import SealedFacts, ns_from_iso
from ovenwright.storage.wide import ExportUnit, chosen_channels

# listing --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Wish:
    """Which runs are wanted; what is left empty does not narrow."""

    text: str = ""
    oven: str = ""
    product: str = ""
    verdict: str = ""
    since_ns: int | None = None
    until_ns: int | None = None
    limit: int | None = None


@dataclass(frozen=True, slots=True)
class Listing:
    """Runs that fit a wish, the one sealed last first, and what could not be read."""

    runs: tuple[RunEntry, ...]
    total: int
    troubles: tuple[str, ...] = ()


def open_catalogue(logbook: Logbook) -> Catalogue:
    """Return the index of a logbook; in memory while the logbook's folder does not exist."""
    if not logbook.folder.is_dir():
        return Catalogue("sqlite://")
    return Catalogue(f"sqlite:///{logbook.catalogue_file}")


def list_runs(
    logbook: Logbook, catalogue: Catalogue, wish: Wish | None = None, *, rebuild: bool = False
) -> Listing:
    """Return the logbook's runs that fit ``wish``.

    The index is first brought up to the folder: new files are taken in, vanished ones dropped. A
    damaged index is made anew from the sealed files; one that can't be written, as on a read-only
    disk, is replaced by one in memory for this call.
    """
    wish = wish or Wish()
    try:
        return _listing(logbook, catalogue, wish, rebuild=rebuild)
    except CatalogueTrouble as trouble:
        catalogue.close()
        if catalogue.is_damage(trouble) and catalogue.is_file(logbook.catalogue_file):
            _remove_index(logbook)
            try:
                with open_catalogue(logbook) as anew:
                    return _listing(logbook, anew, wish, rebuild=True)
            except CatalogueTrouble:
                pass
        with Catalogue("sqlite://") as for_now:
            found = _listing(logbook, for_now, wish, rebuild=True)
            return replace(found, troubles=(*found.troubles, str(trouble)))


def _listing(logbook: Logbook, catalogue: Catalogue, wish: Wish, *, rebuild: bool) -> Listing:
    troubles = refresh(logbook, catalogue, rebuild=rebuild)
    runs = catalogue.find(
        text=wish.text,
        oven=wish.oven,
        product=wish.product,
        verdict=wish.verdict,
        since_ns=wish.since_ns,
        until_ns=wish.until_ns,
        limit=wish.limit,
    )
    return Listing(runs, len(catalogue.run_ids()), troubles)


def _remove_index(logbook: Logbook) -> None:
    file = logbook.catalogue_file
    for path in (file, *(file.with_name(file.name + end) for end in ("-wal", "-shm", "-journal"))):
        try:
            path.unlink(missing_ok=True)
        except OSError:  # left where it is; the caller goes on in memory
            return


def refresh(logbook: Logbook, catalogue: Catalogue, *, rebuild: bool = False) -> tuple[str, ...]:
    """Bring the index up to the logbook's files; return what could not be read.

    Raises
    ------
    CatalogueTrouble : if the index can't be read or written
    """
    troubles: list[str] = []
    on_disk = set(logbook.run_ids())
    indexed = frozenset[str]() if rebuild else catalogue.run_ids()
    entries: list[RunEntry] = []
    for run_id in sorted(on_disk - indexed):
        try:
            entries.append(entry_of(logbook.facts(run_id), logbook, run_id))
        except (StorageTrouble, OvenwrightError) as trouble:
            troubles.append(str(trouble))
    if rebuild:
        catalogue.rebuild(entries)
        indexed = frozenset(e.id for e in entries)
        counts: Mapping[str, int] = {}
    else:
        gone = indexed - on_disk
        if gone:
            catalogue.forget(*gone)
        catalogue.index(*entries)
        indexed = (indexed | {e.id for e in entries}) - gone
        counts = catalogue.judgement_counts()
    judged: list[JudgementEntry] = []
    for run_id in logbook.judged_ids() & indexed:
        if counts.get(run_id, 0) == logbook.judgement_count(run_id):
            continue
        try:
            judged += [judgement_entry(r) for r in logbook.judgements(run_id)]
        except StorageTrouble as trouble:
            troubles.append(str(trouble))
    catalogue.index_judgements(*judged)
    return tuple(troubles)


def entry_of(facts: SealedFacts, logbook: Logbook, file_id: str) -> RunEntry:
    """Return what the index keeps of a sealed run."""
    path = logbook.path_of(file_id)
    oven, product = _oven_and_product(facts.plan_toml)
    return RunEntry(
        id=file_id,  # the file's name is what a person can call it by
        title=facts.title,
        digest=facts.digest,
        parent_digest=facts.parent_digest,
        sealed_ns=facts.sealed_ns,
        start_ns=facts.start_ns,
        absolute=facts.absolute,
        time_zone=facts.time_zone,
        duration_s=facts.duration_s,
        channels=tuple(c.name for c in facts.channels),
        samples=facts.samples,
        oven=oven,
        product=product,
        software=facts.software,
        notes=facts.notes,
        path=path.relative_to(logbook.folder).as_posix(),
    )


def _oven_and_product(plan_toml: str) -> tuple[str, str]:
    # only two names are wanted: a plan of an older form, which no model reads, still has them
    try:
        plan = tomllib.loads(plan_toml)
    except tomllib.TOMLDecodeError:
        return "", ""

    def name(section: str) -> str:
        found = plan.get(section)
        return str(found.get("name", "")) if isinstance(found, dict) else ""

    return name("oven"), name("product")


def judgement_entry(record: Mapping[str, Any]) -> JudgementEntry:
    """Return what the index keeps of a judgement's record in the logbook."""
    judgement = record["judgement"]
    rows = judgement.get("requirements", ())
    return JudgementEntry(
        run_id=record["run"],
        judged_ns=ns_from_iso(record["judged"]),
        verdict=str(judgement.get("verdict", "")),
        plan=str(record.get("plan", "")),
        software=str(record.get("software", "")),
        measures=tuple(_measure_entry(r) for r in rows if isinstance(r, Mapping)),
    )


def _measure_entry(row: Mapping[str, Any]) -> MeasureEntry:
    low, high = row.get("interval_95") or (None, None)
    return MeasureEntry(
        requirement=str(row.get("name") or ""),
        measure=str(row.get("measure") or ""),
        channel=str(row.get("channel") or ""),
        value=_number(row.get("value")),
        unit=str(row.get("unit") or ""),
        standard_uncertainty=_number(row.get("standard_uncertainty")),
        low_95=_number(low),
        high_95=_number(high),
        probability=_number(row.get("probability")),
        verdict=str(row.get("verdict") or ""),
    )


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan


# giving out -----------------------------------------------------------------------------------


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


# proving --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Verified:
    """What verifying one run found; ``trouble`` is empty where it is intact."""

    ref: str
    path: str = ""
    run_id: str = ""
    digest: str = ""
    sealed_ns: int = 0
    software: str = ""
    samples: int = 0
    judgements: int = 0
    originals: int = 0
    trouble: str = ""
    remarks: tuple[str, ...] = field(default=())

    @property
    def intact(self) -> bool:
        """Whether everything is as it was sealed."""
        return not self.trouble


def verify_runs(
    logbook: Logbook, refs: Sequence[str], *, content_only: bool = False
) -> tuple[Verified, ...]:
    """Prove runs unaltered, with their judgements and originals; all of the logbook's for none.

    Raises
    ------
    UnknownName, UsageError : if a reference fits no run or several
    """
    wanted = list(refs) or list(logbook.run_ids())
    return tuple(_verified(logbook, ref, content_only=content_only) for ref in wanted)


def _verified(logbook: Logbook, ref: str, *, content_only: bool) -> Verified:
    from ovenwright.storage.sealed import verify_run

    path = logbook.path_of(ref)
    try:
        facts = verify_run(path, content_only=content_only).facts
    except StorageTrouble as trouble:
        return Verified(ref, str(path), run_id=path.stem, trouble=str(trouble))
    found = Verified(
        ref,
        str(path),
        run_id=facts.id,
        digest=facts.digest,
        sealed_ns=facts.sealed_ns,
        software=facts.software,
        samples=facts.samples,
    )
    if path.parent != logbook.runs_dir:
        return found
    try:
        judgements = logbook.judgements(facts.id)
    except StorageTrouble as trouble:
        return replace(found, trouble=str(trouble))
    kept, missing = 0, []
    tool = facts.instrument
    for name, sha256 in zip(tool.origin, tool.origin_sha256, strict=False):
        if not logbook.original(sha256, name).is_file():
            missing.append(f"the original file {name} is not in the logbook")
            continue
        try:
            logbook.check_original(sha256, name)
        except StorageTrouble as trouble:
            return replace(found, trouble=str(trouble))
        kept += 1
    cited = [j for j in judgements if j.get("run_digest") != facts.digest]
    if cited:
        missing.append(f"{len(cited)} judgement(s) cite another digest than this run's")
    return replace(found, judgements=len(judgements), originals=kept, remarks=tuple(missing))
