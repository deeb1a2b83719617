"""Faults across the keys of a plan's alarms."""

from __future__ import annotations

from collections.abc import Iterator

from ovenwright.domain.alarm import CONDITIONS
from ovenwright.domain.run import Role
from ovenwright.errors import Fault
from ovenwright.storage.plan_draft import Draft, items_of
from ovenwright.storage.plan_faults import nearest


def alarm_faults(draft: Draft) -> Iterator[Fault]:
    """Yield alarms without one condition, or for channels and roles the plan does not have."""
    for i, raw in items_of(draft.data, "alarms"):
        given = [name for name in CONDITIONS if name in raw]
        if len(given) != 1:
            yield Fault(
                ("alarms", i, given[1] if given else "name"),
                f"the alarm has {' and '.join(given)}" if given else "the alarm has no condition",
                f"give one of {', '.join(CONDITIONS)}",
            )
        on = raw.get("on")
        if isinstance(on, str) and on in set(Role) and on not in draft.roles:
            yield Fault(
                ("alarms", i, "on"),
                f"no channel has the role {on}",
                f"roles here: {', '.join(sorted(draft.roles))}",
            )
        for name in on if isinstance(on, list) else ():
            if name not in draft.names:
                like = nearest(str(name), draft.names)
                yield Fault(
                    ("alarms", i, "on"),
                    f"there is no channel {name!r}",
                    f'did you mean "{like}"?' if like else f"channels: {', '.join(draft.names)}",
                )
        if raw.get("topic") and not _has_broker(draft):
            yield Fault(
                ("alarms", i, "topic"),
                "the plan has no MQTT instrument whose broker could be told",
                "give a command instead, or add the instrument",
            )


def _has_broker(draft: Draft) -> bool:
    return any(one.get("kind") == "mqtt" for _, one in items_of(draft.data, "instruments"))
