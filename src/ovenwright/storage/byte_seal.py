"""A hash of a file's bytes that stands in the file itself.

The digest of a run is over its content; this seal is over the file as it was written, so that a
changed byte is found even where no reading and no fact rests on it.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from ovenwright.errors import StorageTrouble

SEAL_KEY = b"ovenwright:seal"
BLANK = b"0" * 64
# how the foot of a Parquet file (thrift, compact) writes that key and the start of its value:
# text field, length 15, the key, text field, length 64
_SEAL_FIELD = b"\x18\x0f" + SEAL_KEY + b"\x18\x40"


def seal_place(content: bytes) -> int:
    """Return where the 64 characters of the byte seal stand, -1 where there is none."""
    at = content.rfind(_SEAL_FIELD)
    return at + len(_SEAL_FIELD) if 0 <= at <= len(content) - len(_SEAL_FIELD) - 64 else -1


def byte_seal(content: bytes, place: int) -> str:
    """SHA-256 of the file's bytes with the seal's own 64 characters as zeros."""
    view = memoryview(content)
    whole = hashlib.sha256(view[:place])
    whole.update(BLANK)
    whole.update(view[place + len(BLANK) :])
    return whole.hexdigest()


def stamp(path: Path) -> None:
    """Write the byte seal into a file that has the blank place for it.

    Raises
    ------
    StorageTrouble : if there is no such place, or more than one
    """
    content = path.read_bytes()
    place = seal_place(content)
    if content.count(_SEAL_FIELD) != 1 or content[place : place + 64] != BLANK:
        raise StorageTrouble("the byte seal found no place in the file", where=str(path))
    with path.open("rb+") as handle:
        handle.seek(place)
        handle.write(byte_seal(content, place).encode("ascii"))
