"""Journals read by others: followed while they grow, and recovered when they were wrecked."""

from __future__ import annotations

import mmap
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from ovenwright.domain.live import Reading
from ovenwright.domain.run import Quality
from ovenwright.errors import StorageTrouble
from ovenwright.storage.durable import trouble_from
from ovenwright.storage.journal import Journal, JournalFiles, JournalHead, trouble_of
from ovenwright.storage.journal_frames import (
    NO_SEQUENCE,
    ROW,
    UNITS,
    Frame,
    FrameKind,
    carve,
    unpack,
)

Rows = npt.NDArray[np.void]


def _read_only(files: JournalFiles) -> sqlite3.Connection:
    link = sqlite3.connect(
        f"{files.database.absolute().as_uri()}?mode=ro",
        uri=True,
        isolation_level=None,
        timeout=5.0,
        check_same_thread=False,
    )
    link.execute("PRAGMA query_only = 1")
    return link


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of a journal as a follower gets it."""

    seq: int
    frame: Frame


class JournalReader:
    """Follows a journal that another process writes; it can't disturb the recorder.

    Raises
    ------
    StorageTrouble : if there is no such journal or it can't be read
    """

    def __init__(self, files: JournalFiles) -> None:
        self.files = files
        try:
            self._link = _read_only(files)
            row = self._link.execute("SELECT text FROM head").fetchone()
        except sqlite3.Error as cause:
            raise trouble_of(cause, files.database) from cause
        head = JournalHead.read(row[0]) if row else None
        if head is None:
            self._link.close()
            raise StorageTrouble("the journal has no sound head", where=str(files.database))
        self.head = head

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def tail(self, since_seq: int = 0, *, limit: int = 1000) -> tuple[Entry, ...]:
        """Return the rows after ``since_seq``, in the order they were made durable.

        Raises
        ------
        StorageTrouble : if it can't be read
        """
        try:
            found = self._link.execute(
                "SELECT seq, frame FROM entry WHERE seq > ? ORDER BY seq LIMIT ?",
                (since_seq, limit),
            ).fetchall()
        except sqlite3.Error as cause:
            raise trouble_of(cause, self.files.database) from cause
        return tuple(Entry(s, f) for s, data in found if (f := unpack(data)) is not None)

    def close(self) -> None:
        """Stop following."""
        self._link.close()


@dataclass(frozen=True, slots=True)
class Recovered:
    """All that could be read of a journal.

    ``rows`` is (n,) of ``journal_frames.ROW`` in the order of arrival, repeats among them.
    ``damage`` names what is wrong; empty where the journal is sound. ``unfinished`` counts readings
    of a write that was cut short by the death of the recorder: sound, though never reported durable.
    """

    files: JournalFiles
    head: JournalHead
    rows: Rows
    marks: tuple[dict[str, Any], ...]
    notices: tuple[dict[str, Any], ...]
    events: tuple[dict[str, Any], ...]
    damage: tuple[str, ...] = ()
    unfinished: int = 0
    last_received_ns: int = 0

    @property
    def unique(self) -> int:
        """How many readings there are, repeats not counted."""
        return len(_unique_keys(self.rows))


def _unique_keys(rows: Rows) -> Rows:
    keys = np.empty(len(rows), dtype=[("channel", "<u2"), ("time_ns", "<i8")])
    keys["channel"], keys["time_ns"] = rows["channel"], rows["time_ns"]
    return np.unique(keys)


def count_readings(files: JournalFiles) -> int:
    """Return how many readings a journal holds, repeats not counted; 0 where it can't be read."""
    rows = []
    with suppress(sqlite3.Error), closing(_read_only(files)) as link:
        for (data,) in link.execute("SELECT frame FROM entry WHERE kind = 1"):
            frame = unpack(data)
            if frame is not None:
                rows.append(frame.rows)
    return len(_unique_keys(np.concatenate(rows))) if rows else 0


def recover(files: JournalFiles) -> Recovered:
    """Read all that can be read of a journal, sound or wrecked; nothing on disk is changed.

    The database is read the regular way first. Then the bytes of its files are searched for frames
    that prove themselves; frames found only there were cut off by damage, or by the recorder's
    death in the midst of a write.

    Raises
    ------
    StorageTrouble : if the files can't be read at all
    """
    damage: list[str] = []
    carved = list(_carved(files))
    regular, bad = _regular(files, damage)
    known = {(f.kind, f.received_ns, f.body) for f in regular}
    extra: list[Frame] = []
    for frame in carved:
        key = (frame.kind, frame.received_ns, frame.body)
        if key not in known:
            known.add(key)
            extra.append(frame)
    last = max((f.received_ns for f in regular), default=-(1 << 63))
    late = [f for f in extra if f.received_ns > last]
    unfinished = 0
    if extra and not damage and len(late) == len(extra) and not bad and _one_commit(late):
        unfinished = sum(f.count for f in late if f.kind is FrameKind.READINGS)
    elif extra:
        count = sum(f.count for f in extra if f.kind is FrameKind.READINGS)
        damage.append(f"{count} readings were cut off from the database and found in its bytes")
    head = _head(files, damage)
    frames = sorted([*regular, *extra], key=lambda f: f.received_ns) if extra else regular
    rows = [f.rows for f in frames if f.kind is FrameKind.READINGS]
    together = np.concatenate(rows) if rows else np.empty(0, dtype=ROW)
    if len(together) and int(together["channel"].max()) >= len(head.channels):
        names = [*head.channels]
        names += [f"channel {i + 1}" for i in range(len(names), int(together["channel"].max()) + 1)]
        head = JournalHead(
            head.id, head.title, tuple(names), head.plan_toml, head.started_ns, head.time_zone,
            head.interval_s, head.instrument, head.software,
        )  # fmt: skip

    def facts(kind: FrameKind) -> tuple[dict[str, Any], ...]:
        return tuple(f.facts | {"at_ns": f.received_ns} for f in frames if f.kind is kind)

    return Recovered(
        files=files,
        head=head,
        rows=together,
        marks=facts(FrameKind.MARK),
        notices=facts(FrameKind.NOTICE),
        events=facts(FrameKind.EVENT),
        damage=tuple(damage),
        unfinished=unfinished,
        last_received_ns=max((f.received_ns for f in frames), default=0),
    )


def resume(held: Recovered) -> Journal:
    """Go on with a journal that was read and found sound.

    Readings of a write that was cut short are written anew: the database itself let go of them.

    Raises
    ------
    StorageTrouble : if the journal is damaged, another recorder is at work on it, or the disk refuses
    """
    if held.damage:
        raise StorageTrouble(
            f"the journal is damaged and can't be gone on with: {held.damage[0]}",
            where=str(held.files.database),
            remedy="seal what can be read of it: ovenwright record --recover",
        )
    settled = held.rows[: len(held.rows) - held.unfinished]
    names = held.head.channels
    journal = Journal.reopen(held.files, held.head, newest=newest_times(held))
    journal.count = len(_unique_keys(settled))
    try:
        again = [_reading(row, names) for row in held.rows[len(settled) :].tolist()]
        if again:
            journal.append(again, now_ns=held.last_received_ns)
    except BaseException:
        journal.close()
        raise
    return journal


def newest_times(held: Recovered) -> dict[str, int]:
    """Return the time of each channel's newest reading, UTC ns; channels without one are left out."""
    settled = held.rows[: len(held.rows) - held.unfinished]
    names = held.head.channels
    return {
        names[int(n)]: int(settled["time_ns"][settled["channel"] == n].max())
        for n in np.unique(settled["channel"])
    }


def _reading(row: tuple[Any, ...], names: tuple[str, ...]) -> Reading:
    time_ns, received_ns, value, reference_c, sequence, channel, quality, unit, late = row
    return Reading(
        names[channel],
        time_ns,
        received_ns,
        value,
        UNITS[unit],
        Quality(quality),
        reference_c,
        sequence=None if sequence == NO_SEQUENCE else sequence,
        late=bool(late),
    )


def _one_commit(frames: list[Frame]) -> bool:
    return len({f.received_ns for f in frames}) <= 1


def _carved(files: JournalFiles) -> Iterator[Frame]:
    for path in (files.database, files.wal):
        try:
            with path.open("rb") as handle:
                if handle.seek(0, 2) == 0:
                    continue
                with mmap.mmap(handle.fileno(), 0, access=mmap.ACCESS_READ) as data:
                    yield from carve(data)
        except FileNotFoundError:
            continue
        except OSError as cause:
            raise trouble_from(cause, path) from cause


def _regular(files: JournalFiles, damage: list[str]) -> tuple[list[Frame], int]:
    found: list[Frame] = []
    bad = 0
    if not files.database.exists():
        damage.append("the database is gone")
        return found, bad
    try:
        with closing(_read_only(files)) as link:
            for seq, data in link.execute("SELECT seq, frame FROM entry ORDER BY seq"):
                frame = unpack(data) if isinstance(data, bytes) else None
                if frame is None:
                    bad += 1
                    after = found[-1].received_ns if found else 0
                    when = f", after {np.datetime64(after, 's')}Z" if after else ""
                    damage.append(f"row {seq} is damaged and left out{when}")
                else:
                    found.append(frame)
            for (word,) in link.execute("PRAGMA integrity_check(3)"):
                if word != "ok":
                    damage.append(f"the database's structure is damaged: {word}")
    except (sqlite3.Error, OverflowError, UnicodeDecodeError) as cause:
        damage.append(f"the database can't be read to its end ({cause})")
    return found, bad


def _head(files: JournalFiles, damage: list[str]) -> JournalHead:
    text = _text(files.head)
    head = JournalHead.read(text) if text else None
    if head is not None:
        return head
    try:
        with closing(_read_only(files)) as link:
            row = link.execute("SELECT text FROM head").fetchone()
        head = JournalHead.read(row[0]) if row else None
    except (sqlite3.Error, UnicodeDecodeError):
        head = None
    if head is None:
        damage.append("the facts of the recording, with plan and channel names, are lost")
        return JournalHead(files.id, "", (), "", 0)
    if text is not None:
        damage.append("the head beside the journal is damaged; the one inside was used")
    return head


def _text(path: Path) -> str | None:
    try:
        return path.read_text(encoding="ascii", errors="replace")
    except OSError:
        return None
