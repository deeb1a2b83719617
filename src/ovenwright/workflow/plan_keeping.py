"""Plans as named things with versions: list them, start one, keep a new version, tell differences."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from ovenwright.catalogue.catalogue import Catalogue
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.errors import OvenwrightError, Overtaken, PlanFaults, StorageTrouble, UsageError
from ovenwright.storage import toml_edit
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_shelf import PlanShelf, Standing, Version
from ovenwright.storage.presets import read_preset
from ovenwright.workflow.plan_drafting import read_draft, refuse_long


@dataclass(frozen=True, slots=True)
class KeptPlan:
    """One plan of the shelf at a glance. ``last_run`` is the run judged last under any version."""

    id: str
    title: str
    oven: str
    product: str
    channels: int
    newest: Version
    runs: int = 0
    last_run: str = ""
    last_used_ns: int = 0
    retired: Standing | None = None

    @property
    def ready(self) -> bool:
        """Whether the newest version had no fault when it was kept."""
        return self.newest.faults == 0

    @property
    def offered(self) -> bool:
        """Whether a new test may be begun with it: its newest version has no fault, it is not retired."""
        return self.ready and self.retired is None


def shelf_of(logbook: Logbook) -> PlanShelf:
    """Return the plan shelf of a logbook."""
    return PlanShelf(logbook.plan_shelf_dir)


def list_plans(logbook: Logbook, catalogue: Catalogue | None = None) -> tuple[KeptPlan, ...]:
    """Return the plans of a logbook, the one kept or used last first.

    Parameters
    ----------
    logbook : whose shelf is read
    catalogue : when given, tells how often and when each plan was last used
    """
    shelf = shelf_of(logbook)
    used: Mapping[str, tuple[int, str, int]] = {}
    if catalogue is not None:
        try:
            used = catalogue.plans_judged()
        except OvenwrightError:  # an index that can't be read hides no plan
            used = {}
    found = [_glance(shelf, plan_id, used) for plan_id in shelf.ids()]
    return tuple(sorted(found, key=lambda p: p.newest.saved, reverse=True))


def _glance(shelf: PlanShelf, plan_id: str, used: Mapping[str, tuple[int, str, int]]) -> KeptPlan:
    versions = shelf.versions(plan_id)
    uses = [used[key] for v in versions if (key := f"{v.sha256[:16]}.toml") in used]
    last = max(uses, key=lambda u: u[2], default=(0, "", 0))
    try:
        text = shelf.text(plan_id)
    except StorageTrouble:  # told when it is opened; a list must still show the others
        text = ""
    title, oven, product, channels = names_in(text)
    return KeptPlan(
        plan_id,
        title or plan_id,
        oven,
        product,
        channels,
        versions[0],
        sum(u[0] for u in uses),
        last[1],
        last[2],
        shelf.retired(plan_id),
    )


def names_in(text: str) -> tuple[str, str, str, int]:
    """Return title, oven, product and count of channels of a plan's text, faulty or not."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError):
        return "", "", "", 0

    def name(section: str) -> str:
        found = data.get(section)
        return str(found.get("name", "")) if isinstance(found, dict) else ""

    channels = data.get("channels")
    return (
        str(data.get("title", "")),
        name("oven"),
        name("product"),
        len(channels) if isinstance(channels, list) else 0,
    )


# starting ---------------------------------------------------------------------------------

BLANK = """# A plan from scratch. Units stand in the names: _c °C, _k K, _s seconds, _m metres.
title = "New plan"

[oven]
kind = "chamber" # or "tunnel", with [[oven.zones]] and belt_speed_m_min
name = "oven"
width_m = 1.0
depth_m = 1.0
height_m = 1.0

[product]
name = "product"

[recording]
interval_s = 1.0

# One table for each sensor.
[[channels]]
name = "channel 1"
sensor = "K"
role = "air"
"""


class From(StrEnum):
    """What a new plan starts from."""

    PRESET = "preset"
    RUN = "run"
    PLAN = "plan"
    TEXT = "text"
    BLANK = "blank"


def start_plan(
    logbook: Logbook,
    library: ReferenceLibrary,
    source: From,
    *,
    name: str = "",
    text: str = "",
    title: str = "",
    who: str = "",
    why: str = "",
) -> Version:
    """Keep the first version of a new plan.

    Parameters
    ----------
    source : what it starts from
    name : id of the preset, run or plan; of a text, the file it came in
    text : the plan itself, where the source is a text
    title : a title of its own; the source's when left out

    Raises
    ------
    UnknownName : if there is no such preset, run or plan
    UsageError : if the run carries no plan, or the text is no plan at all
    StorageTrouble : if the disk refuses
    """
    text, origin = _started_from(logbook, source, name, text)
    if title.strip() and tomllib.loads(text).get("title") != title.strip():
        text = toml_edit.set_value(text, ("title",), title.strip())
    draft = read_draft(text, library)
    return shelf_of(logbook).create(
        text,
        name=names_in(text)[0] or name,
        who=who,
        why=why or f"started from {origin}",
        faults=len(draft.faults),
        origin=origin,
    )


def _started_from(logbook: Logbook, source: From, name: str, text: str) -> tuple[str, str]:
    if source is From.PRESET:
        return read_preset(name).text, f"preset {name}"
    if source is From.BLANK:
        return BLANK, "nothing"
    if source is From.PLAN:
        shelf = shelf_of(logbook)
        return shelf.text(name), f"plan {name}, version {shelf.numbers(name)[-1]}"
    if source is From.RUN:
        kept = logbook.facts(name).plan_toml
        if not kept:
            raise UsageError(
                f"run {name} carries no plan", remedy="choose another run, or start from a preset"
            )
        return kept, f"run {name}"
    text = text.removeprefix("\ufeff")
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as cause:
        raise UsageError(
            f"this is not valid TOML: {cause}",
            where=name,
            remedy="a plan is a TOML file; readings are brought in as such",
        ) from cause
    if not data:
        raise UsageError("there is nothing in it", where=name, remedy="give a plan's TOML text")
    return text, f"file {name}" if name else "a text"


# keeping ----------------------------------------------------------------------------------


def keep_version(
    logbook: Logbook,
    library: ReferenceLibrary,
    plan_id: str,
    text: str,
    *,
    based_on: int,
    who: str = "",
    why: str,
    unfinished: bool = False,
) -> Version:
    """Keep a text as the next version of a plan.

    Parameters
    ----------
    based_on : the version the text was made from; when it is not the newest, nothing is kept
    unfinished : keep it although it has faults

    Raises
    ------
    Overtaken : if there is a newer version than the one it was made from
    PlanFaults : if the plan has faults and ``unfinished`` is off
    UnknownName : if there is no such plan
    UsageError : if no reason is given, or nothing changed
    StorageTrouble : if the disk refuses
    """
    shelf = shelf_of(logbook)
    newest = shelf.numbers(plan_id)[-1]
    if based_on > newest or based_on < 1:
        raise UsageError(
            f"there is no version {based_on} yet", where=plan_id, remedy=f"the newest is {newest}"
        )
    if based_on == newest and text == shelf.text(plan_id, newest):
        raise UsageError("nothing was changed", where=plan_id, remedy="there is nothing to keep")
    if not why.strip():
        raise UsageError("the reason is missing", remedy="say in a few words why it was changed")
    draft = read_draft(text, library)
    if draft.faults and not unfinished:
        raise PlanFaults(draft.faults)
    kept = None
    if based_on == newest:
        kept = shelf.add(
            plan_id, text, after=based_on, who=who, why=why.strip(), faults=len(draft.faults)
        )
    if kept is None:
        last = shelf.last(plan_id)
        raise Overtaken(
            f"{last.who or 'someone'} kept version {last.number} while you worked on {based_on}",
            newest=last.number,
            where=plan_id,
            remedy="look at the difference, then keep yours on top of it or take theirs; "
            "your text is untouched",
        )
    return kept


def retire_plan(
    logbook: Logbook, plan_id: str, *, who: str = "", why: str, back: bool = False
) -> Standing:
    """Offer a plan no more for new tests, or with ``back`` offer it again; its versions stay.

    Raises
    ------
    UnknownName : if there is no such plan
    UsageError : if no reason is given, or it stands so already
    StorageTrouble : if the disk refuses
    """
    shelf = shelf_of(logbook)
    shelf.numbers(plan_id)
    if not why.strip():
        does = "brought back" if back else "retired"
        raise UsageError("the reason is missing", remedy=f"say in a few words why it is {does}")
    made = shelf.set_standing(plan_id, retired=not back, who=who, why=why.strip())
    if made is None:
        stands = "is offered already" if back else "is retired already"
        raise UsageError(f"this plan {stands}", where=plan_id, remedy="there is nothing to do")
    return made


# differences ------------------------------------------------------------------------------


class Side(StrEnum):
    """Which text a line stands in."""

    BOTH = "both"
    OLD = "old"
    NEW = "new"
    GAP = "gap"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a comparison, with its numbers in the old and the new text (0: not there)."""

    side: Side
    text: str
    old: int = 0
    new: int = 0


@dataclass(frozen=True, slots=True)
class Difference:
    """What differs between two texts of a plan: ``said`` in words, ``lines`` letter by letter."""

    said: tuple[str, ...]
    lines: tuple[Line, ...]

    @property
    def same(self) -> bool:
        """Whether there is none."""
        return not self.lines


LONGEST_COMPARED = 20_000
_MANY_LINES = 1_500  # from here on lines that stand everywhere are no anchors: time stays bounded


def compare_texts(old: str, new: str, *, around: int = 2) -> Difference:
    """Return what differs between two texts; ``around`` lines beside each change are kept.

    Raises
    ------
    UsageError : if the new text is too long to be a plan
    """
    refuse_long(new)
    a, b = old.splitlines(), new.splitlines()
    if len(a) + len(b) > LONGEST_COMPARED:
        same = a == b
        words = f"{len(b)} lines are too many to be compared one by one"
        return Difference(
            () if same else tuple(_said(old, new)), () if same else (Line(Side.GAP, words),)
        )
    lines: list[Line] = []
    reached = 0
    junk = len(a) + len(b) > _MANY_LINES
    for group in difflib.SequenceMatcher(None, a, b, autojunk=junk).get_grouped_opcodes(around):
        if group[0][1] > reached:
            lines.append(Line(Side.GAP, f"{group[0][1] - reached} lines alike"))
        for tag, i1, i2, j1, j2 in group:
            if tag == "equal":
                lines += [Line(Side.BOTH, a[i], i + 1, j1 + i - i1 + 1) for i in range(i1, i2)]
                continue
            lines += [Line(Side.OLD, a[i], old=i + 1) for i in range(i1, i2)]
            lines += [Line(Side.NEW, b[j], new=j + 1) for j in range(j1, j2)]
        reached = group[-1][2]
    if lines and reached < len(a):
        lines.append(Line(Side.GAP, f"{len(a) - reached} lines alike"))
    return Difference(tuple(_said(old, new)), tuple(lines))


def _said(old: str, new: str) -> list[str]:
    try:
        one, other = _named(tomllib.loads(old)), _named(tomllib.loads(new))
    except (ValueError, RecursionError):
        return []
    said: list[str] = []
    _walk(one, other, "", said)
    return said


def _named(value: Any) -> Any:
    """Return plain data with lists of named tables as mappings by name, so that order is no news."""
    if isinstance(value, dict):
        return {str(k): _named(v) for k, v in value.items()}
    if isinstance(value, list) and value and all(isinstance(v, dict) for v in value):
        keys = [str(v.get("name", v.get("channel", i + 1))) for i, v in enumerate(value)]
        if len(set(keys)) == len(keys):
            return {k: _named(v) for k, v in zip(keys, value, strict=True)}
    return value


def _walk(one: Any, other: Any, where: str, said: list[str]) -> None:
    if isinstance(one, dict) and isinstance(other, dict):
        called = _renamed(one, other)
        for key in [*one, *(k for k in other if k not in one and k not in called.values())]:
            place = f"{where} › {key}" if where else key
            if key in called:
                said.append(f"{place} is called {called[key]} now")
            elif key not in other:
                said.append(f"{place} was taken out ({_short(one[key])})")
            elif key not in one:
                said.append(f"{place} was added: {_short(other[key])}")
            else:
                _walk(one[key], other[key], place, said)
    elif one != other:
        said.append(f"{where}: {_short(one)} → {_short(other)}")


def _renamed(one: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, str]:
    """Return items of a list that differ in nothing but their name: old name to new."""

    def rest(item: Any) -> Any:
        return {k: v for k, v in item.items() if k != "name"}

    gone = [k for k, v in one.items() if k not in other and isinstance(v, dict) and "name" in v]
    come = [k for k, v in other.items() if k not in one and isinstance(v, dict) and "name" in v]
    called: dict[str, str] = {}
    for key in gone:
        like = [k for k in come if k not in called.values() and rest(other[k]) == rest(one[key])]
        if len(like) == 1:
            called[key] = like[0]
    return called


def _short(value: Any) -> str:
    if isinstance(value, dict):
        words = ", ".join(f"{k} {_short(v)}" for k, v in value.items() if not isinstance(v, dict))
    elif isinstance(value, Sequence) and not isinstance(value, str):
        words = ", ".join(_short(v) for v in value) or "nothing"
    elif isinstance(value, bool):
        words = "yes" if value else "no"
    else:
        words = str(value)
    return words if len(words) <= 90 else words[:89] + "…"
