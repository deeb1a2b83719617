"""Times written after a pattern of the plan's author, with or without a day, year and zone."""

from __future__ import annotations

import datetime as dt
import zoneinfo

from ovenwright.domain.run import NS
from ovenwright.errors import UsageError

_DAY_S = 86_400
_END_NS = 7_258_118_400 * NS  # 2200-01-01, well inside 64 bits


def zone_of(name: str) -> dt.tzinfo:
    """Return the time zone of that name, UTC for "".

    Raises
    ------
    UsageError : if there is none
    """
    try:
        return zoneinfo.ZoneInfo(name or "UTC")
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as cause:
        raise UsageError(f"{name!r} is no time zone", remedy="such as Europe/Riga") from cause


def decode_patterned_time(
    word: str, form: str, zone: dt.tzinfo | None, received_ns: int
) -> tuple[int, bool] | None:
    """Return a time as UTC nanoseconds, and whether it had to be chosen from two.

    Parameters
    ----------
    word : the time as written
    form : pattern of ``strptime``; what it leaves out (day, year) is taken nearest to the receipt
    zone : zone of times that carry none
    received_ns : when it came, UTC

    Returns
    -------
    nanoseconds and True where a clock hour occurs twice (the one nearest to the receipt is taken);
    None for no time
    """
    try:
        moment = dt.datetime.strptime(word, form)  # noqa: DTZ007  the zone is added below
    except (ValueError, OverflowError):
        return None
    near = dt.datetime.fromtimestamp(received_ns / NS, tz=zone or dt.UTC)
    dated = any(d in form for d in ("%d", "%j", "%x", "%c"))
    options: list[dt.datetime] = []
    for days in (0,) if dated else (-1, 0, 1):
        day = moment
        if not dated:
            date = (near + dt.timedelta(days=days)).date()
            day = dt.datetime.combine(date, moment.timetz())
        elif not any(y in form for y in ("%Y", "%y", "%x", "%c")):
            day = moment.replace(year=near.year)
        if day.tzinfo is None:
            day = day.replace(tzinfo=zone)
        options += [day, day.replace(fold=1)]
    try:
        stamps = [_ns(o) for o in options]
    except (OverflowError, ValueError):
        return None
    best = min(stamps, key=lambda s: (abs(s - received_ns), s))
    doubtful = any(abs(s - best) <= 2 * 3600 * NS and s != best for s in stamps)
    if not 0 <= best < _END_NS:
        return None
    return best, doubtful


def _ns(moment: dt.datetime) -> int:
    since = moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    return (since.days * _DAY_S + since.seconds) * NS + since.microseconds * 1_000
