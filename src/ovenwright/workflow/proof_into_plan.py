"""What checks proved, plan by plan: listed over all versions, and taken over into the next one."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.errors import UnknownName, UsageError
from ovenwright.storage import toml_edit
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_shelf import Version
from ovenwright.storage.proofs import read_proofs
from ovenwright.storage.run_facts import ns_from_iso
from ovenwright.workflow.plan_keeping import keep_version, shelf_of
from ovenwright.workflow.planning import checked_text

_VERSIONS = 40


@dataclass(frozen=True, slots=True)
class KeptProof:
    """One proof that is kept. ``version`` is the plan's that was proved, 0 where it has none."""

    key: str
    proved_ns: int
    version: int
    newest: bool
    facts: Mapping[str, Any]

    @property
    def readiness(self) -> str:
        """Whether recording might start."""
        return str(self.facts.get("readiness", ""))


def proofs_of_plan(logbook: Logbook, plan_id: str) -> tuple[KeptProof, ...]:
    """Return the proofs kept for a plan of the shelf, of whatever version, the newest first.

    Raises
    ------
    UnknownName : if there is no such plan
    StorageTrouble : if a record can't be read or was altered
    """
    shelf = shelf_of(logbook)
    numbers = shelf.numbers(plan_id)
    found: dict[str, KeptProof] = {}
    for number in numbers[-_VERSIONS:]:  # a text that came back belongs to the later version
        for kept in proofs_of_text(logbook, shelf.text(plan_id, number), version=number):
            found[kept.key] = KeptProof(
                kept.key, kept.proved_ns, number, number == numbers[-1], kept.facts
            )
    return tuple(sorted(found.values(), key=lambda k: k.proved_ns, reverse=True))


def proofs_of_text(logbook: Logbook, plan_toml: str, *, version: int = 0) -> tuple[KeptProof, ...]:
    """Return the proofs kept for one text of a plan, the newest first; raises as above."""
    return tuple(
        KeptProof(r["sha256"].rpartition(":")[2][:16], ns_from_iso(r["proved"]), version, True, r["proof"])
        for r in reversed(read_proofs(logbook, plan_toml))
    )  # fmt: skip


def take_over(
    logbook: Logbook,
    library: ReferenceLibrary,
    plan_id: str,
    proof_key: str,
    *,
    calibrations: Sequence[str] = (),
    inputs: bool = False,
    who: str = "",
) -> Version:
    """Keep a next version of a plan with what a proof found.

    Parameters
    ----------
    plan_id, proof_key : which plan, and which of its proofs
    calibrations : channels whose calibration record is taken over; an older record goes
    inputs : let each input feed the channel that it proved to be

    Raises
    ------
    UnknownName : if there is no such plan, proof, or calibration record
    UsageError : if the plan was changed since in what the proof is about, or nothing was chosen
    PlanFaults : if the plan has faults of its own
    Overtaken, StorageTrouble : as for any version
    """
    shelf = shelf_of(logbook)
    number = shelf.numbers(plan_id)[-1]
    kept = next((k for k in proofs_of_plan(logbook, plan_id) if k.key == proof_key), None)
    if kept is None:
        raise UnknownName("proof", proof_key[:40], where=plan_id)
    text = shelf.text(plan_id, number)
    proved_text = shelf.text(plan_id, kept.version)
    words = []
    if calibrations:
        text = _with_records(text, proved_text, kept.facts, calibrations)
        words.append(f"own calibration of {', '.join(calibrations)}")
    if inputs:
        text = _with_inputs(text, proved_text, kept.facts, library)
        words.append("inputs as the touch check proved them")
    if not words:
        raise UsageError(
            "nothing was chosen", where=plan_id, remedy="choose what is to be taken over"
        )
    return keep_version(
        logbook, library, plan_id, text, based_on=number, who=who, why="; ".join(words)
    )


def _with_records(
    text: str, proved_text: str, facts: Mapping[str, Any], channels: Sequence[str]
) -> str:
    offered: Mapping[str, str] = facts.get("certificates") or {}
    now, then = _channels(text), _channels(proved_text)
    for name in channels:
        if name not in offered:
            raise UnknownName("calibration record", name, known=list(offered))
        if name not in now or _without_record(now[name][1]) != _without_record(then[name][1]):
            raise UsageError(
                f"{name} was changed in the plan since it was checked",
                remedy="make the check again with the plan as it is now",
            )
        at, table = now[name]
        record = tomllib.loads(offered[name])["channels"]["certificate"]
        if "certificate" in table:
            text = toml_edit.remove_value(text, ("channels", at, "certificate"))
        text = toml_edit.set_value(text, ("channels", at, "certificate"), record)
    return text


def _channels(text: str) -> dict[str, tuple[int, Mapping[str, Any]]]:
    tables = tomllib.loads(text).get("channels", [])
    return {str(t.get("name", "")): (i, t) for i, t in enumerate(tables)}


def _without_record(table: Mapping[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in table.items() if k != "certificate"}


def _with_inputs(
    text: str, proved_text: str, facts: Mapping[str, Any], library: ReferenceLibrary
) -> str:
    identity: Mapping[str, str] = facts.get("identity") or {}
    if not identity:
        raise UsageError(
            "every input feeds the channel it proved to be", remedy="there is nothing to change"
        )
    plan = checked_text(text, library)
    if plan.instruments != checked_text(proved_text, library).instruments:
        raise UsageError(
            "the plan's instruments were changed since the check",
            remedy="make the touch check again with the plan as it is now",
        )
    for i, one in enumerate(plan.instruments):
        for path, channel in one.fed():
            if channel in identity:
                text = toml_edit.set_value(text, ("instruments", i, *path), identity[channel])
    return text
