"""Spark lines: a run at a glance in a list, cached beside the logbook and made anew at will."""

from __future__ import annotations

import json
import re
import tomllib
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from ovenwright.catalogue.entries import RunEntry
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.run import Role, Run
from ovenwright.errors import OvenwrightError, StorageTrouble
from ovenwright.storage.durable import whole_file
from ovenwright.storage.logbook import Logbook

STRETCHES = 60
_FORM = 1
_SAFE = re.compile(r"[\w][\w.+-]{0,130}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Spark:
    """The coldest and the hottest reading of each of equal stretches of a run.

    ``low_c``, ``high_c`` : (k,) °C to a tenth, None where no channel gave a number.
    """

    low_c: tuple[float | None, ...]
    high_c: tuple[float | None, ...]
    duration_s: float


def spark_of(run: Run, *, stretches: int = STRETCHES) -> Spark:
    """Return the spark line of a run: over the plan's channels that feel oven or product.

    Without a plan, or where none of its channels is there, over all channels.
    """
    asked = _asked(run.plan_toml)
    felt = [s for name, s in run.series.items() if name in asked] or list(run.series.values())
    low = np.full(stretches, np.inf)
    high = np.full(stretches, -np.inf)
    span = max(run.end_ns - run.start_ns, 1)
    for series in felt:
        known = np.isfinite(series.value_c)
        share = (series.time_ns[known] - run.start_ns) / span
        place = np.minimum((share * stretches).astype(np.int64), stretches - 1)
        np.minimum.at(low, place, series.value_c[known])
        np.maximum.at(high, place, series.value_c[known])
    return Spark(_tenths(low), _tenths(high), span / 1e9)


def _asked(plan_toml: str) -> frozenset[str]:
    try:
        channels = tomllib.loads(plan_toml).get("channels", [])
        return frozenset(str(c["name"]) for c in channels if c["role"] != Role.AMBIENT)
    except (tomllib.TOMLDecodeError, KeyError, TypeError):
        return frozenset()


def _tenths(values: FloatArray) -> tuple[float | None, ...]:
    return tuple(round(float(v), 1) if np.isfinite(v) else None for v in values)


def cached_spark(logbook: Logbook, entry: RunEntry) -> Spark | None:
    """Return a run's spark line if it was made before."""
    try:
        found = json.loads(_place(logbook, entry).read_text("ascii"))
        return Spark(tuple(found["low_c"]), tuple(found["high_c"]), float(found["duration_s"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def make_spark(logbook: Logbook, entry: RunEntry) -> Spark | None:
    """Return a run's spark line, made and kept if it was not there; None for a damaged run."""
    found = cached_spark(logbook, entry)
    if found is not None:
        return found
    try:
        # nothing is judged from a picture in a list: the digest is not made anew for it
        spark = spark_of(logbook.open(entry.id, verify=False))
    except OvenwrightError:
        return None
    with suppress(StorageTrouble), whole_file(_place(logbook, entry), overwrite=True) as temp:
        temp.write_text(json.dumps(asdict(spark)), encoding="ascii")
    return spark


def _place(logbook: Logbook, entry: RunEntry) -> Path:
    name = f"{_FORM}-{entry.id}-{entry.digest[:12]}"
    if not _SAFE.fullmatch(name):
        name = f"{_FORM}-{entry.digest}"
    return logbook.folder / "cache" / "sparks" / f"{name}.json"
