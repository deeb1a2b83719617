"""Look for instruments, hold them against a plan, and write what was found into one."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ovenwright.domain.heard import Heard
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.live import Stopping
from ovenwright.domain.plan import Plan
from ovenwright.workflow.finding_asking import Asking, as_the_plan, check_asking
from ovenwright.workflow.finding_by_link import find_instruments
from ovenwright.workflow.found_against import Against, fed_at, hold_against
from ovenwright.workflow.found_into_plan import write_into, write_new
from ovenwright.workflow.planning import checked_text

__all__ = ["Asking", "Findings", "find_instruments", "search"]


@dataclass(frozen=True, slots=True)
class Findings:
    """What a search came to."""

    url: str
    seconds: float
    heard: tuple[Heard, ...]
    against: Against | None = None
    wrote: str = ""
    added: tuple[str, ...] = ()  # channels that were added to the plan
    joined: tuple[tuple[str, str], ...] = ()  # (the instrument's key, the channel it now feeds)

    def facts(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "url": self.url,
            "seconds": self.seconds,
            "modules": [_module_facts(h) for h in self.heard],
            "against": asdict(self.against) if self.against else None,
            "wrote": self.wrote,
            "added": list(self.added),
            "joined": [{"key": key, "channel": name} for key, name in self.joined],
        }


def _module_facts(h: Heard) -> dict[str, Any]:
    return {
        "module": h.module,
        "serial": h.serial,
        "battery": h.battery,
        "signal": h.signal,
        "detail": h.detail,
        "channels": [
            {**asdict(c), "quality": int(c.quality), "last_ns": c.last_ns or None}
            for c in h.channels
        ],
        "proposal": dict(h.proposal),
        "remarks": list(h.remarks),
    }


def search(
    asking: Asking,
    library: ReferenceLibrary,
    *,
    plan_file: Path | None = None,
    write: Path | None = None,
    stopping: Stopping | None = None,
) -> Findings:
    """Look for instruments, hold them against a plan, write them into one.

    Parameters
    ----------
    asking : where and how long
    plan_file : a plan to hold it against
    write : a plan to add it to; it is held against as well

    Raises
    ------
    UsageError, PlanFaults, InstrumentTrouble, StorageTrouble : as for the parts
    """
    check_asking(asking)
    plan: Plan | None = None
    target = plan_file or (write if write is not None and write.exists() else None)
    if target is not None:
        from ovenwright.workflow.planning import checked_plan

        plan = checked_plan(target, library)  # before anyone waits for the search
    asking = as_the_plan(asking, plan, target.parent if target is not None else Path())
    heard = find_instruments(asking, stopping=stopping)
    added: tuple[str, ...] = ()
    joined: tuple[tuple[str, str], ...] = ()
    wrote = False
    if write is not None:
        before = write.read_bytes() if write.exists() else b""
        fed = fed_at(plan, asking.url) if plan is not None and before else {}
        added = (write_into if before else write_new)(write, heard, asking.url, library)
        wrote = write.read_bytes() != before
        plan = checked_text(write.read_text(encoding="utf-8-sig"), library, file=str(write))
        joined = tuple((k, v) for k, v in fed_at(plan, asking.url).items() if k not in fed)
    return Findings(
        url=asking.url,
        seconds=asking.seconds,
        heard=heard,
        against=hold_against(plan, heard, asking.url) if plan is not None else None,
        wrote=str(write) if wrote else "",
        added=added,
        joined=joined,
    )
