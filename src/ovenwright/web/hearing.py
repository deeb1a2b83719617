"""Searches for instruments: which addresses a page may ask, and what was heard lately."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, cast

from starlette.requests import HTTPConnection

from ovenwright.domain.plan import Plan
from ovenwright.errors import OvenwrightError, UnknownName, UsageError
from ovenwright.storage.plan_file import parse_plan
from ovenwright.web.jobs import Job
from ovenwright.web.opened import Lately
from ovenwright.web.site import Site
from ovenwright.web.starting import plan_text
from ovenwright.workflow.finding import Findings
from ovenwright.workflow.finding_asking import LINES, Asking, check_asking, serial_keys
from ovenwright.workflow.found_onto_shelf import addresses_of, listen_at
from ovenwright.workflow.plan_keeping import shelf_of

LONGEST_S = 120.0
_TICK_S = 0.25
_HOST = re.compile(
    r"[A-Za-z0-9]([A-Za-z0-9.-]{0,250}[A-Za-z0-9])?|\[[0-9A-Fa-f:.]{2,45}\]", re.ASCII
)
_NETWORK = re.compile(
    r"(mqtt|mqtts|modbus|scpi|opc\.tcp)://(?P<host>[^/:\[\]]+|\[[^\]]+\])(:\d{1,5})?(?P<rest>/[^\s?]*)?",
    re.ASCII,
)
_DEVICE = re.compile(
    r"/dev/tty[A-Za-z0-9]{1,20}|/dev/serial/by-(id|path)/[A-Za-z0-9_.:+-]{1,120}|COM\d{1,3}",
    re.ASCII,
)
_FORMS = (
    "write mqtt://HOST:PORT, mqtts://HOST:PORT, modbus://HOST:PORT, opc.tcp://HOST:PORT, "
    "scpi://HOST:PORT, or serial:, modbus-rtu: and scpi-serial: with a port such as /dev/ttyUSB0"
)


def address_ref(site: Site, text: str) -> str:
    """Return an address that may be asked from a page.

    A serial address may name a port only, never another file: one that looks like a serial port's,
    that this computer lists, or that a plan of the shelf reads.

    Raises
    ------
    UsageError : if it is no address of an instrument, or carries a password
    """
    url = text.strip()
    if len(url) > 300 or re.search(r"[\x00-\x20\x7f]", url):
        raise UsageError("this is no address of an instrument", remedy=_FORMS)
    scheme = url.partition(":")[0].lower()
    if scheme in LINES:
        device = url.partition(":")[2].removeprefix("//").partition("?")[0]
        if device and not _DEVICE.fullmatch(device) and device not in _ports(site):
            raise UsageError(f"{device[:80]!r} is no serial port of this computer", remedy=_FORMS)
        return url
    if "@" in url:
        raise UsageError(
            "a name or password does not belong into an address",
            remedy="name user and password_env in the plan, and listen with that plan chosen",
        )
    found = _NETWORK.fullmatch(url[: len(scheme)].lower() + url[len(scheme) :])
    path = (found["rest"] or "/") if found is not None else ""
    if (
        found is None
        or not _HOST.fullmatch(found["host"])
        or (path != "/" and scheme not in {"mqtt", "mqtts", "opc.tcp"})
    ):
        raise UsageError(f"{url[:120]!r} is no address of an instrument", remedy=_FORMS)
    return url


def _ports(site: Site) -> set[str]:
    """Return the serial ports that this computer lists or that plans of the shelf read."""
    found: set[str] = set()
    with suppress(ImportError):
        from serial.tools import list_ports

        found |= {p.device for p in list_ports.comports()}
    shelf = shelf_of(site.tools.logbook)
    for ident in shelf.ids():
        with suppress(OvenwrightError):
            found |= {
                a.partition(":")[2]
                for a in addresses_of(parse_plan(shelf.text(ident)))
                if a.partition(":")[0] in LINES
            }
    return found


@dataclass
class Search:
    """One search: its job, what it asks, and what was heard once it is over."""

    job: Job
    asking: Asking
    plan: str = ""
    plan_title: str = ""
    zone: str = ""
    who: str = ""
    at: float = field(default_factory=time.time)
    findings: Findings | None = None

    def facts(self) -> dict[str, Any]:
        """Return it as plain data."""
        from ovenwright.web.checking import plain_data

        made: dict[str, Any] = plain_data(
            {
                "id": self.job.id,
                "url": self.asking.url,
                "plan": self.plan,
                "seconds": self.asking.seconds,
                "state": self.job.state.value,
                "share": self.job.share,
                "error": dict(self.job.error) if self.job.error else None,
                "found": self.findings.facts() if self.findings else None,
            }
        )
        return made


class Hearings:
    """The searches of one server, the last few."""

    def __init__(self) -> None:
        self._kept = Lately(30)
        self._order: list[str] = []

    def start(self, site: Site, asking: Asking, *, plan_id: str = "", who: str = "") -> Search:
        """Start a search and return at once.

        Raises
        ------
        UsageError : if the address can't be asked like that, or too much work waits already
        UnknownName, PlanFaults : if the plan it is to be held against can't be used
        """
        check_asking(asking)
        plan: Plan | None = parse_plan(plan_text(site, plan_id)) if plan_id else None
        folder = site.tools.logbook.folder.absolute()
        ready = threading.Event()
        made: list[Search] = []

        def work(job: Job) -> Mapping[str, Any]:
            ready.wait(5.0)
            over = threading.Event()
            ticking = threading.Thread(target=_tick, args=(job, asking.seconds, over), daemon=True)
            ticking.start()
            try:
                found = listen_at(asking, plan=plan, folder=folder, stopping=job.stopping)
            finally:
                over.set()
                ticking.join(2.0)
            made[0].findings = found
            job.doing = f"{len(found.heard)} heard"
            return {"url": asking.url, "modules": len(found.heard)}

        job = site.jobs.start(f"listening at {asking.url}", work, who=who)
        job.link = f"/sensors/heard/{job.id}"
        search = Search(job, asking, plan_id, who=who)
        if plan is not None:
            search.plan_title, search.zone = plan.title, plan.site.time_zone
        made.append(search)
        self._kept.keep(job.id, search)
        self._order = [*self._order, job.id][-30:]
        ready.set()
        return search

    def get(self, ident: str) -> Search:
        """Return a search.

        Raises
        ------
        UnknownName : if there is none of that id
        """
        found: Search | None = self._kept.held(ident)
        if found is None:
            raise UnknownName("search", ident[:40])
        return found

    def all(self) -> tuple[Search, ...]:
        """Return the searches, the newest first."""
        found = [self._kept.held(i) for i in reversed(self._order)]
        return tuple(s for s in found if s is not None)


def _tick(job: Job, seconds: float, over: threading.Event) -> None:
    began = time.monotonic()
    while not over.wait(_TICK_S):
        job.share = min(0.98, (time.monotonic() - began) / seconds)
        job.doing = f"{time.monotonic() - began:.0f} s of {seconds:.0f} s"


_MAKING = threading.Lock()


def hearings_of(connection: HTTPConnection) -> Hearings:
    """Return the searches of the server that a request came to."""
    state = connection.app.state
    with _MAKING:
        if not hasattr(state, "hearings"):
            state.hearings = Hearings()
    return cast("Hearings", state.hearings)


def asked(
    url: str,
    *,
    seconds: float,
    first_unit: int = 1,
    last_unit: int = 16,
    measure: bool = False,
) -> Asking:
    """Return how an address is asked, with the options that suit it."""
    scheme = url.partition(":")[0].lower()
    asking = Asking(
        url,
        seconds=seconds,
        units=(first_unit, last_unit),
        measure=measure and scheme.startswith("scpi"),
    )
    if scheme in LINES:
        serial_keys(asking)
    return asking
