"""The journal's rows as bytes: each frame proves itself, so that it can be found in a wreck."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from mmap import mmap
from typing import Any

import numpy as np
import numpy.typing as npt

from ovenwright.domain.live import Reading

MAGIC = b"OWJ\x01"
_HEAD = struct.Struct("<4sIIBqH")  # magic, checksum, body length, kind, received ns, count
_ROW = struct.Struct("<qqddqHBBB")
_CHECKED_FROM = 8  # the checksum covers all that follows it
NO_SEQUENCE = -(1 << 63)

ROW = np.dtype(
    [
        ("time_ns", "<i8"),
        ("received_ns", "<i8"),
        ("value", "<f8"),
        ("reference_c", "<f8"),
        ("sequence", "<i8"),
        ("channel", "<u2"),
        ("quality", "u1"),
        ("unit", "u1"),
        ("late", "u1"),
    ]
)
"""One reading in the journal: value in its own unit, channel and unit by their number."""

UNITS = ("degC", "degF", "K", "mV", "ohm", "signal")
_UNIT_NUMBER = {name: i for i, name in enumerate(UNITS)}

ROWS_PER_FRAME = 350
"""So that a frame stays whole inside one page of the journal, even if nothing compresses."""
_LONGEST_BODY = 1 << 16


class FrameKind(IntEnum):
    """What a frame holds."""

    READINGS = 1
    MARK = 2
    NOTICE = 3
    EVENT = 4


@dataclass(frozen=True, slots=True)
class Frame:
    """One row of the journal, taken apart. ``rows`` is (n,) of :data:`ROW` for readings."""

    kind: FrameKind
    received_ns: int
    count: int
    body: bytes

    @property
    def rows(self) -> npt.NDArray[np.void]:
        """The readings."""
        return np.frombuffer(zlib.decompress(self.body), dtype=ROW)

    @property
    def facts(self) -> dict[str, Any]:
        """What a mark, a notice or an event says."""
        return dict(json.loads(self.body))


def _framed(kind: FrameKind, received_ns: int, count: int, body: bytes) -> bytes:
    head = _HEAD.pack(MAGIC, 0, len(body), kind, received_ns, count)
    checksum = zlib.crc32(body, zlib.crc32(head[_CHECKED_FROM:]))
    return MAGIC + struct.pack("<I", checksum) + head[_CHECKED_FROM:] + body


def pack_readings(
    readings: Sequence[Reading], numbers: Mapping[str, int], received_ns: int
) -> list[bytes]:
    """Return the frames that hold ``readings``; ``numbers`` gives each channel's number."""
    frames = []
    for start in range(0, len(readings), ROWS_PER_FRAME):
        part = readings[start : start + ROWS_PER_FRAME]
        body = b"".join(
            _ROW.pack(
                r.time_ns,
                r.received_ns,
                r.value,
                r.reference_c,
                _sequence(r.sequence),
                numbers[r.channel],
                int(r.quality),
                _UNIT_NUMBER[r.unit],
                r.late,
            )
            for r in part
        )
        frames.append(_framed(FrameKind.READINGS, received_ns, len(part), zlib.compress(body, 1)))
    return frames


def _sequence(count: int | None) -> int:
    return count if count is not None and abs(count) < 1 << 62 else NO_SEQUENCE


def known_unit(unit: str) -> bool:
    """Whether readings of that unit can be kept."""
    return unit in _UNIT_NUMBER


def pack_facts(kind: FrameKind, facts: Mapping[str, Any], received_ns: int) -> bytes:
    """Return a frame that holds plain facts."""
    text = json.dumps(facts, ensure_ascii=True, separators=(",", ":")).encode()
    return _framed(kind, received_ns, 1, text)


def unpack(data: bytes | mmap, start: int = 0) -> Frame | None:
    """Return the frame that begins at ``start``, or None where there is no whole, sound one."""
    if len(data) < start + _HEAD.size:
        return None
    magic, checksum, length, kind, received_ns, count = _HEAD.unpack_from(data, start)
    end = start + _HEAD.size + length
    if magic != MAGIC or length > _LONGEST_BODY or end > len(data):
        return None
    if zlib.crc32(data[start + _CHECKED_FROM : end]) != checksum:
        return None
    try:
        return Frame(FrameKind(kind), received_ns, count, data[start + _HEAD.size : end])
    except ValueError:
        return None


def frame_size(frame: Frame) -> int:
    """Return how many bytes the frame takes."""
    return _HEAD.size + len(frame.body)


def carve(data: bytes | mmap) -> Iterator[Frame]:
    """Find every sound frame in any bytes, wherever it stands."""
    at = data.find(MAGIC)
    while at >= 0:
        frame = unpack(data, at)
        if frame is not None:
            yield frame
        at = data.find(MAGIC, at + (frame_size(frame) if frame is not None else 1))
