"""A run's facts as text: everything of a sealed run that is no array."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ovenwright.domain.run import Instrument, Mark, MarkKind, Run
from ovenwright.errors import StorageTrouble
from ovenwright.storage.digest import SeriesDigest, digest_bytes

FORMAT = 1
_ISO = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{9}Z", re.ASCII)


def iso_from_ns(time_ns: int) -> str:
    """Return UTC nanoseconds as ``2026-03-04T14:12:00.250000000Z``, to the last digit."""
    return f"{np.datetime64(time_ns, 'ns')}Z"


def ns_from_iso(text: str) -> int:
    """Return the UTC nanoseconds that :func:`iso_from_ns` wrote."""
    if not _ISO.fullmatch(text):
        raise ValueError(f"{text!r} is no time")
    return int(np.datetime64(text.removesuffix("Z"), "ns").astype(np.int64))


@dataclass(frozen=True, slots=True)
class ChannelFacts:
    """One channel as the file's facts name it."""

    name: str
    count: int
    missing: int
    raw_unit: str
    restated_from: str
    sha256: SeriesDigest

    @property
    def has_raw(self) -> bool:
        """Whether the numbers as the instrument gave them are kept beside the °C."""
        return bool(self.sha256.raw)


@dataclass(frozen=True, slots=True)
class SealedFacts:
    """What the foot of a sealed run tells without reading one value."""

    id: str
    title: str
    digest: str
    parent_digest: str
    sealed_ns: int
    software: str
    absolute: bool
    time_zone: str
    start_ns: int
    end_ns: int
    samples: int
    channels: tuple[ChannelFacts, ...]
    marks: tuple[Mark, ...]
    instrument: Instrument
    notes: tuple[str, ...]
    set_aside: tuple[str, ...]
    plan_toml: str

    @property
    def duration_s(self) -> float:
        """Seconds from the first reading to the last."""
        return (self.end_ns - self.start_ns) / 1e9


def _mark_out(mark: Mark) -> dict[str, Any]:
    return {
        "kind": mark.kind.value,
        "time": iso_from_ns(mark.time_ns),
        "until": None if mark.until_ns is None else iso_from_ns(mark.until_ns),
        "channel": mark.channel,
        "text": mark.text,
        "by": mark.by,
    }


def _mark_in(row: Mapping[str, Any]) -> Mark:
    return Mark(
        kind=MarkKind(row["kind"]),
        time_ns=ns_from_iso(row["time"]),
        text=row["text"],
        by=row["by"],
        channel=row["channel"],
        until_ns=None if row["until"] is None else ns_from_iso(row["until"]),
    )


def facts_text(run: Run, digests: Mapping[str, SeriesDigest]) -> bytes:
    """Return the facts of ``run`` as the bytes its digest is taken over (canonical JSON).

    Raises
    ------
    StorageTrouble : if a text of the run can't be written as Unicode
    """
    try:
        text = json.dumps(
            _facts_out(run, digests),
            ensure_ascii=False,
            sort_keys=True,
            separators=(",", ":"),
            allow_nan=False,
        )
        return text.encode("utf-8", "strict")
    except ValueError as cause:  # UnicodeEncodeError is one too
        raise StorageTrouble(
            f"a text or number among the run's facts can't be kept: {cause}",
            where=run.id,
            remedy="mend the name, title, note or instrument fact it comes from",
        ) from cause


def _facts_out(run: Run, digests: Mapping[str, SeriesDigest]) -> dict[str, Any]:
    tool = run.instrument
    return {
        "format": FORMAT,
        "id": run.id,
        "title": run.title,
        "parent_digest": run.parent_digest,
        "sealed": iso_from_ns(run.sealed_ns),
        "software": run.software,
        "absolute": run.absolute,
        "time_zone": run.time_zone,
        "start": iso_from_ns(run.start_ns),
        "end": iso_from_ns(run.end_ns),
        "samples": run.samples,
        "channels": [
            {
                "name": name,
                "count": int(one.time_ns.size),
                "missing": int(np.isnan(one.value_c).sum()),
                "unit": "degC",
                "raw_unit": one.raw_unit,
                "restated_from": one.restated_from,
                "time_sha256": digests[name].time,
                "value_sha256": digests[name].value,
                "quality_sha256": digests[name].quality,
                "raw_sha256": digests[name].raw,
            }
            for name, one in run.series.items()
        ],
        "marks": [_mark_out(m) for m in run.marks],
        "instrument": {
            "name": tool.name,
            "serial": tool.serial,
            "firmware": tool.firmware,
            "reference_junction_c": tool.reference_junction_c,
            "resolution_k": tool.resolution_k,
            "origin": list(tool.origin),
            "origin_sha256": list(tool.origin_sha256),
        },
        "notes": list(run.notes),
        "set_aside": list(run.set_aside),
        "plan_sha256": digest_bytes(run.plan_toml.encode("utf-8", "strict")),
    }


def facts_from_text(text: bytes, *, digest: str, plan_toml: str, where: str) -> SealedFacts:
    """Read what :func:`facts_text` wrote.

    Raises
    ------
    StorageTrouble : if it is no such text, or of a newer format
    """
    try:
        content = json.loads(text.decode("utf-8"))
        written = content["format"]
        if written != FORMAT:
            raise StorageTrouble(
                f"the file has format {written}, this version reads {FORMAT}",
                where=where,
                remedy="update ovenwright",
            )
        return SealedFacts(
            id=content["id"],
            title=content["title"],
            digest=digest,
            parent_digest=content["parent_digest"],
            sealed_ns=ns_from_iso(content["sealed"]),
            software=content["software"],
            absolute=content["absolute"],
            time_zone=content["time_zone"],
            start_ns=ns_from_iso(content["start"]),
            end_ns=ns_from_iso(content["end"]),
            samples=content["samples"],
            channels=tuple(
                ChannelFacts(
                    name=c["name"],
                    count=c["count"],
                    missing=c["missing"],
                    raw_unit=c["raw_unit"],
                    restated_from=c["restated_from"],
                    sha256=SeriesDigest(
                        time=c["time_sha256"],
                        value=c["value_sha256"],
                        quality=c["quality_sha256"],
                        raw=c["raw_sha256"],
                    ),
                )
                for c in content["channels"]
            ),
            marks=tuple(_mark_in(m) for m in content["marks"]),
            instrument=Instrument(
                name=content["instrument"]["name"],
                serial=content["instrument"]["serial"],
                firmware=content["instrument"]["firmware"],
                reference_junction_c=content["instrument"]["reference_junction_c"],
                resolution_k=content["instrument"]["resolution_k"],
                origin=tuple(content["instrument"]["origin"]),
                origin_sha256=tuple(content["instrument"]["origin_sha256"]),
            ),
            notes=tuple(content["notes"]),
            set_aside=tuple(content["set_aside"]),
            plan_toml=plan_toml,
        )
    except (KeyError, TypeError, ValueError) as cause:
        if isinstance(cause, StorageTrouble):
            raise
        raise StorageTrouble(
            f"the facts in the file's foot can't be read ({cause})",
            where=where,
            remedy="restore the file from a copy",
        ) from cause
