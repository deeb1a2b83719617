"""The words a person gives for what a recording waits for."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ovenwright.domain.run import NS
from ovenwright.errors import UsageError
from ovenwright.recording.rules import Start, StartKind

_CROSSING = re.compile(r"(above|below)=(.+):\s*([-+]?\d+(?:\.\d+)?)\s*(?:°?\s*C)?")


def read_start(words: str, *, zone: str, now_ns: int) -> Start:
    """Return what a recording waits for.

    Parameters
    ----------
    words : ``now``, ``load-in``, ``at=14:30``, ``at=2026-03-04T14:30``, ``above=CHANNEL:60`` or
        ``below=CHANNEL:60``
    zone : time zone of a time without one
    now_ns : this moment; a time of day means the next such moment

    Raises
    ------
    UsageError : if it is none of these
    """
    if words in {"now", "load-in"}:
        return Start(StartKind(words))
    if crossing := _CROSSING.fullmatch(words):
        kind = StartKind(crossing[1])
        return Start(kind, channel=crossing[2].strip(), level_c=float(crossing[3]))
    if words.startswith("at="):
        return Start(StartKind.AT, at_ns=_moment(words.removeprefix("at="), zone, now_ns))
    raise UsageError(
        f"{words!r} is no start",
        where="--start",
        remedy="write now, load-in, at=14:30, at=2026-03-04T14:30, above=CHANNEL:60 or "
        "below=CHANNEL:60",
    )


def _moment(text: str, zone: str, now_ns: int) -> int:
    try:
        here = ZoneInfo(zone or "UTC")
    except (ZoneInfoNotFoundError, ValueError) as cause:
        raise UsageError(f"{zone!r} is no time zone", where="--start") from cause
    now = datetime.fromtimestamp(now_ns / NS, UTC).astimezone(here)
    try:
        if re.fullmatch(r"\d\d?:\d\d(:\d\d)?", text):
            hour, minute, *rest = (int(p) for p in text.split(":"))
            at = now.replace(hour=hour, minute=minute, second=(rest or [0])[0], microsecond=0)
            if at <= now:
                at += timedelta(days=1)
        else:
            at = datetime.fromisoformat(text)
            at = at if at.tzinfo else at.replace(tzinfo=here)
    except ValueError as cause:
        raise UsageError(
            f"{text!r} is no time", where="--start", remedy="write at=14:30 or at=2026-03-04T14:30"
        ) from cause
    if at <= now:
        raise UsageError(f"{text} has passed already", where="--start", remedy="give a later time")
    return round(at.timestamp() * NS)
