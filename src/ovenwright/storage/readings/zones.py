"""From a local clock to UTC, over the changes to and from summer time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from ovenwright.domain.arrays import BoolArray, IntArray
from ovenwright.domain.run import NS
from ovenwright.errors import UsageError

_EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)  # noqa: UP017
_HOUR = 3600 * NS


@dataclass(frozen=True, slots=True)
class InUtc:
    """Times in UTC, which of them were resolved by order, and what there is to say."""

    time_ns: IntArray
    restamped: BoolArray
    notes: tuple[str, ...]


def find_zone(name: str) -> ZoneInfo:
    """Return a time zone by its name.

    Raises
    ------
    UsageError : if the time zone database has no such name
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as cause:
        raise UsageError(
            f"no time zone is called {name!r}",
            where="--zone",
            remedy="give a name of the IANA time zone database, such as Europe/Riga or UTC",
        ) from cause


def offset_ns(zone: ZoneInfo, utc_ns: int) -> int:
    """Return what the zone adds to UTC at one moment."""
    moment = _EPOCH + timedelta(seconds=utc_ns // NS)
    offset = moment.astimezone(zone).utcoffset()
    return int(offset.total_seconds()) * NS if offset is not None else 0


def transitions(zone: ZoneInfo, from_ns: int, to_ns: int) -> list[tuple[int, int, int]]:
    """Return the changes of offset between two moments as (UTC ns, offset before, offset after)."""
    found = []
    step = 6 * _HOUR
    left, before = from_ns, offset_ns(zone, from_ns)
    while left < to_ns:
        right = min(left + step, to_ns)
        after = offset_ns(zone, right)
        if after != before:
            low, high = left, right
            while high - low > NS:
                middle = (low + high) // 2 // NS * NS
                if offset_ns(zone, middle) == before:
                    low = middle
                else:
                    high = middle
            found.append((high // NS * NS, before, after))
        left, before = right, after
    return found


def to_utc(local_ns: IntArray, zone: ZoneInfo, *, good: BoolArray) -> InUtc:
    """Turn a local clock into UTC; the hour that comes twice is resolved by the order of rows.

    Parameters
    ----------
    local_ns : (n,) what the clock showed, as if it were UTC, in the order of the file
    zone : where the clock hung
    good : (n,) False for rows without a readable time
    """
    restamped = np.zeros(local_ns.shape, np.bool_)
    if not good.any():
        return InUtc(local_ns.copy(), restamped, ())
    shown = local_ns[good]
    margin = 26 * _HOUR
    changes = transitions(zone, int(shown.min()) - margin, int(shown.max()) + margin)
    if not changes:
        return InUtc(local_ns - offset_ns(zone, int(shown[0])), restamped, ())
    first = changes[0][1]
    offset = np.full(shown.shape, first, np.int64)
    mended = np.zeros(shown.shape, np.bool_)
    notes: list[str] = []
    for at, before, after in changes:
        edge_before, edge_after = at + before, at + after
        low, high = min(edge_before, edge_after), max(edge_before, edge_after)
        inside = (shown >= low) & (shown < high)
        offset[shown >= high] = after
        if not inside.any():
            continue
        if after > before:
            # these times never showed on a clock that followed the change
            offset[shown >= low] = before
            mended |= shown >= low
            notes.append(
                f"the clock showed {_stamp(low)} to {_stamp(high)}, an hour that the change to "
                f"summer time leaves out in {zone.key}: it did not follow the change, and its "
                "offset is kept to the end"
            )
            continue
        second, note = _second_pass(shown, inside, low, high, zone.key)
        offset[inside & ~second] = before
        offset[inside & second] = after
        mended |= inside
        if note == "unchanged":
            offset[shown >= low] = before
            mended |= shown >= low
            notes.append(
                f"the clock ran through {_stamp(low)} to {_stamp(high)} once and on without a "
                f"gap, where {zone.key} has that hour twice: it did not follow the change, and "
                "its offset is kept to the end"
            )
        else:
            notes.append(note)
    utc = local_ns - first
    utc[good] = shown - offset
    restamped[good] = mended
    return InUtc(utc, restamped, tuple(notes))


def _second_pass(
    shown: IntArray, inside: BoolArray, low: int, high: int, zone: str
) -> tuple[BoolArray, str]:
    """Say which of the times inside the doubled hour belong to its second pass."""
    rows = np.flatnonzero(inside)
    second = np.zeros(shown.shape, np.bool_)
    span = high - low
    steps = np.diff(shown)
    usual = float(np.median(np.abs(steps))) if steps.size else 0.0
    back = np.flatnonzero((steps < -span // 2) & (steps >= -span - 60 * NS))
    back = back[inside[back] | inside[np.minimum(back + 1, shown.size - 1)]]
    words = f"the hour {_stamp(low)} to {_stamp(high)} comes twice in {zone}"
    if back.size:
        second[back[0] + 1 :] = True
        return second & inside, f"{words}: told apart by the order of the rows"
    before_it = bool(rows[0] > 0 and shown[rows[0] - 1] < low)
    after_it = bool(rows[-1] + 1 < shown.size and shown[rows[-1] + 1] >= high)
    near = max(4 * usual, 2 * NS)
    joins_after = after_it and shown[rows[-1] + 1] - shown[rows[-1]] <= near
    joins_before = before_it and shown[rows[0]] - shown[rows[0] - 1] <= near
    if joins_before and joins_after:
        return second, "unchanged"
    if joins_after and not joins_before:
        second[inside] = True
        return second, f"{words}: taken as the second, since the readings run on past it"
    if joins_before:
        return second, f"{words}: taken as the first, since the readings run into it"
    return second, f"{words} and nothing tells which it was: taken as the first"


def _stamp(local_ns: int) -> str:
    moment = _EPOCH + timedelta(seconds=local_ns // NS)
    return moment.strftime("%Y-%m-%d %H:%M")
