"""Look for instruments on behalf of plans that are kept, and write what was heard into one."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ovenwright.domain.heard import Heard
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.live import Stopping
from ovenwright.domain.plan import Plan
from ovenwright.errors import UsageError
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_shelf import Version
from ovenwright.workflow.finding import Findings
from ovenwright.workflow.finding_asking import Asking, as_the_plan, check_asking
from ovenwright.workflow.finding_by_link import find_instruments
from ovenwright.workflow.found_against import hold_against
from ovenwright.workflow.found_into_plan import write_into, write_new
from ovenwright.workflow.plan_keeping import From, keep_version, shelf_of, start_plan
from ovenwright.workflow.planning import checked_text


def listen_at(
    asking: Asking, *, plan: Plan | None = None, folder: Path, stopping: Stopping | None = None
) -> Findings:
    """Listen at an address and hold what was heard against a plan.

    Parameters
    ----------
    asking : where and how long
    plan : what it is held against; fills in what it knows of the way to the instrument
    folder : where the plan's relative file names start
    stopping : set when it is enough: what came so far is told

    Raises
    ------
    UsageError : if the address can't be asked like that
    InstrumentTrouble : if nobody answers there
    """
    check_asking(asking)
    asking = as_the_plan(asking, plan, folder)
    heard = find_instruments(asking, stopping=stopping)
    against = hold_against(plan, heard, asking.url) if plan is not None else None
    return Findings(url=asking.url, seconds=asking.seconds, heard=heard, against=against)


def write_onto_shelf(
    logbook: Logbook,
    library: ReferenceLibrary,
    plan_id: str,
    heard: Sequence[Heard],
    url: str,
    *,
    who: str = "",
) -> tuple[Version, tuple[str, ...]]:
    """Keep a next version of a plan that reads what was heard; every word in it stays.

    Returns
    -------
    the version, and the names of the channels that were added

    Raises
    ------
    UnknownName : if there is no such plan
    PlanFaults : if its newest version has faults
    UsageError : if nothing was heard, or the plan reads all of it already
    Overtaken : if somebody kept a version meanwhile
    StorageTrouble : if the disk refuses
    """
    shelf = shelf_of(logbook)
    number = shelf.numbers(plan_id)[-1]
    text = shelf.text(plan_id, number)
    checked_text(text, library)  # its faults are told by the plan's name, not by a file's
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "plan.toml"
        file.write_bytes(text.encode("utf-8"))
        added = write_into(file, heard, url, library)
        new = file.read_bytes().decode("utf-8")
    if new == text:
        raise UsageError(
            "the plan reads all of it already", where=plan_id, remedy="there is nothing to write"
        )
    version = keep_version(
        logbook, library, plan_id, new, based_on=number, who=who, why=f"what was heard at {url}"
    )
    return version, added


def begin_with_found(
    logbook: Logbook,
    library: ReferenceLibrary,
    heard: Sequence[Heard],
    url: str,
    *,
    title: str = "",
    who: str = "",
) -> Version:
    """Keep a first plan around what was heard: enough to check and to record with.

    Raises
    ------
    UsageError : if nothing was heard that a plan could read
    StorageTrouble : if the disk refuses
    """
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "plan.toml"
        write_new(file, heard, url, library)
        text = file.read_bytes().decode("utf-8")
    return start_plan(
        logbook, library, From.TEXT, text=text, title=title, who=who, why=f"what was heard at {url}"
    )


def addresses_of(plan: Plan) -> tuple[str, ...]:
    """Return where a plan's instruments are reached, as a search is told it; each once."""
    found = [_address(one.model_dump(mode="json")) for one in plan.instruments]
    return tuple(dict.fromkeys(a for a in found if a))


def _address(facts: dict[str, Any]) -> str:
    kind, serial = facts["kind"], facts.get("serial")
    if kind == "opcua":
        return str(facts["url"])
    if serial:
        scheme = {"modbus": "modbus-rtu", "scpi": "scpi-serial", "serial-text": "serial"}.get(kind)
        return f"{scheme}:{serial['device']}" if scheme else ""
    scheme = {"mqtt": "mqtts" if facts.get("tls") else "mqtt", "modbus": "modbus", "scpi": "scpi"}.get(kind)  # fmt: skip
    if scheme is None or not facts.get("host"):
        return ""
    host = str(facts["host"])
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{facts['port']}"
