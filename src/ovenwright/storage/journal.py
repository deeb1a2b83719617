"""The journal of a recording: append-only, durable at each commit, readable while it grows."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Self

from ovenwright.domain.live import Reading
from ovenwright.errors import StorageTrouble, UsageError
from ovenwright.storage.durable import make_folder, whole_file
from ovenwright.storage.journal_frames import (
    ROWS_PER_FRAME,
    Frame,
    FrameKind,
    pack_facts,
    pack_readings,
    unpack,
)
from ovenwright.storage.journal_lock import RecorderLock, is_locked
from ovenwright.storage.journal_seen import Seen

SUFFIX = ".sqlite"
_HEAD_SUFFIX = ".head.json"
_LOCK_SUFFIX = ".lock"
_PAGE_BYTES = 16_384  # a frame fits whole into one page, so that it can be found in a wreck
_WAL_PAGES = 256
_BUSY_S = 5.0

_SCHEMA = """
CREATE TABLE head (id INTEGER PRIMARY KEY CHECK (id = 1), text TEXT NOT NULL) STRICT;
CREATE TABLE entry (
  seq INTEGER PRIMARY KEY,
  kind INTEGER NOT NULL,
  guest INTEGER NOT NULL,
  last_ns INTEGER,
  first_ns INTEGER,
  frame BLOB NOT NULL
) STRICT;
CREATE INDEX entry_last ON entry (last_ns) WHERE last_ns IS NOT NULL;
"""
_INSERT = "INSERT INTO entry (kind, guest, last_ns, first_ns, frame) VALUES (?, ?, ?, ?, ?)"


@dataclass(frozen=True, slots=True)
class JournalHead:
    """What is known of a recording when it begins.

    ``channels`` are the plan's channel names; a reading in the journal names its channel by its
    place in this list. ``started_ns`` is the time of day at which the recording began.
    """

    id: str
    title: str
    channels: tuple[str, ...]
    plan_toml: str
    started_ns: int
    time_zone: str = "UTC"
    interval_s: float = 1.0
    instrument: str = ""
    software: str = ""

    def text(self) -> str:
        """Return it as JSON that proves itself."""
        facts = asdict(self)
        return json.dumps({"head": facts, "sha256": _proof(facts)}, ensure_ascii=True)

    @classmethod
    def read(cls, text: str) -> JournalHead | None:
        """Return what :meth:`text` wrote, or None where it is damaged."""
        try:
            both = json.loads(text)
            facts = both["head"]
            if _proof(facts) != both["sha256"]:
                return None
            return cls(**(facts | {"channels": tuple(facts["channels"])}))
        except (ValueError, KeyError, TypeError):
            return None


def _proof(facts: Mapping[str, Any]) -> str:
    text = json.dumps(facts, ensure_ascii=True, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class JournalFiles:
    """The files that make up one journal."""

    database: Path

    @property
    def id(self) -> str:
        """The id of the run it will become."""
        return self.database.name.removesuffix(SUFFIX)

    @property
    def head(self) -> Path:
        """The head, kept beside as well in case the database's own is damaged."""
        return self.database.with_name(self.id + _HEAD_SUFFIX)

    @property
    def lock(self) -> Path:
        """The lock of the recorder at work."""
        return self.database.with_name(self.id + _LOCK_SUFFIX)

    @property
    def wal(self) -> Path:
        """What is committed and not yet moved into the database."""
        return self.database.with_name(self.database.name + "-wal")

    @property
    def content(self) -> tuple[Path, ...]:
        """All files but the lock."""
        shm = self.database.with_name(self.database.name + "-shm")
        return (self.wal, shm, self.database, self.head)

    @property
    def recording(self) -> bool:
        """Whether a living recorder writes to it."""
        return is_locked(self.lock)


def journal_files(folder: Path) -> tuple[JournalFiles, ...]:
    """Return every journal in a folder, by id; a head without a database counts too."""
    try:
        names = [p.name for p in folder.iterdir()]
    except OSError:
        return ()
    ids = {
        name.removesuffix(end)
        for name in names
        for end in (SUFFIX, _HEAD_SUFFIX)
        if name.endswith(end) and not name.startswith(".")
    }
    return tuple(JournalFiles(folder / (i + SUFFIX)) for i in sorted(ids))


@dataclass(frozen=True, slots=True)
class Appended:
    """What one commit added: ``new`` readings, ``repeated`` ones that were there already."""

    new: int
    repeated: int


def trouble_of(cause: sqlite3.Error, path: Path) -> StorageTrouble:
    """Return the error that tells what the database refused, and what to do."""
    code = getattr(cause, "sqlite_errorcode", 0) & 0xFF
    what, remedy = {
        sqlite3.SQLITE_FULL: ("the disk is full", "free some space; nothing is lost meanwhile"),
        sqlite3.SQLITE_IOERR: ("the disk refuses to write", "free some space, check the disk"),
        sqlite3.SQLITE_READONLY: ("the journal can't be written", "check the folder's permissions"),
        sqlite3.SQLITE_BUSY: ("another process holds the journal", "wait, or end that process"),
        sqlite3.SQLITE_CANTOPEN: ("the journal can't be opened", "check the folder and the disk"),
        sqlite3.SQLITE_CORRUPT: ("the journal is damaged", "run: ovenwright record --recover"),
        sqlite3.SQLITE_NOTADB: ("the journal is damaged", "run: ovenwright record --recover"),
    }.get(code, ("the journal can't be used", "check the disk and the folder"))
    return StorageTrouble(f"{what} ({cause})", where=str(path), remedy=remedy)


def is_damage(cause: BaseException | None) -> bool:
    """Whether an error of the database means damage that no waiting can mend."""
    code = getattr(cause, "sqlite_errorcode", 0) & 0xFF
    return code in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(
        path, isolation_level=None, timeout=_BUSY_S, check_same_thread=False
    )
    connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA wal_autocheckpoint = {_WAL_PAGES}")
    connection.execute("PRAGMA cache_size = -2048")
    return connection


class Journal:
    """A journal open for its one recorder. Made by :meth:`create` or :meth:`reopen`."""

    def __init__(
        self, files: JournalFiles, head: JournalHead, link: sqlite3.Connection, lock: RecorderLock
    ) -> None:
        self.files = files
        self.head = head
        self.count = 0
        self._link = link
        self._lock = lock
        self._numbers = {name: i for i, name in enumerate(head.channels)}
        self._seen = Seen()
        self._guest_seq = 0
        self._version = -1

    @classmethod
    def create(cls, folder: Path, head: JournalHead) -> Self:
        """Begin a journal.

        Raises
        ------
        StorageTrouble : if the disk refuses, or a journal of that id exists
        """
        make_folder(folder)
        files = JournalFiles(folder / (head.id + SUFFIX))
        if len(head.channels) > 65_535:
            raise UsageError(f"{len(head.channels)} channels are more than a journal can number")
        lock = RecorderLock(files.lock)
        link = None
        if files.database.exists():
            lock.release()
            raise StorageTrouble(
                "there is a journal of that name already",
                where=str(files.database),
                remedy="resume it with --resume, or seal it with: ovenwright record --recover",
            )
        try:
            with whole_file(files.head) as temp:
                temp.write_text(head.text(), encoding="ascii")
            link = _connect(files.database)
            link.executescript(f"BEGIN; {_SCHEMA} COMMIT;")
            link.execute("INSERT INTO head (id, text) VALUES (1, ?)", (head.text(),))
        except BaseException as cause:
            if link is not None:
                link.close()
            lock.release(remove=True)
            if isinstance(cause, sqlite3.Error):
                raise trouble_of(cause, files.database) from cause
            raise
        return cls(files, head, link, lock)

    @classmethod
    def reopen(cls, files: JournalFiles, head: JournalHead, *, newest: Mapping[str, int]) -> Self:
        """Go on with a journal that was left open.

        Parameters
        ----------
        newest : the newest reading's time of each channel, so that repeats are known

        Raises
        ------
        StorageTrouble : if another recorder is at work on it, or the disk refuses
        """
        lock = RecorderLock(files.lock)
        try:
            link = _connect(files.database)
        except sqlite3.Error as cause:
            lock.release()
            raise trouble_of(cause, files.database) from cause
        journal = cls(files, head, link, lock)
        journal._seen.continue_from(dict(newest))
        return journal

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # writing ------------------------------------------------------------------------------

    def append(
        self,
        readings: Sequence[Reading],
        facts: Iterable[tuple[FrameKind, Mapping[str, Any]]] = (),
        *,
        now_ns: int,
    ) -> Appended:
        """Write readings and facts in one transaction; when it returns they are on the disk.

        Readings that the journal holds already are left out. When it raises, nothing was written
        and the same call may be made again.

        Raises
        ------
        StorageTrouble : if the disk refuses
        """
        try:
            sifted = self._seen.sift(readings, self._held)
            kept = sifted.keep
            rows: list[tuple[int, int, int | None, int | None, bytes]] = []
            for start in range(0, len(kept), ROWS_PER_FRAME):
                part = kept[start : start + ROWS_PER_FRAME]
                times = [r.time_ns for r in part]
                frame = pack_readings(part, self._numbers, now_ns)[0]
                rows.append((FrameKind.READINGS, 0, max(times), min(times), frame))
            rows += [(k, 0, None, None, pack_facts(k, f, now_ns)) for k, f in facts]
            if rows:
                self._commit(rows)
        except sqlite3.Error as cause:
            raise trouble_of(cause, self.files.database) from cause
        self._seen.remember(kept)
        self.count += sifted.new
        return Appended(sifted.new, sifted.repeated)

    def _commit(self, rows: list[tuple[int, int, int | None, int | None, bytes]]) -> None:
        self._link.execute("BEGIN IMMEDIATE")
        try:
            self._link.executemany(_INSERT, rows)
            self._link.execute("COMMIT")
        except BaseException:
            if self._link.in_transaction:
                with suppress(sqlite3.Error):
                    self._link.execute("ROLLBACK")
            raise

    def forget_sequences(self, channels: Iterable[str]) -> None:
        """Take the instrument's count for begun anew."""
        self._seen.forget_sequences(channels)

    def _held(self, first_ns: int, last_ns: int) -> Iterable[tuple[str, int, float]]:
        found = self._link.execute(
            "SELECT frame FROM entry WHERE last_ns >= ? AND first_ns <= ?", (first_ns, last_ns)
        )
        for (data,) in found:
            frame = unpack(data)
            if frame is None:
                continue
            rows = frame.rows
            rows = rows[(rows["time_ns"] >= first_ns) & (rows["time_ns"] <= last_ns)]
            for row in rows.tolist():
                yield self.head.channels[row[5]], row[0], row[2]

    def reconnect(self) -> None:
        """Open the database anew after the disk refused; the lock stays held.

        Raises
        ------
        StorageTrouble : if that fails too
        """
        with suppress(sqlite3.Error):
            self._link.close()
        try:
            self._link = _connect(self.files.database)
        except sqlite3.Error as cause:
            raise trouble_of(cause, self.files.database) from cause

    # what others wrote --------------------------------------------------------------------

    def guests(self) -> tuple[Frame, ...]:
        """Return the marks and requests that other processes wrote since the last call."""
        try:
            version = int(self._link.execute("PRAGMA data_version").fetchone()[0])
            if version == self._version:
                return ()
            found = self._link.execute(
                "SELECT seq, frame FROM entry WHERE seq > ? AND guest = 1 ORDER BY seq",
                (self._guest_seq,),
            ).fetchall()
        except sqlite3.Error as cause:
            raise trouble_of(cause, self.files.database) from cause
        self._version = version
        if found:
            self._guest_seq = found[-1][0]
        return tuple(f for _, data in found if (f := unpack(data)) is not None)

    def skip_guests(self) -> None:
        """Leave aside what others wrote before now, as after a resumption."""
        self.guests()

    # ending -------------------------------------------------------------------------------

    def close_database(self) -> None:
        """Close the database and go on holding the lock, for sealing what is in it."""
        with suppress(sqlite3.Error):
            self._link.close()

    def close(self) -> None:
        """Close it; what files there are stay."""
        self.close_database()
        self._lock.release(remove=not self.files.database.exists())


def remove_files(files: JournalFiles) -> None:
    """Remove a journal's files but the lock."""
    for path in files.content:
        path.unlink(missing_ok=True)


def write_as_guest(
    files: JournalFiles, kind: FrameKind, facts: Mapping[str, Any], *, now_ns: int
) -> None:
    """Write a mark or a request into the journal of a recorder at work.

    Raises
    ------
    UsageError : if no recorder is at work on it
    StorageTrouble : if it can't be written
    """
    if not files.recording:
        raise UsageError(
            "no recording is going on there",
            where=files.id,
            remedy="marks for a sealed run are given with: ovenwright import --mark",
        )
    link = None
    try:
        link = sqlite3.connect(
            f"{files.database.absolute().as_uri()}?mode=rw",
            uri=True,
            isolation_level=None,
            timeout=_BUSY_S,
        )
        link.execute("PRAGMA synchronous = FULL")
        link.execute(_INSERT, (kind, 1, None, None, pack_facts(kind, facts, now_ns)))
    except sqlite3.Error as cause:
        raise trouble_of(cause, files.database) from cause
    finally:
        if link is not None:
            link.close()
