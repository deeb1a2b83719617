"""Lots of files on the way in: looked at, then sealed and judged."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ovenwright.errors import OvenwrightError, StorageTrouble, UsageError
from ovenwright.storage.readings import FirstRows, weigh
from ovenwright.storage.staging import Lot
from ovenwright.web.lot_facts import (
    ColumnFacts,
    Conclusion,
    Decided,
    Doubtful,
    Review,
    Top,
    decided,
    doubtful,
    field_of,
    without_options,
)
from ovenwright.web.lot_plans import PlanMade, existing_text, plan_state, preset_plan, told
from ovenwright.web.site import Site
from ovenwright.workflow.bringing_in import Brought, ChannelBrought, bring_in
from ovenwright.workflow.judging import Judged, judge_run
from ovenwright.workflow.planning import checked_text
from ovenwright.workflow.previewing import Previewed, preview

_MOST_REVIEWS = 12
_reviews: OrderedDict[tuple[str, str], tuple[Review, str]] = OrderedDict()
_lock = threading.Lock()


def review(site: Site, lot: Lot) -> Review:
    """Return a lot as it stands; computed anew only when something was decided."""
    what = decided(lot)
    state = what.model_dump_json() + plan_state(site, lot, what)
    key = (str(lot.folder), hashlib.sha256(state.encode()).hexdigest())
    with _lock:
        known = _reviews.get(key)
        if known is not None:
            _reviews.move_to_end(key)
    found, text = known or _review(site, lot, what)
    # somebody may have decided otherwise in between: the plan at hand is always this one
    if text:
        lot.keep_plan(text)
    else:
        lot.plan_file.unlink(missing_ok=True)
    with _lock:
        _reviews[key] = found, text
        while len(_reviews) > _MOST_REVIEWS:
            _reviews.popitem(last=False)
    return found


def _review(site: Site, lot: Lot, what: Decided) -> tuple[Review, str]:
    files = lot.files()
    paths = [f.path for f in files]
    made: PlanMade | None = None
    plan_file: Path | None = None
    trouble: Doubtful | None = None
    if what.plan and not what.plan.startswith("preset:"):
        try:
            made = told(site, existing_text(site, lot, what), [])
        except OvenwrightError as cause:
            made = PlanMade(trouble=doubtful(cause))
        if made.text:
            plan_file = lot.keep_plan(made.text)
    seen = preview(paths, what.choices(), plan_file=plan_file, usual_zone=site.tools.settings.zone)
    columns = _columns(seen)
    if what.plan.startswith("preset:") and seen.brought is not None:
        try:
            made = preset_plan(site, what, columns, seen.brought.interval_s)
        except OvenwrightError as cause:
            made = PlanMade(trouble=doubtful(cause))
    plan_trouble = made.trouble if made is not None else None
    if seen.trouble is not None:
        if seen.brought is not None and plan_trouble is None:
            plan_trouble = doubtful(seen.trouble)
        else:
            trouble = doubtful(seen.trouble)
    brought = seen.brought
    told_of_it = Review(
        id=lot.id,
        files=[{"name": f.name, "size": f.size} for f in files],
        decided=what,
        ready=brought is not None and trouble is None and plan_trouble is None,
        trouble=trouble,
        rows=[_top(r) for r in seen.rows],
        columns=columns,
        concluded=[
            Conclusion(
                about=c.about,
                found=c.found,
                why=without_options(c.why),
                field=field_of(c.option),
                certain=c.certain,
            )
            for c in (brought.concluded if brought else ())
        ],
        notes=_notes(brought),
        start=brought.start if brought else None,
        samples=brought.samples if brought else 0,
        interval_s=_finite(brought.interval_s) if brought else None,
        duration_s=(brought.run.end_ns - brought.run.start_ns) / 1e9 if brought else None,
        plan=made.facts if made else None,
        plan_trouble=plan_trouble,
    )
    return told_of_it, made.text if made is not None else ""


def _finite(value: float) -> float | None:
    return value if value == value and abs(value) != float("inf") else None  # noqa: PLR0124


def _notes(brought: Brought | None) -> list[str]:
    """Return the notes that no conclusion and no column tells already."""
    if brought is None:
        return []
    said = {c.words() for c in brought.concluded} | {a.words() for a in brought.set_aside}
    return [without_options(n) for n in brought.notes if n not in said]


def _top(rows: FirstRows) -> Top:
    return Top(
        file=rows.file,
        columns=list(rows.columns),
        headings=list(rows.headings),
        units=list(rows.units),
        rows=[list(r) for r in rows.rows],
        lines=list(rows.lines),
        above=list(rows.above),
        sheets=list(rows.sheets),
    )


def _columns(seen: Previewed) -> list[ColumnFacts]:
    if seen.brought is None:
        return [
            ColumnFacts(name=n, heading=h or n, use="open")
            for top in seen.rows[:1]
            for n, h in zip(top.columns, top.headings, strict=True)
        ]
    brought = seen.brought
    waiting = list(brought.channels)
    aside = {a.name: a.why for a in brought.set_aside}
    out: list[ColumnFacts] = []
    for top in seen.rows:
        for name, heading in zip(top.columns, top.headings, strict=True):
            channel = next((c for c in waiting if c.column in {heading, name}), None)
            if channel is not None:
                waiting.remove(channel)
                out.append(_channel(channel, brought, name))
            elif name in aside:
                out.append(
                    ColumnFacts(
                        name=name,
                        heading=heading or name,
                        use="left out",
                        why=without_options(aside[name]),
                    )
                )
            elif heading or name:
                out.append(ColumnFacts(name=name, heading=heading or name, use="time"))
    # one row a reading: the channels stand in no heading
    out += [_channel(c, brought, c.name) for c in waiting]
    return out


def _channel(c: ChannelBrought, brought: Brought, name: str) -> ColumnFacts:
    why = next(
        (
            x.why
            for x in brought.concluded
            if x.about == "unit" or (x.about.startswith("unit of") and name in x.about)
        ),
        "",
    )
    return ColumnFacts(
        name=name,
        heading=c.column or name,
        use="temperature",
        unit=c.unit,
        # what the heading itself says needs no word beside it
        unit_why="" if why.endswith("says so") else without_options(why),
        channel=c.name,
        role=c.role_guess or "",
        role_why=c.role_reason,
        count=c.count,
        missing=c.missing,
        first_c=c.first_c,
        last_c=c.last_c,
        max_c=c.max_c,
        flags=[f"{f.check.replace('-', ' ')}: {f.reason}" for f in c.flags],
    )


# bringing in ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """A run that is sealed now, and its verdict where there was a plan."""

    brought: Brought
    judged: Judged | None
    trouble: Doubtful | None = None

    def facts(self) -> dict[str, Any]:
        """Return it as plain data."""
        run = self.brought.run
        return {
            "id": run.id,
            "link": f"/runs/{run.id}",
            "verdict": self.judged.verdict.outcome.value if self.judged else None,
            "why_no_verdict": self.trouble.what if self.trouble else None,
            **self.brought.facts(),
        }


def _plan_to_use(site: Site, lot: Lot, what: Decided) -> Path | None:
    if not what.plan:
        return None
    if not what.plan.startswith("preset:"):
        text = existing_text(site, lot, what)
        checked_text(text, site.tools.library(), file="the plan")
        return lot.keep_plan(text)
    found = review(site, lot)
    in_the_way = found.trouble or found.plan_trouble
    if in_the_way is not None:
        raise UsageError(in_the_way.what, where=in_the_way.where, remedy=in_the_way.remedy)
    if not lot.plan_file.is_file():
        raise StorageTrouble("the plan of these files is gone", remedy="choose it once more")
    return lot.plan_file


def seal(site: Site, lot: Lot, tell: Any = lambda *_: None) -> BroughtIn:
    """Bring a lot in: read, seal, judge where there is a plan; then the lot is gone.

    Raises
    ------
    ReadingsRefused, PlanFaults, UsageError : if something is still in the way
    StorageTrouble : if the disk refuses; the lot stays
    """
    tell(0.05, "looking at the files")
    what = decided(lot)
    paths = [f.path for f in lot.files()]
    for path in paths:
        weigh(path)
    plan_file = _plan_to_use(site, lot, what)
    tell(0.2, "reading and sealing")
    brought = bring_in(
        paths,
        what.choices(),
        logbook=site.tools.logbook,
        plan_file=plan_file,
        title=what.title,
        usual_zone=site.tools.settings.zone,
    )
    lot.discard()  # sealed: whatever comes now, these files must not be brought in twice
    judged: Judged | None = None
    trouble: Doubtful | None = None
    if plan_file is not None:
        tell(0.6, "judging")
        try:
            judged = judge_run(site.tools.logbook, site.tools.library(), brought.run.id)
        except OvenwrightError as cause:  # the run is sealed: why it can't be judged is told
            trouble = doubtful(cause)
    return BroughtIn(brought, judged, trouble)
