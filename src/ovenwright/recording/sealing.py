"""From a journal to a sealed run, proven by reading it back before the journal goes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

from ovenwright.domain.run import Run
from ovenwright.errors import StorageTrouble, UnknownName
from ovenwright.recording.assembling import run_from
from ovenwright.storage.durable import make_folder
from ovenwright.storage.journal import JournalFiles, remove_files
from ovenwright.storage.journal_lock import RecorderLock
from ovenwright.storage.journal_reading import Recovered, recover
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.proofs import proof_note

DAMAGED = "damaged"
"""Folder beside the journals where those that were damaged are kept, as evidence."""


@dataclass(frozen=True, slots=True)
class Sealed:
    """A recording that is sealed: the run, and what was wrong with its journal."""

    run: Run
    damage: tuple[str, ...] = ()
    unfinished: int = 0
    interrupted: bool = False


@contextmanager
def journal_held(files: JournalFiles) -> Iterator[None]:
    """Keep every recorder away from a journal meanwhile.

    Raises
    ------
    StorageTrouble : if one is at work on it
    """
    lock = RecorderLock(files.lock)
    try:
        yield
    finally:
        lock.release(remove=not files.database.exists())


def seal_left_behind(logbook: Logbook, files: JournalFiles) -> Sealed:
    """Seal a journal whose recorder died.

    Raises
    ------
    StorageTrouble : if a recorder is at work on it, or the disk refuses
    TooLittleData : if it is sound and holds no reading; such a journal is removed
    """
    with journal_held(files):
        if not any(path.exists() for path in files.content):
            raise StorageTrouble(
                "another program has sealed this recording meanwhile",
                where=files.id,
                remedy="see it with: ovenwright runs",
            )
        recovered = recover(files)
        if not len(recovered.rows):
            if recovered.damage:
                _keep_damaged(files)
                raise StorageTrouble(
                    f"no reading could be saved from the journal: {recovered.damage[0]}",
                    where=files.id,
                    remedy=f"its files were moved to {files.database.parent / DAMAGED}",
                )
            remove_files(files)
        return seal_recovered(logbook, recovered, interrupted=True)


def seal_recovered(logbook: Logbook, recovered: Recovered, *, interrupted: bool) -> Sealed:
    """Seal what was read of a journal, prove it by reading back, and only then remove the journal.

    A journal that was damaged is kept, in a folder beside. The caller holds the journal's lock.

    Raises
    ------
    StorageTrouble : if the disk refuses, or what is read back is not what was sealed
    TooLittleData : if there is no reading in it
    """
    logbook = Logbook(logbook.folder)  # which does not come back here for a name it lacks
    ended = any(e.get("event") == "stopped" for e in recovered.events)
    run = run_from(recovered, interrupted=interrupted and not ended)
    run = replace(run, notes=(*run.notes, *proof_note(logbook, run)))
    sealed = _sealed_before(logbook, run) or logbook.seal(_free_name(logbook, run))
    facts = logbook.verify(sealed.id).facts
    if facts.samples != run.samples or facts.digest != sealed.digest:
        raise StorageTrouble(
            "the sealed run does not read back as it was sealed",
            where=sealed.id,
            remedy="the journal was kept: check the disk, then run: ovenwright record --recover",
        )
    if recovered.damage:
        _keep_damaged(recovered.files)
    else:
        remove_files(recovered.files)
    return Sealed(sealed, recovered.damage, recovered.unfinished, interrupted)


def _sealed_before(logbook: Logbook, run: Run) -> Run | None:
    """Return the run where it was sealed already and only the journal's removal was cut short."""
    try:
        there = logbook.open(run.id)
    except (UnknownName, StorageTrouble):
        return None
    if there.id != run.id or there.samples != run.samples or set(there.series) != set(run.series):
        return None
    same = all(
        there.series[name].time_ns.tobytes() == one.time_ns.tobytes()
        and there.series[name].value_c.tobytes() == one.value_c.tobytes()
        for name, one in run.series.items()
    )
    return there if same else None


def _free_name(logbook: Logbook, run: Run) -> Run:
    taken = set(logbook.run_ids())
    name, count = run.id, 1
    while name in taken:
        count += 1
        name = f"{run.id}-{count}"
    return replace(run, id=name)


def _keep_damaged(files: JournalFiles) -> None:
    folder = files.database.parent / DAMAGED
    make_folder(folder)
    for path in files.content:
        if path.exists():
            path.replace(folder / path.name)
