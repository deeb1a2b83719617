"""A slice of a run in binary: what a chart draws from, without a number ever being text.

All of it is little-endian::

    4 bytes   "OWS1"
    4 bytes   uint32: length h of the head
    h bytes   the head, JSON in UTF-8, filled up with spaces so that 8 + h is a multiple of 8
    the body  times as float64, then values as float32

The head names ``run``, ``digest``, ``start`` (ISO, UTC), ``start_ms`` (since 1970, as a number),
``absolute``, ``time_zone``, ``duration_s``, ``from_s``, ``to_s`` and ``channels``: for each its
``name``, ``readings`` in the stretch, ``thinned``, ``gap_s``, the number of ``points``, and where
in the body (bytes) its times and values begin: ``time_at``, ``value_at`` (and ``half_at``, where
there is a band about it, whose half-width is as long and as float32). Channels read at the
same moments share their times. Times are seconds since the run's first reading, values °C; a NaN
breaks the line.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class Packed:
    """One curve to be packed: what is told of it, and its numbers, (n,) each."""

    facts: Mapping[str, Any]
    time_s: FloatArray
    value: FloatArray
    half: FloatArray | None = None


def encode(found: RunSlice) -> bytes:
    """Return a slice in binary."""
    curves = [Packed(channel_facts(one), one.time_s, one.value_c) for one in found.channels]
    return pack(slice_facts(found), curves)


def pack(head: Mapping[str, Any], curves: Sequence[Packed]) -> bytes:
    """Return curves in binary; ``head`` is what is told beside them."""
    times: list[FloatArray] = []
    places: list[int] = []
    begun: list[int] = []
    at = 0
    for one in curves:
        # channels read together stand side by side, so looking back at two is enough
        known = next(
            (
                i
                for i in range(max(len(times) - 2, 0), len(times))
                if times[i] is one.time_s or np.array_equal(times[i], one.time_s)
            ),
            None,
        )
        if known is None:
            known = len(times)
            times.append(one.time_s)
            begun.append(at)
            at += 8 * one.time_s.size
        places.append(begun[known])
    rows = []
    numbers: list[FloatArray] = []
    for one, place in zip(curves, places, strict=True):
        row = dict(one.facts) | {"points": int(one.time_s.size), "time_at": place, "value_at": at}
        numbers.append(one.value)
        at += 4 * one.value.size
        if one.half is not None:
            row["half_at"] = at
            numbers.append(one.half)
            at += 4 * one.half.size
        rows.append(row)
    told = json.dumps(dict(head) | {"channels": rows}, ensure_ascii=False, separators=(",", ":"))
    text = told.encode("utf-8")
    text += b" " * (-(8 + len(text)) % 8)
    return b"".join(
        [
            MAGIC,
            struct.pack("<I", len(text)),
            text,
            *(t.astype("<f8", copy=False).tobytes() for t in times),
            *(n.astype("<f4").tobytes() for n in numbers),
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
