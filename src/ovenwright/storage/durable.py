"""Files that are there whole or not at all, even when the machine stops half-way."""

from __future__ import annotations

import errno
import os
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from ovenwright.errors import StorageTrouble

_REMEDIES: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("the disk is full", "free some space and try again"),
    errno.EDQUOT: ("the disk quota is used up", "free some space and try again"),
    errno.EFBIG: ("the file would grow beyond what this disk or user may hold", "use another disk"),
    errno.EROFS: ("the disk is read-only", "choose a folder that can be written"),
    errno.EACCES: ("no permission to write here", "choose a folder that you may write in"),
    errno.EPERM: ("no permission to write here", "choose a folder that you may write in"),
    errno.ENOENT: ("the folder does not exist and can't be made", "choose another folder"),
    errno.ENOTDIR: ("a file stands where a folder is needed", "move it or choose another folder"),
    errno.EEXIST: ("there is a file of that name already", "choose another name"),
    errno.EIO: ("the disk reports a hardware error", "use another disk and check this one"),
}


def trouble_from(cause: OSError, where: Path) -> StorageTrouble:
    """Return the error that tells what the operating system refused, and what to do."""
    words = cause.strerror or str(cause)
    what, remedy = _REMEDIES.get(cause.errno or 0, (words, "check the disk and the folder"))
    return StorageTrouble(f"{what} ({words})", where=str(where), remedy=remedy)


def make_folder(folder: Path) -> None:
    """Create a folder and those above it.

    Raises
    ------
    StorageTrouble : if the operating system refuses
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as cause:
        raise trouble_from(cause, folder) from cause


def sweep(folder: Path, *, older_than_s: float = 3600.0) -> None:
    """Remove what a killed process left half-written in a folder; newer files may be in use."""
    before = time.time() - older_than_s
    for path in folder.glob(".*.part"):
        with suppress(OSError):  # swept by another process, or not ours to remove
            if path.stat().st_mtime < before:
                path.unlink()


def sync_folder(folder: Path) -> None:
    """Make a rename in this folder survive a power cut, where the system offers that."""
    if os.name == "nt":  # a folder can't be opened there; the rename is journalled
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as cause:
        if cause.errno not in {
            errno.EINVAL,
            errno.ENOTSUP,
        }:  # some network mounts know no such call
            raise
    finally:
        os.close(handle)


def _publish(temp: Path, target: Path, *, overwrite: bool) -> None:
    if overwrite:
        temp.replace(target)
        return
    try:
        # a hard link refuses a name that is taken, in one step; a rename would overwrite it
        target.hardlink_to(temp)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if target.exists():
            raise FileExistsError(errno.EEXIST, "File exists", str(target)) from None
        temp.rename(target)
    else:
        temp.unlink()


@contextmanager
def whole_file(target: Path, *, overwrite: bool = False, read_only: bool = False) -> Iterator[Path]:
    """Yield a temporary path beside ``target``; on leaving it becomes ``target``, durably.

    When the body raises, or the machine refuses, nothing is left behind and an existing
    ``target`` is untouched. With ``read_only`` the file can't be written to by accident later.

    Raises
    ------
    StorageTrouble : if the operating system refuses, or ``target`` exists and ``overwrite`` is off
    """
    make_folder(target.parent)
    temp = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        yield temp
        with temp.open("rb+") as handle:
            os.fsync(handle.fileno())
        if read_only:
            temp.chmod(0o444)
        _publish(temp, target, overwrite=overwrite)
        sync_folder(target.parent)
    except OSError as cause:
        raise trouble_from(cause, target) from cause
    finally:
        temp.unlink(missing_ok=True)
