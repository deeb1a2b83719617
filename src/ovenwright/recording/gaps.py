"""Where a recording has holes, and what is known of the reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ovenwright.domain.arrays import IntArray
from ovenwright.domain.run import NS, Mark, MarkKind

_INTERVALS = 3.0
_LEAST_S = 1.0
MOST_MARKS = 300


@dataclass(frozen=True, slots=True)
class _Hole:
    channel: str
    begin_ns: int
    end_ns: int


def gap_marks(
    times: Mapping[str, IntArray], *, interval_s: float, events: Sequence[Mapping[str, Any]] = ()
) -> tuple[tuple[Mark, ...], int]:
    """Return a mark for every hole, and how many holes were too many to be marked.

    Parameters
    ----------
    times : (n,) rising UTC nanoseconds of each channel
    interval_s : planned time between readings
    events : what the recorder and the instruments said, with ``at_ns``; they give the reasons

    Holes that several channels have together become one mark.
    """
    holes: list[_Hole] = []
    for name, time_ns in times.items():
        if time_ns.size < 2:
            continue
        steps = np.diff(time_ns)
        usual_s = max(interval_s, float(np.median(steps)) / NS)
        limit_ns = max(_INTERVALS * usual_s, _LEAST_S) * NS
        holes += [
            _Hole(name, int(time_ns[i]), int(time_ns[i + 1]))
            for i in np.flatnonzero(steps > limit_ns)
        ]
    groups: list[list[_Hole]] = []
    for hole in sorted(holes, key=lambda h: (h.begin_ns, h.end_ns)):
        slack_ns = max(2.0 * interval_s, _LEAST_S) * NS
        for group in groups[-8:]:
            first = group[0]
            near = abs(hole.begin_ns - first.begin_ns) <= slack_ns
            if near and abs(hole.end_ns - first.end_ns) <= slack_ns:
                group.append(hole)
                break
        else:
            groups.append([hole])
    marks = [_mark(group, len(times), events) for group in groups[:MOST_MARKS]]
    return tuple(marks), max(0, len(groups) - MOST_MARKS)


def _mark(group: Sequence[_Hole], channels: int, events: Sequence[Mapping[str, Any]]) -> Mark:
    begin, end = min(h.begin_ns for h in group), max(h.end_ns for h in group)
    names = sorted({h.channel for h in group})
    who = ""
    if len(names) == channels:
        who = "every channel"
    elif len(names) > 1:
        who = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    reason = _reason(begin, end, events)
    text = f"no reading for {(end - begin) / NS:.1f} s" + (f" from {who}" if who else "")
    return Mark(
        MarkKind.GAP,
        begin,
        text + (f": {reason}" if reason else ""),
        channel=names[0] if len(names) == 1 and channels > 1 else None,
        until_ns=end,
    )


def _reason(begin: int, end: int, events: Sequence[Mapping[str, Any]]) -> str:
    for event in events:
        at = int(event.get("at_ns", 0))
        if not begin <= at <= end + 5 * NS:
            continue
        if event.get("event") == "resumed":
            return "the recorder was not running"
    for event in events:
        at = int(event.get("at_ns", 0))
        if begin <= at <= end + NS and event.get("kind") in {"lost", "waiting", "rebooted"}:
            return str(event.get("text") or f"the link was {event['kind']}")
    return ""
