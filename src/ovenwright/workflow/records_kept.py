"""The product records that a logbook keeps: which runs they rest on, and what those told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ovenwright.errors import OvenwrightError, UnknownName
from ovenwright.modelling.identifying import Identified, recorded_kinds, recorded_parameters
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.product_records import kept_record_path, read_record, record_names


@dataclass(frozen=True, slots=True)
class RecordRun:
    """One run that a record rests on; ``there`` where this logbook holds those very readings."""

    id: str
    digest: str
    channels: tuple[str, ...]
    title: str = ""
    there: bool = False


@dataclass(frozen=True, slots=True)
class RecordKept:
    """One product record at a glance.

    ``kinds`` are the shares of the kinds of body it holds likely, ``parameters`` what all pieces
    of the product have in common. ``trouble`` says why it can't be read, where it can't.
    """

    name: str
    kind: str = ""
    runs: tuple[RecordRun, ...] = ()
    kinds: Mapping[str, float] = field(default_factory=dict)
    parameters: tuple[Identified, ...] = ()
    trouble: Mapping[str, Any] | None = None


def records_kept(logbook: Logbook) -> tuple[RecordKept, ...]:
    """Return the product records of a logbook, by name; one that can't be read says why."""
    found = []
    for name in record_names(logbook):
        try:
            found.append(record_kept(logbook, name))
        except OvenwrightError as trouble:
            found.append(RecordKept(name, trouble=trouble.facts()))
    return tuple(found)


def record_kept(logbook: Logbook, name: str) -> RecordKept:
    """Return one product record of a logbook.

    Raises
    ------
    UnknownName : if it keeps none of that name
    StorageTrouble : if it can't be read
    """
    names = record_names(logbook)
    if name not in names:
        raise UnknownName("product record", name[:80], known=names)
    record = read_record(kept_record_path(logbook, name))
    here = set(logbook.run_ids())
    runs = []
    for run in record.runs:
        title, there = "", False
        if run.run_id in here:
            try:
                facts = logbook.facts(run.run_id)
                title, there = facts.title, run.digest in {"", facts.digest}
            except OvenwrightError:  # a run that can't be read hides no record
                there = False
        channels = tuple(c.name for c in run.channels)
        runs.append(RecordRun(run.run_id, run.digest, channels, title, there))
    return RecordKept(
        name,
        record.kind,
        tuple(runs),
        recorded_kinds(record),
        recorded_parameters(record),
    )
