"""What has come and is not yet durable, and its way into the journal."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from ovenwright.domain.live import Batch, Reading
from ovenwright.domain.run import NS
from ovenwright.errors import OvenwrightError, StorageTrouble
from ovenwright.recording.pace import Pace, Telling
from ovenwright.storage.journal import Journal, JournalFiles, JournalHead, is_damage
from ovenwright.storage.journal_frames import Frame, FrameKind

_TOLD_AGAIN_NS = 5 * NS


class Store:
    """Holds batches until the disk has them, then acknowledges them.

    While the disk refuses, batches stay here and are tried again; nothing is acknowledged.
    """

    def __init__(self, tell: Telling, pace: Pace) -> None:
        self._tell = tell
        self._pace = pace
        self._journal: Journal | None = None
        self._batches: deque[Batch] = deque()
        self._facts: list[tuple[FrameKind, Mapping[str, Any]]] = []
        self._retry_at_ns = 0
        self._refused = False
        self._refused_told_ns = 0
        self._told_ns = 0
        self.unflushed = 0

    def take_up(self, journal: Journal) -> None:
        """Write into this journal from now on."""
        self._journal = journal

    @property
    def head(self) -> JournalHead:
        """The head of the journal."""
        return self._open.head

    @property
    def _open(self) -> Journal:
        if self._journal is None:
            raise StorageTrouble("the recording has no journal yet")
        return self._journal

    @property
    def run_id(self) -> str:
        """The id of the run, empty before it begins."""
        return self._journal.head.id if self._journal else ""

    @property
    def path(self) -> Path:
        """The journal's file."""
        return self._open.files.database

    @property
    def count(self) -> int:
        """How many readings are durable."""
        return self._journal.count if self._journal else 0

    def add_readings(self, readings: Sequence[Reading]) -> None:
        """Take in readings that nobody waits to see acknowledged."""
        if readings:
            self.add_batch(Batch(tuple(readings)))

    def add_batch(self, batch: Batch) -> None:
        """Take in a batch; it is acknowledged when it is durable."""
        self._batches.append(batch)
        self.unflushed += len(batch.readings)

    def add_fact(self, kind: FrameKind, facts: Mapping[str, Any]) -> None:
        """Take in a mark, a notice or an event."""
        self._facts.append((kind, facts))

    def count_begins_anew(self, channels: Iterable[str]) -> None:
        """Take the count of the instrument for begun anew."""
        self._open.forget_sequences(channels)

    def guests(self) -> tuple[Frame, ...]:
        """Return what other processes wrote into the journal; nothing while the disk refuses."""
        if self._refused:
            return ()
        with suppress(StorageTrouble):
            return self._open.guests()
        return ()

    def flush(self, now_ns: int, monotonic_ns: int, *, final: bool = False) -> bool:
        """Make durable what there is; return whether nothing is left over.

        Raises
        ------
        StorageTrouble : only if the journal is damaged, which no waiting mends
        """
        if self._refused and monotonic_ns < self._retry_at_ns and not final:
            return False
        try:
            if self._refused:
                self._open.reconnect()
            while self._batches or self._facts:
                self._commit_some(now_ns)
        except StorageTrouble as trouble:
            if is_damage(trouble.__cause__):
                raise
            self._note_refusal(trouble, monotonic_ns)
            return False
        if self._refused:
            self._refused = False
            self._tell("disk takes again", {"run": self.run_id, "count": self.count})
            self._told_ns = 0
        if final or monotonic_ns - self._told_ns >= self._pace.told_s * NS:
            self._told_ns = monotonic_ns
            self._tell("durable", {"run": self.run_id, "count": self.count})
        return True

    def _commit_some(self, now_ns: int) -> None:
        part: list[Batch] = []
        readings: list[Reading] = []
        for batch in self._batches:
            if part and len(readings) + len(batch.readings) > self._pace.most_a_commit:
                break
            part.append(batch)
            readings += batch.readings
        facts = self._facts
        self._open.append(readings, facts, now_ns=now_ns)
        self._facts = []
        for batch in part:
            self._batches.popleft()
            self.unflushed -= len(batch.readings)
            # it is durable, whether or not its sender can still be told
            with suppress(OvenwrightError, OSError):
                batch.acknowledge()

    def _note_refusal(self, trouble: StorageTrouble, monotonic_ns: int) -> None:
        self._retry_at_ns = monotonic_ns + round(self._pace.retry_s * NS)
        if self._refused and monotonic_ns - self._refused_told_ns < _TOLD_AGAIN_NS:
            return
        self._refused = True
        self._refused_told_ns = monotonic_ns
        self._tell(
            "disk refuses",
            {
                "run": self.run_id,
                "error": str(trouble),
                "count": self.count,
                "unflushed": self.unflushed,
                "room_for": max(0, self._pace.most_in_memory - self.unflushed),
            },
        )

    def release(self) -> JournalFiles:
        """Close the journal but keep others away from it, and return its files."""
        files = self._open.files
        self._open.close_database()
        return files

    def close(self) -> None:
        """Close the journal; its files stay."""
        if self._journal is not None:
            self._journal.close()
