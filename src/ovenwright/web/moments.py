"""Moments as people read them, and as machines do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ovenwright.errors import UsageError

_NS = 10**9


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment: ``utc`` for machines, ``words`` for people of the zone."""

    utc: str
    words: str


def utc_text(time_ns: int) -> str:
    """Return a moment as ISO 8601 in UTC, to the microsecond."""
    whole = datetime.fromtimestamp(time_ns // _NS, UTC)
    return f"{whole:%Y-%m-%dT%H:%M:%S}.{time_ns % _NS // 1000:06d}Z"


def zone_of(name: str) -> ZoneInfo:
    """Return a zone by its name; UTC where there is none, or none of that name."""
    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return ZoneInfo("UTC")


def moment(time_ns: int, zone: str) -> Moment:
    """Return a moment in both forms; the words are of that zone, on a 24-hour clock."""
    local = datetime.fromtimestamp(time_ns // _NS, UTC).astimezone(zone_of(zone))
    return Moment(utc_text(time_ns), f"{local:%Y-%m-%d %H:%M:%S} {local.tzname()}")


def day_start_ns(text: str, zone: str, *, after: bool = False) -> int | None:
    """Return when a day began in a zone, or with ``after`` the next one; None for no text.

    Raises
    ------
    UsageError : if it is no day
    """
    if not text.strip():
        return None
    try:
        day = date.fromisoformat(text.strip())
        day = day + timedelta(days=1) if after else day
        began = datetime.combine(day, time(), zone_of(zone)).timestamp()
    except (ValueError, OverflowError) as cause:
        raise UsageError(
            f"{text[:40]!r} is no day", remedy="write it as 2026-03-04: year, month, day"
        ) from cause
    return int(began) * _NS
