"""Product records: what earlier runs told of a product, as a JSON file with a SHA-256 of its content."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np

from ovenwright import __version__
from ovenwright.errors import OutOfRange, StorageTrouble, UsageError
from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.priors import KINDS, PARAMETERS
from ovenwright.modelling.product_record import ProductRecord, RecordedChannel, RecordedRun
from ovenwright.storage.digest import digest_bytes
from ovenwright.storage.durable import trouble_from, whole_file
from ovenwright.storage.logbook import Logbook

FORMAT = 1
_NAME = re.compile(r"[\w][\w +-]{0,79}")
_MOST_BYTES = 50_000_000


def record_path(logbook: Logbook, given: str) -> Path:
    """Return where a product record is: a file's path as given, a bare name in the logbook.

    Raises
    ------
    UsageError : for an empty name
    """
    if _NAME.fullmatch(given) and not Path(given).exists():
        return logbook.folder / "products" / f"{given}.json"
    if not given.strip():
        raise UsageError("the product has no name", where="--product")
    return Path(given)


def record_names(logbook: Logbook) -> tuple[str, ...]:
    """Return the names of the product records that are kept in a logbook.

    Raises
    ------
    StorageTrouble : if the folder can't be read
    """
    folder = logbook.folder / "products"
    try:
        names = sorted(p.stem for p in folder.glob("*.json"))
    except OSError as cause:
        raise trouble_from(cause, folder) from cause
    return tuple(n for n in names if _NAME.fullmatch(n))


def kept_record_path(logbook: Logbook, name: str) -> Path:
    """Return where a logbook keeps the product record of a name, there or not yet.

    Raises
    ------
    UsageError : if it can't be a name
    """
    if not _NAME.fullmatch(name):
        raise UsageError(
            f"{name[:80]!r} can't be the name of a product record",
            remedy="use letters, digits, spaces, + and -, at most 80",
        )
    return logbook.folder / "products" / f"{name}.json"


def write_record(path: Path, record: ProductRecord) -> None:
    """Write a product record whole, or leave the old one.

    Raises
    ------
    StorageTrouble : if the disk refuses
    """
    content: dict[str, Any] = {
        "format": FORMAT,
        "software": f"ovenwright {__version__}",
        "product": record.name,
        "kind": record.kind,
        "kinds": [k.name for k in KINDS],
        "parameters": [p.name for p in PARAMETERS],
        "knots_ln_s": _numbers(KNOTS),
        "runs": [_run_facts(r) for r in record.runs],
    }
    content["sha256"] = _digest(content)
    text = json.dumps(content, ensure_ascii=False, allow_nan=False)
    with whole_file(path, overwrite=True) as temp:
        temp.write_text(text + "\n", encoding="utf-8")


def read_record(path: Path) -> ProductRecord:
    """Read a product record.

    Raises
    ------
    StorageTrouble : if it can't be read, was altered, or belongs to another version's priors
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise StorageTrouble("this is too large for a product record", where=str(path))
        content = json.loads(path.read_text(encoding="utf-8"))
        stored = content.pop("sha256")
        intact = _digest(content) == stored
        version = content["format"]
    except OSError as cause:
        raise trouble_from(cause, path) from cause
    except (ValueError, KeyError, AttributeError, TypeError) as cause:
        raise StorageTrouble(
            "this is no product record", where=str(path), remedy="make one with: ovenwright fit RUN"
        ) from cause
    if not intact:
        raise StorageTrouble(
            "the product record was altered after it was written",
            where=str(path),
            remedy="restore it from a copy, or fit the runs again",
        )
    same = (
        version == FORMAT
        and content.get("kinds") == [k.name for k in KINDS]
        and content.get("parameters") == [p.name for p in PARAMETERS]
        and content.get("knots_ln_s") == _numbers(KNOTS)
    )
    if not same:
        raise StorageTrouble(
            "the product record was made with other priors than this version has",
            where=str(path),
            remedy="fit its runs again: " + ", ".join(_run_ids(content)),
        )
    try:
        return ProductRecord(
            content["product"], content["kind"], tuple(_run(r) for r in content["runs"])
        )
    except (ValueError, KeyError, TypeError, IndexError, OutOfRange) as cause:
        raise StorageTrouble("the product record is damaged", where=str(path)) from cause


def _run_ids(content: dict[str, Any]) -> list[str]:
    return [str(r.get("run", "")) for r in content.get("runs", ()) if isinstance(r, dict)][:12]


def _run_facts(run: RecordedRun) -> dict[str, Any]:
    return {
        "run": run.run_id,
        "digest": run.digest,
        "since_s": _numbers(run.since_s),
        "around_c": _numbers(run.around_c),
        "channels": [
            {
                "name": c.name,
                "family": [int(f) for f in c.family],
                "z": [_numbers(row) for row in c.z],
                "departure": [_numbers(row) for row in c.departure],
            }
            for c in run.channels
        ],
    }


def _run(facts: dict[str, Any]) -> RecordedRun:
    channels = []
    for c in facts["channels"]:
        family = np.array(c["family"], dtype=np.intp)
        z = np.array(c["z"], dtype=np.float64)
        departure = np.array(c["departure"], dtype=np.float64)
        members = family.size
        if z.shape != (len(PARAMETERS), members) or departure.shape != (KNOTS.size, members):
            raise ValueError("lengths differ")
        if family.min() < 0 or family.max() >= 2 * len(KINDS):
            raise ValueError("unknown family")
        channels.append(RecordedChannel(str(c["name"]), family, z, departure))
    since_s, around_c = (np.array(facts[k], dtype=np.float64) for k in ("since_s", "around_c"))
    if since_s.shape != around_c.shape or not bool(np.all(np.diff(since_s) > 0)):
        raise ValueError("times of the surroundings don't rise")
    return RecordedRun(str(facts["run"]), str(facts["digest"]), since_s, around_c, tuple(channels))


def _numbers(row: Any) -> list[float]:
    return [round(float(v), 4) if math.isfinite(v) else 0.0 for v in row]


def _digest(content: dict[str, Any]) -> str:
    text = json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return digest_bytes(text.encode("utf-8"))
