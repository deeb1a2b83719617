"""The plan of a lot of files: one that is there already, or a preset asked of the file's columns."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass, field

from ovenwright.domain.plan import SensorType
from ovenwright.domain.run import Role
from ovenwright.errors import OvenwrightError, PlanFaults, UnknownName, UsageError
from ovenwright.storage.plan_file import parse_plan, write_plan
from ovenwright.storage.plan_shelf import PlanShelf
from ovenwright.storage.staging import Lot
from ovenwright.web.lot_facts import ColumnFacts, Decided, Doubtful, PlanFacts, doubtful, own_plan
from ovenwright.web.site import Site
from ovenwright.workflow.plan_from_columns import Assigned, plan_for_columns, with_columns
from ovenwright.workflow.planning import checked_text

_KEPT_PLAN = re.compile(r"[0-9a-f]{16}", re.ASCII)


def _base_text(site: Site, lot: Lot, name: str) -> str:
    """Return the text of a plan that is there already.

    Raises
    ------
    UnknownName : if there is none
    """
    kind, _, ref = name.partition(":")
    if kind == "file":
        path = own_plan(lot)
    elif kind == "kept" and _KEPT_PLAN.fullmatch(ref):
        path = site.tools.logbook.plans_dir / f"{ref}.toml"
    elif kind == "shelf":
        return shelf_text(site, ref)
    else:
        raise UnknownName("plan", name[:80])
    if not path.is_file():
        raise UnknownName("plan", name[:80])
    try:
        return path.read_text("utf-8-sig")
    except UnicodeDecodeError as cause:
        raise UsageError(
            "the plan is not UTF-8 text", where="plan", remedy="save it as UTF-8"
        ) from cause


def plan_state(site: Site, lot: Lot, what: Decided) -> str:
    """Return what a chosen plan rests on beside the choice: its text may change meanwhile."""
    if what.plan.startswith("shelf:"):
        with suppress(OvenwrightError):
            return shelf_text(site, what.plan.removeprefix("shelf:"))
    if what.plan == "file":
        with suppress(OSError):
            return own_plan(lot).read_bytes().hex()
    return ""


def shelf_text(site: Site, ref: str) -> str:
    """Return the newest text of a plan that the logbook keeps by name."""
    return PlanShelf(site.tools.logbook.plan_shelf_dir).text(ref)


@dataclass
class PlanMade:
    """A plan's text and what it asks, or what is in its way."""

    text: str = ""
    facts: PlanFacts | None = None
    trouble: Doubtful | None = None
    notes: list[str] = field(default_factory=list)


def told(site: Site, text: str, notes: list[str]) -> PlanMade:
    """Return what a plan's text asks, or its faults."""
    made = PlanMade(text, notes=notes)
    try:
        plan = checked_text(text, site.tools.library(), file="the plan")
    except PlanFaults as faults:
        made.trouble = doubtful(faults)
        made.text = ""
        return made
    made.facts = PlanFacts(
        title=plan.title,
        oven=plan.oven.name,
        product=plan.product.name,
        channels=[c.name for c in plan.channels],
        requirements=[r.name for r in plan.requirements],
        notes=notes,
    )
    return made


def existing_text(site: Site, lot: Lot, what: Decided) -> str:
    """Return the text of the chosen plan, its channels fed by the columns a person named.

    Raises
    ------
    UnknownName : if there is no such plan
    PlanFaults : if columns are named and the plan can't be read
    UsageError : if two channels are given one column
    """
    text = _base_text(site, lot, what.plan)
    if not any(what.columns.values()):
        return text
    return write_plan(with_columns(parse_plan(text, file="the plan"), what.columns))


def preset_plan(site: Site, what: Decided, columns: list[ColumnFacts], step: float) -> PlanMade:
    """Return a preset asked of the columns that have a role, or what is not said yet."""
    assigned: list[Assigned] = []
    lacking: list[str] = []
    for c in columns:
        role = what.roles.get(c.name) or (Role(c.role) if c.role else None)
        if c.use != "temperature" or role is None:
            continue
        sensor = what.sensors.get(c.name) or what.sensor
        if sensor:
            assigned.append(Assigned(c.channel or c.name, role, SensorType(sensor), c.heading))
        else:
            lacking.append(c.name)
    if lacking:
        return PlanMade(
            trouble=Doubtful(
                what=f"what sensors these are is not said: {', '.join(lacking[:6])}",
                remedy="the type decides how far a reading can be trusted; choose it",
                field="sensor",
            )
        )
    fitted = plan_for_columns(
        what.plan.partition(":")[2],
        assigned,
        oven=what.oven,
        product=what.product,
        title=what.title,
        interval_s=step,
    )
    return told(site, fitted.text, list(fitted.notes))
