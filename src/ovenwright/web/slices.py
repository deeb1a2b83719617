"""A slice of a run in binary: what a chart draws from, without a number ever being text.

All of it is little-endian::

    4 bytes   "OWS1"
    4 bytes   uint32: length h of the head
    h bytes   the head, JSON in UTF-8, filled up with spaces so that 8 + h is a multiple of 8
    the body  times as float64, then values as float32

The head names ``run``, ``digest``, ``start`` (ISO, UTC), ``start_ms`` (since 1970, as a number),
``absolute``, ``time_zone``, ``duration_s``, ``from_s``, ``to_s`` and ``channels``: for each its
``name``, ``readings`` in the stretch, ``thinned``, ``gap_s``, the number of ``points``, and where
in the body (bytes) its times and values begin: ``time_at``, ``value_at``. Channels read at the
same moments share their times. Times are seconds since the run's first reading, values °C; a NaN
breaks the line.
"""

from __future__ import annotations

import json
import struct
from typing import Any

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.errors import UsageError
from ovenwright.storage.run_facts import iso_from_ns
from ovenwright.workflow.slicing import ChannelSlice, RunSlice

MAGIC = b"OWS1"
MEDIA_TYPE = "application/octet-stream"


def slice_facts(found: RunSlice) -> dict[str, Any]:
    """Return what a slice tells beside its numbers."""
    facts = found.facts
    return {
        "run": facts.id,
        "digest": facts.digest,
        "start": iso_from_ns(facts.start_ns),
        "start_ms": facts.start_ns / 1e6,
        "absolute": facts.absolute,
        "time_zone": facts.time_zone,
        "duration_s": facts.duration_s,
        "from_s": found.from_s,
        "to_s": found.to_s,
    }


def channel_facts(one: ChannelSlice) -> dict[str, Any]:
    """Return what a slice tells of a channel beside its numbers."""
    return {
        "name": one.name,
        "readings": one.readings,
        "thinned": one.thinned,
        "gap_s": one.gap_s,
    }


def encode(found: RunSlice) -> bytes:
    """Return a slice in binary."""
    times: list[FloatArray] = []
    places: list[int] = []
    at = 0
    begun: dict[int, int] = {}
    for one in found.channels:
        known = next(
            (t for t in times[-2:] if t is one.time_s or np.array_equal(t, one.time_s)), None
        )
        if known is None:
            known = one.time_s
            begun[id(known)] = at
            times.append(known)
            at += 8 * known.size
        places.append(begun[id(known)])
    rows = []
    for one, place in zip(found.channels, places, strict=True):
        rows.append(
            channel_facts(one) | {"points": int(one.time_s.size), "time_at": place, "value_at": at}
        )
        at += 4 * one.value_c.size
    head = json.dumps(
        slice_facts(found) | {"channels": rows}, ensure_ascii=False, separators=(",", ":")
    ).encode("utf-8")
    head += b" " * (-(8 + len(head)) % 8)
    return b"".join(
        [
            MAGIC,
            struct.pack("<I", len(head)),
            head,
            *(t.astype("<f8", copy=False).tobytes() for t in times),
            *(one.value_c.astype("<f4").tobytes() for one in found.channels),
        ]
    )


def decode(content: bytes) -> tuple[dict[str, Any], dict[str, tuple[FloatArray, FloatArray]]]:
    """Return the head of a binary slice, and (times, values) by channel.

    Raises
    ------
    UsageError : if it is no such slice
    """
    if content[:4] != MAGIC or len(content) < 8:
        raise UsageError("these bytes are no slice of a run")
    (length,) = struct.unpack_from("<I", content, 4)
    head: dict[str, Any] = json.loads(content[8 : 8 + length])
    body = 8 + length
    found = {}
    for row in head["channels"]:
        n = row["points"]
        found[row["name"]] = (
            np.frombuffer(content, "<f8", n, body + row["time_at"]).astype(np.float64),
            np.frombuffer(content, "<f4", n, body + row["value_at"]).astype(np.float64),
        )
    return head, found
