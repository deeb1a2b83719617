"""Checks that run: each in a thread of the server, seen by whoever looks, ended by itself."""

from __future__ import annotations

import secrets
import threading
import time
import traceback
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from typing import Any

from ovenwright.conditioning.proof.touched import weigh_touches
from ovenwright.conditioning.proof.touching import TouchEvent
from ovenwright.domain.plan import Plan
from ovenwright.errors import OvenwrightError, UnknownName, UsageError
from ovenwright.storage.durable import make_folder
from ovenwright.storage.plan_file import parse_plan
from ovenwright.web.site import Site
from ovenwright.workflow.proving import Proved, prove_plan
from ovenwright.workflow.watching import Look, Wanted, usual_seconds

_KEPT = 50
LONGEST_S = 3600.0
"""A check nobody ends is over after this long, whatever was asked for."""


@dataclass
class Check:
    """One check: what it shows now, and what came of it.

    ``state`` is running, done, failed. ``number`` grows with every look, so that a page knows
    whether there is something new.
    """

    id: str
    plan: str
    plan_text: str
    title: str
    wanted: Wanted
    seconds: float
    who: str
    order: tuple[str, ...] = ()
    began: float = field(default_factory=time.time)
    state: str = "running"
    number: int = 0
    look: Look | None = None
    events: list[TouchEvent] = field(default_factory=list)
    proved: Proved | None = None
    error: Mapping[str, Any] | None = None
    stopping: threading.Event = field(default_factory=threading.Event)
    thread: threading.Thread | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def see(self, look: Look) -> None:
        """Take in what a live view shows."""
        with self._lock:
            self.look = look
            self.events += look.events
            self.number += 1

    def facts(self) -> dict[str, Any]:
        """Return it as plain data; numbers that are not known are None."""
        with self._lock:
            look, events = self.look, list(self.events)
            found: dict[str, Any] = {
                "id": self.id,
                "plan": self.plan,
                "title": self.title,
                "state": self.state,
                "number": self.number,
                "seconds": self.seconds,
                "touch": self.wanted.touch or bool(self.wanted.order),
                "order": list(self.order),
                "fixed_point": self.wanted.fixed_point.value if self.wanted.fixed_point else "",
                "elapsed_s": look.elapsed_s if look else 0.0,
                "readings": look.readings if look else 0,
                "learnt": look.learnt if look else False,
                "restless": list(look.restless) if look else [],
                "channels": [asdict(m) for m in look.moving] if look else [],
                "notices": [n.text for n in look.notices if n.text] if look else [],
                "turns": self._turns(events, look),
                "events": [_event_facts(e) for e in events],
                "answer": self.proved.facts() if self.proved else None,
                "error": dict(self.error) if self.error else None,
            }
        if found["answer"]:
            found["answer"].pop("kept", None)  # a file of this machine
        plain: dict[str, Any] = plain_data(found)
        return plain

    def _turns(self, events: list[TouchEvent], look: Look | None) -> list[str]:
        """Return the channels that reacted, in their order; what was taken back is not in it."""
        if look is None or not events:
            return []
        return list(weigh_touches([m.channel for m in look.moving], events).turns)


def plain_data(value: Any) -> Any:
    """Return plain data fit for JSON: not-a-number and infinities become None."""
    if isinstance(value, Mapping):
        return {str(k): plain_data(v) for k, v in value.items()}
    if isinstance(value, float):
        return value if abs(value) < float("inf") else None
    if isinstance(value, str):
        return str(value)
    if isinstance(value, list | tuple):
        return [plain_data(v) for v in value]
    return value


def _event_facts(event: TouchEvent) -> dict[str, Any]:
    return {k: v for k, v in asdict(event).items() if v is not None}


class CheckBoard:
    """The checks of one server, one at a time for each plan."""

    def __init__(self) -> None:
        self._checks: dict[str, Check] = {}
        self._lock = threading.Lock()

    def start(
        self, site: Site, plan_id: str, plan_text: str, wanted: Wanted, *, who: str = ""
    ) -> Check:
        """Start a check and return at once.

        Raises
        ------
        PlanFaults : if the plan can't be used
        UsageError : if that plan is being checked already, or the check can't be made of it
        """
        plan = parse_plan(plan_text)
        if not plan.instruments:
            raise UsageError(
                "the plan names no instrument to check",
                where=plan.title,
                remedy="look for one under Sensors and write it into the plan",
            )
        seconds = min(wanted.seconds or usual_seconds(plan, wanted), LONGEST_S)
        check = Check(
            id=f"check-{secrets.token_hex(6)}",
            plan=plan_id,
            plan_text=plan_text,
            title=plan.title,
            wanted=wanted,
            seconds=seconds,
            who=who,
            order=_order(plan, wanted),
        )
        with self._lock:
            other = self.running(plan_id)
            if other is not None:
                raise UsageError(
                    "this plan is being checked already",
                    where=plan.title,
                    remedy="look at that check, or end it first",
                )
            over = [c.id for c in self._checks.values() if c.state != "running"]
            for gone in over[: max(0, len(self._checks) - _KEPT)]:
                del self._checks[gone]
            self._checks[check.id] = check
        check.thread = threading.Thread(
            target=self._run, args=(site, check), name=check.id, daemon=True
        )
        check.thread.start()
        return check

    def _run(self, site: Site, check: Check) -> None:
        folder = site.tools.logbook.folder / "checks"
        file = folder / f"{check.id}.toml"
        ending = threading.Timer(LONGEST_S, check.stopping.set)
        ending.daemon = True
        ending.start()
        try:
            make_folder(folder)
            file.write_text(check.plan_text, encoding="utf-8", newline="\n")
            check.proved = prove_plan(
                file,
                site.tools.library(),
                check.wanted,
                stopping=check.stopping,
                logbook=site.tools.logbook,
                watch=check.see,
            )
            check.state = "done"
        except OvenwrightError as trouble:
            check.error = trouble.facts() | {"where": check.title}
            check.state = "failed"
        except Exception as trouble:  # noqa: BLE001 - a check's fault is told, it ends no server
            traceback.print_exc()
            check.error = {
                "error": "Fault",
                "what": f"the tool itself failed: {type(trouble).__name__}",
                "where": check.title,
                "remedy": "the server's own output says more; please tell its maintainers",
            }
            check.state = "failed"
        finally:
            ending.cancel()
            check.number += 1
            with suppress(OSError):
                file.unlink(missing_ok=True)

    def running(self, plan_id: str) -> Check | None:
        """Return the check of a plan that goes on, if there is one."""
        found = [c for c in list(self._checks.values()) if c.plan == plan_id]
        return next((c for c in found if c.state == "running"), None)

    def latest(self, plan_id: str) -> Check | None:
        """Return the check of a plan started last on this server, if there is one."""
        found = [c for c in list(self._checks.values()) if c.plan == plan_id]
        return found[-1] if found else None

    def get(self, check_id: str) -> Check:
        """Return a check.

        Raises
        ------
        UnknownName : if there is none of that id
        """
        found = self._checks.get(check_id)
        if found is None:
            raise UnknownName("check", check_id[:80])
        return found

    def all(self) -> tuple[Check, ...]:
        """Return the checks of this server, the newest first."""
        return tuple(reversed(list(self._checks.values())))

    def close(self) -> None:
        """End them all and wait a moment for them."""
        checks = list(self._checks.values())
        for check in checks:
            check.stopping.set()
        for check in checks:
            if check.thread is not None:
                check.thread.join(3.0)


def _order(plan: Plan, wanted: Wanted) -> tuple[str, ...]:
    if wanted.order == ("plan",):
        return tuple(c.name for c in plan.channels)
    return wanted.order


_making = threading.Lock()


def checks_of(site: Site) -> CheckBoard:
    """Return the check board of a server."""
    with _making:
        for end in site.at_end:
            owner = getattr(end, "__self__", None)
            if isinstance(owner, CheckBoard):
                return owner
        made = CheckBoard()
        site.at_end.append(made.close)
        return made
