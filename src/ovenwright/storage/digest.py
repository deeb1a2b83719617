"""What a sealed run's digest is taken over: the content, not the way it is compressed.

Each array of each channel has a SHA-256 of its own; these stand in the run's facts, and the digest
of the run is the SHA-256 of the facts' text. Whoever has the facts and the columns can recompute
all of it with a hash function and no code of ours (docs/reference/sealed-run-format.md).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import AnyArray, FloatArray
from ovenwright.domain.run import Series

_NAN = np.frombuffer(b"\x00\x00\x00\x00\x00\x00\xf8\x7f", dtype="<f8")[0]


def _sha256(array: AnyArray) -> str:
    return hashlib.sha256(array.data if array.size else b"").hexdigest()


def digest_floats(values: FloatArray) -> str:
    """SHA-256 of (n,) doubles, little-endian, every NaN with the one bit pattern 7ff8…0."""
    plain = np.ascontiguousarray(values, dtype="<f8")
    gone = np.isnan(plain)
    if gone.any():
        plain = plain.copy()
        plain[gone] = _NAN
    return _sha256(plain)


@dataclass(frozen=True, slots=True)
class SeriesDigest:
    """SHA-256 of each array of one channel; ``raw`` is empty where there are no raw numbers."""

    time: str
    value: str
    quality: str
    raw: str = ""


def digest_series(series: Mapping[str, Series]) -> dict[str, SeriesDigest]:
    """Return the digests of every channel's arrays; a shared time axis is hashed once."""
    seen: dict[int, str] = {}
    found: dict[str, SeriesDigest] = {}
    for name, one in series.items():
        key = id(one.time_ns)
        if key not in seen:
            seen[key] = _sha256(np.ascontiguousarray(one.time_ns, dtype="<i8"))
        found[name] = SeriesDigest(
            time=seen[key],
            value=digest_floats(one.value_c),
            quality=_sha256(np.ascontiguousarray(one.quality, dtype="u1")),
            raw="" if one.raw is None else digest_floats(one.raw),
        )
    return found


def digest_bytes(content: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(content).hexdigest()
