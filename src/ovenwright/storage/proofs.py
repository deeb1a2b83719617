"""Proofs made before recording, kept by the plan they were made for."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ovenwright import __version__
from ovenwright.domain.run import NS, Run
from ovenwright.errors import StorageTrouble
from ovenwright.storage.digest import digest_bytes
from ovenwright.storage.durable import trouble_from, whole_file
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.run_facts import iso_from_ns, ns_from_iso

_DAY_NS = 24 * 3600 * NS


def proofs_dir(logbook: Logbook, plan_toml: str) -> Path:
    """Return where the proofs made for a plan are kept: by the start of its text's SHA-256."""
    return logbook.folder / "proofs" / digest_bytes(plan_toml.encode("utf-8"))[:16]


def keep_proof(logbook: Logbook, proof: Mapping[str, Any], *, plan_toml: str) -> Path:
    """Keep a proof as a record of its own, with a SHA-256 over its content.

    Parameters
    ----------
    logbook : where
    proof : plain data; NaN and infinities are written as null
    plan_toml : text of the plan it was made for

    Returns
    -------
    the file that was written

    Raises
    ------
    StorageTrouble : if the disk refuses, or the proof holds something that is no plain data
    """
    now = time.time_ns()
    record: dict[str, Any] = {
        "proved": iso_from_ns(now),
        "software": f"ovenwright {__version__}",
        "plan": logbook.keep_plan(plan_toml).name,
        "proof": _plain(proof),
    }
    stamp = iso_from_ns(now).replace(":", "").replace("-", "").replace(".", "-")
    target = proofs_dir(logbook, plan_toml) / f"{stamp}.json"
    try:
        record["sha256"] = _digest(record)
        content = json.dumps(record, ensure_ascii=False, indent=1, allow_nan=False).encode("utf-8")
    except (TypeError, ValueError) as cause:
        raise StorageTrouble(
            f"the proof can't be written as plain data: {cause}", where=str(target)
        ) from cause
    with whole_file(target) as temp:
        temp.write_bytes(content)
    return target


def read_proofs(logbook: Logbook, plan_toml: str) -> tuple[dict[str, Any], ...]:
    """Return the records kept for a plan, oldest first.

    Raises
    ------
    StorageTrouble : if a record can't be read or was altered
    """
    folder = proofs_dir(logbook, plan_toml)
    try:
        paths = sorted(p for p in folder.glob("*.json") if not p.name.startswith("."))
    except OSError as cause:
        raise trouble_from(cause, folder) from cause
    return tuple(_record(p) for p in paths)


def latest_proof(logbook: Logbook, plan_toml: str) -> dict[str, Any] | None:
    """Return the newest record kept for a plan, None where there is none; raises as above."""
    records = read_proofs(logbook, plan_toml)
    return records[-1] if records else None


def _record(path: Path) -> dict[str, Any]:
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        stored = record.pop("sha256")
        intact = _digest(record) == stored
    except OSError as cause:
        raise trouble_from(cause, path) from cause
    except (ValueError, KeyError, AttributeError, TypeError) as cause:
        raise StorageTrouble(
            "the record of a proof can't be read", where=str(path),
            remedy="restore it from a copy, or make the check again",
        ) from cause  # fmt: skip
    if not intact:
        raise StorageTrouble(
            "the record of a proof was altered after it was kept",
            where=str(path),
            remedy="restore it from a copy, or make the check again",
        )
    return dict(record) | {"sha256": stored}


def _digest(record: Mapping[str, Any]) -> str:
    text = json.dumps(record, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return digest_bytes(text.encode("utf-8", "surrogatepass"))


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, str):
        return str(value)
    if isinstance(value, Sequence):
        return [_plain(v) for v in value]
    return value


def proof_note(logbook: Logbook, run: Run) -> tuple[str, ...]:
    """Return what a run's notes say of the proof that went before it; nothing without one.

    Parameters
    ----------
    logbook : where proofs are kept
    run : its plan and its times say which proof is meant: the last one made for that plan within a
        day before it began
    """
    if not run.plan_toml:
        return ()
    try:
        records = read_proofs(logbook, run.plan_toml)
    except StorageTrouble as trouble:
        return (f"proof before recording: {trouble}",)
    before = [
        r for r in records if run.start_ns - _DAY_NS <= ns_from_iso(r["proved"]) <= run.start_ns
    ]
    if not before:
        return ()
    last = before[-1]
    proof = last["proof"]
    told = [
        f"{r['channel']}: {r['what']}" if r.get("channel") else str(r["what"])
        for r in proof.get("remarks", ())
        if r.get("grade") != "note"
    ]
    words = f"proof before recording, {last['proved']}: {proof.get('readiness', '')}"
    return ("; ".join([words, *told[:10]]) + f" (SHA-256 {last['sha256'][:12]})",)
