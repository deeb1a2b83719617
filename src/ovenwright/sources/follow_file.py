"""Readings from a file that another program is still writing, and from standard input."""

from __future__ import annotations

import os
import select
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from ovenwright.domain.live import Batch, Clock, NoticeKind, Stopping
from ovenwright.domain.sources.follow_file import FollowFileSource, StandardInputSource
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.back_off import BackOff
from ovenwright.sources.opening import Opening
from ovenwright.sources.serial_text import LineTaker
from ovenwright.sources.staying_connected import LinkLife
from ovenwright.wire.line_cutting import LineCutter
from ovenwright.wire.text_lines import TextReader

CHUNK = 65_536
_LOOK_S = 0.2
_HEAD = 256
"""So many bytes at the beginning tell whether it is still the same text."""


class FollowedFile:
    """A text file that another program is still writing.

    The file may be missing, renamed away and begun anew (rotation), or emptied and written again:
    what was written before is read to its end first, then the new text from its beginning. A last
    line without its end waits for it. A file that was emptied and has grown beyond the old place
    between two looks is known by its first bytes.

    Parameters
    ----------
    plan : the file as the plan describes it
    clock : the time of day
    folder : where a relative path starts

    Raises
    ------
    UsageError : if the mapping of the text can't be used
    """

    def __init__(self, plan: FollowFileSource, clock: Clock, folder: Path = Path()) -> None:
        self._plan = plan
        self._clock = clock
        self._path = folder / Path(plan.path).expanduser()
        self._reader = TextReader(plan.text, plan.channels)
        self._first = True

    @property
    def name(self) -> str:
        """What people call it."""
        return self._plan.name or f"file {self._plan.path}"

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver batches until told to stop.

        Raises
        ------
        InstrumentTrouble : if it is a folder, or this user may not read it
        """
        life = LinkLife(
            waits_for=self._plan.path,
            deliver=deliver,
            stopping=stopping,
            clock=self._clock,
            back_off=BackOff(first_s=self._plan.look_every_s, most_s=2.0),
        )
        taker = LineTaker(self._reader, silent_after_s=self._plan.silent_after_s, life=life)
        life.keep(lambda: self._session(life, taker))

    def _session(self, life: LinkLife, taker: LineTaker) -> None:
        try:
            # no buffer: what is read is what stands there now
            file = self._path.open("rb", buffering=0)
        except FileNotFoundError:
            self._first = False  # begun while it is waited for, all of it is new
            raise
        except (PermissionError, IsADirectoryError) as cause:
            raise InstrumentTrouble(
                "the file can't be read: " + (cause.strerror or "refused").lower(),
                where=str(self._path),
                remedy="name a file this user may read",
            ) from cause
        with file:
            life.connected()
            taker.begin()
            there = os.fstat(file.fileno()).st_size if self._first else 0
            self._first = False
            self._follow(file, there, life, taker)

    def _follow(self, file: BinaryIO, there: int, life: LinkLife, taker: LineTaker) -> None:
        """Read to the end again and again; return when told to stop or a new file took its place.

        ``there`` is the size of what stood there when the recording began.
        """
        skips = self._plan.already_there == "skip"
        place, head, at_end = 0, b"", False
        cutter = self._cutter()
        while not life.stopping.is_set():
            change = self._change(file, place, head) if at_end else ""
            if change == "replaced":
                self._drain(file, cutter, taker)
                life.tell(
                    NoticeKind.WAITING, f"{self._plan.path} was begun anew; reading the new one"
                )
                self._reader.begin_anew()
                return
            if change == "cut short":
                life.tell(
                    NoticeKind.WAITING,
                    f"{self._plan.path} was cut short; reading from its beginning",
                )
                self._reader.begin_anew()
                file.seek(0)
                place, head, there, cutter = 0, b"", 0, self._cutter()
                taker.begin()
            data = file.read(min(CHUNK, there - place) if place < there else CHUNK)
            at_end = not data
            if at_end:
                taker.take([], dropped=cutter.dropped)
                life.stopping.wait(self._plan.look_every_s)
                continue
            lines = cutter.feed(data)
            already = place < there
            place += len(data)
            head = head or data[:_HEAD]
            if already and skips:
                self._note_headings(lines)
                if place + 2 * CHUNK < there:  # no need to read all of it; keep to even bytes
                    place = file.seek((there - CHUNK) & ~1)
                continue
            taker.take(lines, dropped=cutter.dropped, late=already)

    def _drain(self, file: BinaryIO, cutter: LineCutter, taker: LineTaker) -> None:
        while data := file.read(CHUNK):
            taker.take(cutter.feed(data), dropped=cutter.dropped)
        taker.take(cutter.finish(), dropped=cutter.dropped)

    def _cutter(self) -> LineCutter:
        return LineCutter(encoding=self._plan.text.encoding, longest=self._plan.text.longest_line)

    def _note_headings(self, lines: list[str]) -> None:
        """Of lines that are passed over, let the reader see the headings."""
        for line in lines:
            if not self._reader.awaits_headings:
                return
            self._reader.decode(line, received_ns=self._clock.now_ns())

    def _change(self, file: BinaryIO, place: int, head: bytes) -> str:
        """Return what became of the file, "" where it is the same and only grows."""
        here = os.fstat(file.fileno())
        try:
            there = self._path.stat()
        except FileNotFoundError:
            there = here  # renamed, and the new one not begun yet: its last lines may still come
        if (there.st_ino, there.st_dev) != (here.st_ino, here.st_dev):
            return "replaced"
        if here.st_size < place:
            return "cut short"
        if here.st_size > place and head:
            file.seek(0)
            again = file.read(len(head))
            file.seek(place)
            if again != head:
                return "cut short"
        return ""


class StandardInput:
    """Lines that another program pipes into this one.

    When the input ends that is told as a lost link; the source then waits to be stopped, so that
    what came before is kept.

    Parameters
    ----------
    plan : the input as the plan describes it
    clock : the time of day
    descriptor : file descriptor to read from

    Raises
    ------
    UsageError : if the mapping of the text can't be used
    """

    def __init__(self, plan: StandardInputSource, clock: Clock, descriptor: int = 0) -> None:
        self._plan = plan
        self._clock = clock
        self._descriptor = descriptor
        self._reader = TextReader(plan.text, plan.channels)

    @property
    def name(self) -> str:
        """What people call it."""
        return self._plan.name or "standard input"

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver batches until told to stop."""
        life = LinkLife(
            waits_for="standard input", deliver=deliver, stopping=stopping, clock=self._clock
        )
        taker = LineTaker(self._reader, silent_after_s=self._plan.silent_after_s, life=life)
        cutter = LineCutter(encoding=self._plan.text.encoding, longest=self._plan.text.longest_line)
        life.connected()
        while not stopping.is_set():
            data = self._read()
            if data is None:
                taker.take([], dropped=cutter.dropped)
                continue
            if not data:
                taker.take(cutter.finish(), dropped=cutter.dropped)
                life.tell(NoticeKind.LOST, "standard input has ended")
                while not stopping.is_set():
                    stopping.wait(0.5)
                return
            taker.take(cutter.feed(data), dropped=cutter.dropped)

    def _read(self) -> bytes | None:
        """Return what came, b"" at the end, None when nothing came for a moment."""
        if os.name == "posix":
            ready, _, _ = select.select([self._descriptor], [], [], _LOOK_S)
            if not ready:
                return None
        try:
            return os.read(self._descriptor, CHUNK)
        except OSError:
            return b""


def open_follow_file(plan: FollowFileSource, opening: Opening) -> FollowedFile:
    """Return the source; nothing is opened before it runs."""
    return FollowedFile(plan, opening.clock, opening.folder)


def open_standard_input(plan: StandardInputSource, opening: Opening) -> StandardInput:
    """Return the source; nothing is read before it runs."""
    return StandardInput(plan, opening.clock)
