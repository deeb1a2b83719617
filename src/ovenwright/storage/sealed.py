"""The sealed run: one Parquet file that any Parquet reader opens, and that proves itself.

Written beside its final name, read back, compared, and only then given the name. The format is
told in docs/reference/sealed-run-format.md.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ovenwright import __version__
from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.domain.run import Run, Series
from ovenwright.errors import DigestMismatch, StorageTrouble
from ovenwright.storage.byte_seal import BLANK, SEAL_KEY, byte_seal, seal_place, stamp
from ovenwright.storage.columns import (
    Column,
    double_column,
    numbers_of,
    piece_numbers,
    plain_column,
    text_column,
)
from ovenwright.storage.digest import digest_bytes, digest_series
from ovenwright.storage.durable import trouble_from, whole_file
from ovenwright.storage.run_facts import SealedFacts, facts_from_text, facts_text

SUFFIX = ".parquet"
RUN_KEY = b"ovenwright:run"
PLAN_KEY = b"ovenwright:plan"
DIGEST_KEY = b"ovenwright:digest"

_GROUP_ROWS = 1 << 20  # a row group is what a reader loads at the least
_SMALL_ROWS = 1 << 15  # channels shorter than this share a row group
_SAMPLE = 20_000


@dataclass(frozen=True, slots=True)
class VerifyFacts:
    """A sealed run whose content was found as sealed.

    ``seal_intact`` is True where every byte of the file is the one written at sealing, None where
    another program rewrote the file and the byte seal got lost while the content stayed.
    """

    path: Path
    facts: SealedFacts
    size_bytes: int
    seal_intact: bool | None


def _grid_like(values: FloatArray) -> bool:
    """Say whether values repeat so that a dictionary packs them better than split bytes."""
    if values.size == 0:
        return True
    sample = values[:: max(1, values.size // _SAMPLE)]
    sample = sample[np.isfinite(sample)]
    if sample.size == 0:
        return True
    with np.errstate(over="ignore"):
        on_grid = bool(np.all(np.round(sample, 3) == sample))
    if on_grid:
        return True
    return np.unique(sample).size * 4 <= sample.size


def _schema(metadata: dict[bytes | str, bytes | str], *, with_raw: bool) -> pa.Schema:
    fields = [
        pa.field("channel", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("time", pa.timestamp("ns", tz="UTC"), nullable=False),
        pa.field("value", pa.float64(), metadata={b"unit": b"degC"}),
        pa.field("quality", pa.uint8(), nullable=False),
    ]
    if with_raw:
        fields.append(pa.field("raw", pa.float64()))
    return pa.schema(fields, metadata)


def _rows(
    names: list[str], series: Mapping[str, Series], schema: pa.Schema, part: slice
) -> pa.Table:
    """Return the long rows of some channels; ``part`` cuts a single long channel."""
    chosen = [series[n] for n in names]
    counts = [one.time_ns[part].size for one in chosen]
    codes = np.repeat(np.arange(len(names), dtype=np.int32), counts)
    columns: list[Column] = [
        pa.DictionaryArray.from_arrays(plain_column(codes, pa.int32()), text_column(names)),
        plain_column(
            np.concatenate([one.time_ns[part] for one in chosen], dtype=np.int64),
            schema.field("time").type,
        ),
        double_column(np.concatenate([one.value_c[part] for one in chosen])),
        plain_column(
            np.concatenate([one.quality[part] for one in chosen], dtype=np.uint8), pa.uint8()
        ),
    ]
    if "raw" in schema.names:
        gone = [np.full(c, np.nan) for c in counts]
        raw = [g if one.raw is None else one.raw[part] for one, g in zip(chosen, gone, strict=True)]
        columns.append(double_column(np.concatenate(raw)))
    return pa.Table.from_arrays(columns, schema=schema)


def _groups(series: Mapping[str, Series]) -> Iterator[tuple[list[str], slice]]:
    """Yield which channels go into each row group: by name, then time."""
    waiting: list[str] = []
    rows = 0
    for name in sorted(series):
        n = int(series[name].time_ns.size)
        if n >= _SMALL_ROWS:
            if waiting:
                yield waiting, slice(None)
                waiting, rows = [], 0
            for start in range(0, n, _GROUP_ROWS):
                yield [name], slice(start, start + _GROUP_ROWS)
            continue
        waiting.append(name)
        rows += n
        if rows >= _SMALL_ROWS:
            yield waiting, slice(None)
            waiting, rows = [], 0
    if waiting:
        yield waiting, slice(None)


def _write(run: Run, text: bytes, target: Path) -> None:
    series = run.series
    with_raw = any(one.raw is not None for one in series.values())
    schema = _schema(
        {RUN_KEY: text, PLAN_KEY: run.plan_toml.encode(), DIGEST_KEY: digest_bytes(text).encode()},
        with_raw=with_raw,
    )
    numbers = {"value": np.concatenate([s.value_c[: _SAMPLE * 5] for s in series.values()])}
    if with_raw:
        numbers["raw"] = np.concatenate(
            [s.raw[: _SAMPLE * 5] for s in series.values() if s.raw is not None]
        )
    packed = [name for name, values in numbers.items() if _grid_like(values)]
    dictionaries: Any = ["channel", "quality", *packed]  # the stubs allow all columns or none
    encoding = {"time": "DELTA_BINARY_PACKED"} | {
        name: "BYTE_STREAM_SPLIT" for name in numbers if name not in packed
    }
    with (
        target.open("wb") as sink,
        pq.ParquetWriter(
            sink,
            schema,
            compression="zstd",
            compression_level=3,
            use_dictionary=dictionaries,
            column_encoding=encoding,
            write_statistics=["channel", "time"],
            write_page_checksum=True,
            sorting_columns=[pq.SortingColumn(0), pq.SortingColumn(1)],
        ) as writer,
    ):
        for names, part in _groups(series):
            writer.write_table(_rows(names, series, schema, part), row_group_size=_GROUP_ROWS)
        # not with the schema: a program that rewrites the file must not carry the seal along
        writer.add_key_value_metadata({SEAL_KEY.decode(): BLANK.decode()})


@contextmanager
def reading_sealed(path: Path) -> Iterator[None]:
    """Turn whatever a damaged file makes the Parquet reader raise into one clear error."""
    try:
        yield
    except StorageTrouble:
        raise
    except FileNotFoundError as cause:
        raise StorageTrouble(
            "there is no such file",
            where=str(path),
            remedy="check the path, or see: ovenwright runs",
        ) from cause
    except (PermissionError, IsADirectoryError) as cause:
        raise trouble_from(cause, path) from cause
    except (
        pa.ArrowException,
        OSError,
        ValueError,
        KeyError,
        IndexError,
        MemoryError,
        OverflowError,
        AttributeError,
    ) as cause:
        words = str(cause).splitlines()[0][:160] if str(cause) else type(cause).__name__
        raise StorageTrouble(
            f"the file can't be read as a sealed run: {words}",
            where=str(path),
            remedy="it is damaged, cut short or no sealed run; restore it from a copy",
        ) from cause


def facts_of(metadata: Mapping[bytes, bytes] | None, path: Path) -> SealedFacts:
    """Return the facts in a file's key-value metadata; raises StorageTrouble if it has none."""
    known = metadata or {}
    if RUN_KEY not in known or DIGEST_KEY not in known or PLAN_KEY not in known:
        raise StorageTrouble(
            "the file is Parquet but no sealed run",
            where=str(path),
            remedy="bring readings in with: ovenwright import FILE",
        )
    return facts_from_text(
        known[RUN_KEY],
        digest=known[DIGEST_KEY].decode("ascii", "replace"),
        plan_toml=known[PLAN_KEY].decode("utf-8"),
        where=str(path),
    )


def read_facts(path: Path) -> SealedFacts:
    """Return what a sealed run's foot tells, without reading any values.

    Raises
    ------
    StorageTrouble : if the file is missing, damaged or no sealed run
    """
    with reading_sealed(path), pq.ParquetFile(path) as file:
        return facts_of(file.metadata.metadata, path)


def _check_order(column: Column, facts: SealedFacts, path: Path) -> None:
    """Make sure that rows stand by channel as the facts count them."""
    runs: list[tuple[str, int]] = []
    for chunk in column.chunks:
        if len(chunk) == 0:
            continue
        codes = piece_numbers(chunk, np.int32)
        names = chunk.dictionary.to_pylist()
        edges = np.flatnonzero(np.diff(codes)) + 1
        for start, stop in zip([0, *edges], [*edges, codes.size], strict=True):
            name = names[codes[start]]
            if runs and runs[-1][0] == name:
                runs[-1] = (name, runs[-1][1] + int(stop - start))
            else:
                runs.append((name, int(stop - start)))
    expected = [(c.name, c.count) for c in sorted(facts.channels, key=lambda c: c.name) if c.count]
    if runs != expected:
        raise StorageTrouble(
            "the rows don't stand by channel as the file's facts count them",
            where=str(path),
            remedy="the file was rewritten or damaged; restore it from a copy",
        )


def _series_of(table: pa.Table, facts: SealedFacts, path: Path) -> dict[str, Series]:
    _check_order(table.column("channel"), facts, path)
    # the columns are let go one by one: a long run must not stand in memory twice
    times: IntArray = numbers_of(table.column("time"), np.int64)
    values = numbers_of(table.column("value"), np.float64)
    quality = numbers_of(table.column("quality"), np.uint8)
    raw = numbers_of(table.column("raw"), np.float64) if "raw" in table.column_names else None
    found: dict[str, Series] = {}
    axes: list[IntArray] = []
    at = 0
    for channel in sorted(facts.channels, key=lambda c: c.name):
        part = slice(at, at + channel.count)
        at += channel.count
        axis = next((a for a in axes[-4:] if np.array_equal(a, times[part])), None)
        if axis is None:
            axis = times[part].copy()
            axes.append(axis)
        one = Series(
            time_ns=axis,
            value_c=values[part],
            quality=quality[part],
            raw=raw[part] if raw is not None and channel.has_raw else None,
            raw_unit=channel.raw_unit,
            restated_from=channel.restated_from,
        )
        for array in (one.time_ns, one.value_c, one.quality, one.raw):
            if array is not None:
                array.flags.writeable = False
        found[channel.name] = one
    return {c.name: found[c.name] for c in facts.channels}


def _run_of(series: Mapping[str, Series], facts: SealedFacts) -> Run:
    return Run(
        id=facts.id,
        series=series,
        absolute=facts.absolute,
        marks=facts.marks,
        instrument=facts.instrument,
        plan_toml=facts.plan_toml,
        title=facts.title,
        notes=facts.notes,
        set_aside=facts.set_aside,
        time_zone=facts.time_zone,
        software=facts.software,
        sealed_ns=facts.sealed_ns,
        digest=facts.digest,
        parent_digest=facts.parent_digest,
    )


def _open(path: Path) -> tuple[Run, SealedFacts, bytes]:
    with (
        reading_sealed(path),
        pq.ParquetFile(path, read_dictionary=["channel"], page_checksum_verification=True) as file,
    ):
        metadata = file.metadata.metadata or {}
        facts = facts_of(metadata, path)
        columns = ["channel", "time", "value", "quality"]
        if any(c.has_raw for c in facts.channels):
            columns.append("raw")
        series = _series_of(file.read(columns=columns), facts, path)
        return _run_of(series, facts), facts, metadata[RUN_KEY]


def _check_content(run: Run, facts: SealedFacts, text: bytes, path: Path) -> None:
    computed = digest_bytes(text)
    if computed != facts.digest:
        raise DigestMismatch(str(path), stored=facts.digest, computed=computed)
    # written anew from what was read: facts that the text holds and the readings don't back fail
    found = digest_bytes(facts_text(run, digest_series(run.series)))
    if found != facts.digest:
        raise DigestMismatch(str(path), stored=facts.digest, computed=found)


def open_run(path: Path, *, verify: bool = False) -> Run:
    """Read a sealed run.

    Parameters
    ----------
    path : the sealed file
    verify : also recompute the digest and the byte seal; a file that another program rewrote, so
        that the seal is gone, passes while readings and facts are as sealed

    Returns
    -------
    the run; channels with the same times share one time array, and no array can be written to

    Raises
    ------
    StorageTrouble : if the file is missing, damaged or no sealed run
    DigestMismatch : if ``verify`` is on and the content isn't what was sealed
    """
    if verify:
        return _verified(path, content_only=True)[0]
    return _open(path)[0]


def _verified(path: Path, *, content_only: bool = False) -> tuple[Run, VerifyFacts]:
    with reading_sealed(path):
        content = path.read_bytes()
    place = seal_place(content)
    intact: bool | None = None
    if place >= 0:
        intact = content[place : place + 64] == byte_seal(content, place).encode("ascii")
    size = len(content)
    del content
    run, facts, text = _open(path)
    with reading_sealed(path):
        _check_content(run, facts, text, path)
    if intact is False or (intact is None and not content_only):
        what = (
            "the file was rewritten after sealing and its byte seal is gone"
            if intact is None
            else "bytes of the file changed after sealing"
        )
        raise StorageTrouble(
            f"{what}, though readings and facts are as sealed",
            where=str(path),
            remedy="restore the file from a copy"
            + (", or verify with content_only" if intact is None else ""),
        )
    return run, VerifyFacts(path=path, facts=facts, size_bytes=size, seal_intact=intact)


def verify_run(path: Path, *, content_only: bool = False) -> VerifyFacts:
    """Prove that a sealed run is what was sealed.

    Parameters
    ----------
    path : the sealed file
    content_only : let pass a file that another program rewrote, losing the byte seal, while the
        readings and facts are still those that were sealed

    Raises
    ------
    StorageTrouble : if the file is missing, damaged, no sealed run, or a byte of it changed
    DigestMismatch : if the content isn't what was sealed
    """
    return _verified(path, content_only=content_only)[1]


def seal_run(run: Run, path: Path, *, sealed_ns: int | None = None) -> Run:
    """Write a run as one sealed file, read it back, and only then give it its name.

    Parameters
    ----------
    run : the run; its ``sealed_ns``, ``software`` and ``digest`` are set here
    path : the file to make; one that exists is never overwritten
    sealed_ns : time of sealing, now when left out

    Returns
    -------
    the same run with digest, sealing time and software

    Raises
    ------
    StorageTrouble : if the disk refuses, the file exists, or what was read back differs
    """
    dated = replace(
        run,
        sealed_ns=time.time_ns() if sealed_ns is None else sealed_ns,
        software=f"ovenwright {__version__}",
        digest="",
    )
    text = facts_text(dated, digest_series(dated.series))
    if path.exists():
        raise StorageTrouble(
            "there is a sealed run of that name already",
            where=str(path),
            remedy="a sealed run is never changed; seal under another name",
        )
    with whole_file(path, read_only=True) as temp:
        _write(dated, text, temp)
        stamp(temp)
        back = verify_run(temp)
        if back.facts.digest != digest_bytes(text) or not back.seal_intact:
            raise StorageTrouble(
                "what was read back differs from what was written",
                where=str(path),
                remedy="check the disk; nothing was kept",
            )
    return replace(dated, digest=digest_bytes(text))
