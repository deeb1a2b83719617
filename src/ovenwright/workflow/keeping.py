"""List what the logbook keeps, with an index that follows the sealed files."""

from __future__ import annotations

import math
import time
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any
from weakref import WeakKeyDictionary

from ovenwright.catalogue.catalogue import Catalogue
from ovenwright.catalogue.entries import JudgementEntry, MeasureEntry, RunEntry
from ovenwright.errors import CatalogueTrouble, OvenwrightError, StorageTrouble
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.run_facts import SealedFacts, ns_from_iso


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
    offset: int = 0


@dataclass(frozen=True, slots=True)
class Listing:
    """Runs that fit a wish, the one sealed last first, and what could not be read.

    ``total`` counts all runs of the logbook, ``fitting`` those that fit, shown or not.
    """

    runs: tuple[RunEntry, ...]
    total: int
    troubles: tuple[str, ...] = ()
    fitting: int = 0


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
        offset=wish.offset,
    )
    fitting = len(runs)
    if wish.offset or (wish.limit is not None and fitting >= wish.limit):
        fitting = catalogue.count(
            text=wish.text,
            oven=wish.oven,
            product=wish.product,
            verdict=wish.verdict,
            since_ns=wish.since_ns,
            until_ns=wish.until_ns,
        )
    return Listing(runs, len(catalogue.run_ids()), troubles, fitting)


def _remove_index(logbook: Logbook) -> None:
    file = logbook.catalogue_file
    for path in (file, *(file.with_name(file.name + end) for end in ("-wal", "-shm", "-journal"))):
        try:
            path.unlink(missing_ok=True)
        except OSError:  # left where it is; the caller goes on in memory
            return


_SETTLED_NS = 2_000_000_000
"""A folder's time is coarse: what changed just now may change again under the same time."""
_seen: WeakKeyDictionary[Catalogue, dict[str, int]] = WeakKeyDictionary()
"""For each index, which folders of judgements it agreed with, and when they last changed."""


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
    seen = {} if rebuild else _seen.setdefault(catalogue, {})
    recent = time.time_ns() - _SETTLED_NS
    for run_id, changed in logbook.judged_when().items():
        if run_id not in indexed or seen.get(run_id) == changed:
            continue
        same = counts.get(run_id, 0) == logbook.judgement_count(run_id)
        if same and changed < recent:
            seen[run_id] = changed  # a list of thousands must not look into each folder every time
        if same:
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
