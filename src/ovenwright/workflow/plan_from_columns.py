"""A plan made to fit a file: a preset's questions asked of the columns that are there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ovenwright.domain.plan import Channel, Place, Plan, Requirement, SensorType
from ovenwright.domain.run import Role
from ovenwright.errors import UsageError
from ovenwright.physics import tolerance
from ovenwright.storage.plan_file import parse_plan, write_plan
from ovenwright.storage.presets import read_preset

_LANES = ("left", "centre", "right")


@dataclass(frozen=True, slots=True)
class Assigned:
    """What a person says of one column: its sensor and what it feels."""

    name: str
    role: Role
    sensor: SensorType
    heading: str = ""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A plan's text, and what had to be left out of the preset."""

    plan: Plan
    text: str
    notes: tuple[str, ...]


def plan_for_columns(
    preset: str,
    columns: Sequence[Assigned],
    *,
    oven: str = "",
    product: str = "",
    title: str = "",
    interval_s: float | None = None,
) -> Fitted:
    """Return a preset's plan with a file's columns as its channels.

    What a preset asks of a role that no column has is left out and told. Geometry, setpoints and
    product stay the preset's: a start, to be made one's own.

    Parameters
    ----------
    preset : its id
    columns : at least one, names unlike
    oven, product, title : names in place of the preset's
    interval_s : the step of the readings

    Raises
    ------
    UnknownName : if there is no such preset
    UsageError : if no column is given
    """
    if not columns:
        raise UsageError(
            "no column has a role yet, so the plan would have no channel",
            where="columns",
            remedy="say of at least one column what its sensor feels",
        )
    start = parse_plan(read_preset(preset).text, file=preset)
    roles = {c.role for c in columns}
    names = {c.name for c in columns}
    notes: list[str] = []

    def there(on: Role | tuple[str, ...] | None) -> bool:
        return on is None or (on in roles if isinstance(on, Role) else set(on) <= names)

    kept: list[Requirement] = []
    for wish in start.requirements:
        if there(wish.on):
            kept.append(wish)
        else:
            asks = wish.on.value if isinstance(wish.on, Role) else ", ".join(wish.on or ())
            notes.append(f"“{wish.name}” is not asked: no column is {asks}")
    changes: dict[str, object] = {
        "channels": tuple(_channel(c, start) for c in columns),
        "requirements": tuple(kept),
        "crossings": tuple(c for c in start.crossings if there(c.on)),
        "alarms": (),
        "instruments": (),
    }
    if title:
        changes["title"] = title
    if oven:
        changes["oven"] = start.oven.model_copy(update={"name": oven})
    if product:
        changes["product"] = start.product.model_copy(update={"name": product})
    recording = start.recording.model_copy(update={"stop": type(start.recording.stop)()})
    if interval_s is not None and interval_s > 0:
        recording = recording.model_copy(update={"interval_s": interval_s})
    changes["recording"] = recording
    plan = start.model_copy(update=changes)
    return Fitted(plan, write_plan(plan), tuple(notes))


def _channel(column: Assigned, start: Plan) -> Channel:
    alike = next((c for c in start.channels if c.role is column.role), start.channels[0])
    words = column.name.casefold().replace("center", "centre").split()
    lane = next((w for w in _LANES if w in words), "")
    classes = tolerance.classes(column.sensor.value)
    return Channel(
        name=column.name,
        sensor=column.sensor,
        # where nothing else is known the widest usual class is the careful choice
        tolerance=next((c for c in classes if "class 2" in c or "class B" in c), ""),
        role=column.role,
        column=column.heading if column.heading != column.name else "",
        place=Place(lane=lane, depth_m=alike.place.depth_m if alike.role is column.role else None),
        module=alike.module or "instrument",
        reference_uncertainty_k=alike.reference_uncertainty_k,
    )


def with_columns(plan: Plan, columns: Mapping[str, str]) -> Plan:
    """Return a plan whose channels take the columns given.

    Parameters
    ----------
    columns : channel name to the heading in the file; an empty heading changes nothing

    Raises
    ------
    UsageError : if two channels are given one column
    """
    wanted = {k: v for k, v in columns.items() if v and plan.channel(k) is not None}
    twice = [h for h in wanted.values() if list(wanted.values()).count(h) > 1]
    if twice:
        raise UsageError(
            f"the column {twice[0]!r} was given to two channels",
            where="columns",
            remedy="one column feeds one channel",
        )
    if not wanted:
        return plan
    channels = []
    for c in plan.channels:
        if c.name in wanted:
            c = c.model_copy(update={"column": wanted[c.name]})  # noqa: PLW2901
        elif c.column in wanted.values() or c.name in wanted.values():
            # its own word now belongs to another channel
            c = c.model_copy(update={"column": f"{c.name} (not in this file)"})  # noqa: PLW2901
        channels.append(c)
    return plan.model_copy(update={"channels": tuple(channels)})
