"""One recorder at a time on a journal: a lock that the operating system lets go of by itself."""

from __future__ import annotations

import json
import os
import sys
import time
from contextlib import suppress
from pathlib import Path

from ovenwright.errors import StorageTrouble
from ovenwright.storage.durable import trouble_from

if sys.platform == "win32":  # pragma: no cover
    import msvcrt

    def _take(handle: int) -> None:
        os.lseek(handle, 1 << 20, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


class RecorderLock:
    """Held while a recorder writes; a killed process leaves nothing that would keep others out.

    Parameters
    ----------
    path : the lock's file, made when missing

    Raises
    ------
    StorageTrouble : if another process holds it, naming that process, or the disk refuses
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        while True:
            try:
                handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o644)
            except OSError as cause:
                raise trouble_from(cause, path) from cause
            try:
                _take_patiently(handle)
            except OSError as cause:
                os.close(handle)
                holder = _holder(path)
                raise StorageTrouble(
                    f"another recorder is at work on this run{holder}",
                    where=str(path.with_suffix(".sqlite")),
                    remedy="stop it first, or record a run of its own",
                ) from cause
            if _same_file(handle, path):
                break
            os.close(handle)  # the holder before us removed the file between our two steps
        os.ftruncate(handle, 0)
        os.write(handle, json.dumps({"process": os.getpid()}).encode())
        self._handle = handle

    def release(self, *, remove: bool = False) -> None:
        """Let go; ``remove`` takes the file away too, for a journal that is done."""
        if self._handle < 0:
            return
        if remove:
            with suppress(OSError):  # left behind, it keeps nobody out
                self._path.unlink()
        os.close(self._handle)
        self._handle = -1


def _take_patiently(handle: int) -> None:
    for pause_s in (0.01, 0.03, 0.1, 0.0):
        try:
            _take(handle)
        except OSError:
            if not pause_s:
                raise
            time.sleep(pause_s)  # someone may only be looking whether it is held
        else:
            return


def _same_file(handle: int, path: Path) -> bool:
    try:
        there = path.stat()
    except FileNotFoundError:
        return False
    mine = os.fstat(handle)
    return (mine.st_dev, mine.st_ino) == (there.st_dev, there.st_ino)


def _holder(path: Path) -> str:
    try:
        return f" (process {json.loads(path.read_text())['process']})"
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def is_locked(path: Path) -> bool:
    """Whether a living recorder holds the lock."""
    try:
        handle = os.open(path, os.O_RDWR | getattr(os, "O_CLOEXEC", 0))
    except OSError:
        return False
    try:
        _take(handle)
    except OSError:
        return True
    finally:
        os.close(handle)
    return False
