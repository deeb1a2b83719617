"""Dates in any usual order; day and month told apart by the data or not at all."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pyarrow as pa

from ovenwright.domain.arrays import BoolArray, IntArray
from ovenwright.domain.run import NS
from ovenwright.storage.readings.arrow import kernels
from ovenwright.storage.readings.conclusions import Concluded
from ovenwright.storage.readings.time_nouns import (
    DAY_NS,
    TimeHints,
    TimeRefused,
    Times,
    coarse_step,
)
from ovenwright.storage.readings.time_patterns import MONTHS, Parts, time_of_day

_SAME = "day and month are the same number"
_OPTIONS = {"day": "--day-first", "month": "--month-first", "year": "--year-first"}


def read_dates(text: Any, form: re.Pattern[str], hints: TimeHints) -> Times:
    """Read dates, with a time of day or without.

    Raises
    ------
    TimeRefused : if day and month can't be told apart, or a date does not exist
    """
    parts = Parts(text, form)
    bad = parts.bad
    clock = time_of_day(parts)
    concluded: list[Concluded] = []
    if "p" in parts:
        order, why = _order(parts, clock, hints)
        said = hints.day_first is not None or hints.heading_day_first is not None
        days, real = _days(*_fields(parts, order))
        concluded.append(
            Concluded(
                "dates",
                f"{order} first",
                why,
                _OPTIONS["month" if order == "day" else "day"],
                certain=said or hints.year_first or why == _SAME,
            )
        )
    else:
        month = parts.mapped("mon", MONTHS, 0) if "mon" in parts else parts.ints("mo")
        days, real = _days(parts.ints("y"), month, parts.ints("d"))
    impossible = ~real & ~bad
    if impossible.any():
        row = int(np.flatnonzero(impossible)[0])
        raise TimeRefused(
            f"{text[row].as_py()!r} is no date",
            "--day-first, --month-first or --year-first",
            row,
        )
    ns = days * DAY_NS + clock
    times = Times(ns, bad, absolute=True, coarse_ns=coarse_step(ns[~bad]), concluded=concluded)
    _apply_written_zone(times, parts, text)
    return times


def _apply_written_zone(times: Times, parts: Parts, text: Any) -> None:
    seen = parts.seen("zone") & ~times.bad
    if not seen.any():
        return
    column = parts.text("zone")
    names = kernels.unique(column).to_pylist()
    offsets: dict[str, int] = {}
    for name in names:
        if not name:
            continue
        match = re.fullmatch(r"([-+])(\d{2}):?(\d{2})?", name)
        if match:
            minutes = int(match[2]) * 60 + int(match[3] or 0)
            offsets[name.lower()] = (-minutes if match[1] == "-" else minutes) * 60
        elif name.upper() in {"Z", "UTC", "GMT"}:
            offsets[name.lower()] = 0
        else:
            times.letters = str(name)
            return
    if not (seen | times.bad).all():
        row = int(np.flatnonzero(~seen & ~times.bad)[0])
        raise TimeRefused(
            f"{text[row].as_py()!r} carries no zone where other rows do", "--time-column", row
        )
    times.ns = times.ns - parts.mapped("zone", offsets, 0) * NS
    times.utc = True


def _fields(parts: Parts, order: str) -> tuple[IntArray, IntArray, IntArray]:
    """Return year, month and day where the year, the month or the day stands first."""
    p, q, y = parts.ints("p"), parts.ints("q"), parts.ints("y")
    return {"year": (p, q, y), "month": (y, p, q), "day": (y, q, p)}[order]


def _order(parts: Parts, clock: IntArray, hints: TimeHints) -> tuple[str, str]:
    """Return which of year, month and day stands first, and why."""
    if hints.day_first is not None:
        return ("day" if hints.day_first else "month"), "it was given"
    if hints.year_first:
        return "year", "it was given or the heading says so"
    if hints.heading_day_first is not None:
        return ("day" if hints.heading_day_first else "month"), "the heading says so"
    good = ~parts.bad
    ns: dict[str, IntArray] = {}
    two_digits = bool((parts.ints("y")[good] < 100).all())
    for order in ("day", "month", "year") if two_digits else ("day", "month"):
        days, real = _days(*(f[good] for f in _fields(parts, order)))
        if real.all():
            ns[order] = days * DAY_NS + clock[good]
    mark = str(kernels.unique(parts.text("sep").filter(pa.array(good))).to_pylist()[0])
    order, why = _day_or_month(parts, good, ns, mark)
    if "year" not in ns:
        if order:
            return order, why
    elif order in ns and (early := _earlier(ns, "year", order)):
        return early
    elif not ({"day", "month"} & set(ns)):
        return "year", "no other order gives dates that exist"
    elif order and mark != "-":
        # two digits for the year come last when slashes or dots part: common practice, no source
        year = str(np.datetime64(int(ns["year"][0]), "ns"))[:10]
        return order, f"{why} (read year first it would be {year}: --year-first)"
    shown = {o: str(np.datetime64(int(t[0]), "ns"))[:10] for o, t in ns.items()}
    if order and "year" in ns:
        shown = {o: t for o, t in shown.items() if o in (order, "year")}
    raise TimeRefused(
        "the date can be read "
        + " or ".join(f"{o} first as {t}" for o, t in shown.items())
        + ", and nothing in the data decides",
        " or ".join(_OPTIONS[o] for o in shown),
        int(np.flatnonzero(good)[0]),
    )


def _day_or_month(
    parts: Parts, good: BoolArray, ns: dict[str, IntArray], mark: str
) -> tuple[str, str]:
    """Return whether day or month stands first, "" where nothing decides."""
    p, q = parts.ints("p")[good], parts.ints("q")[good]
    if p.max() > 12 >= q.max():
        return "day", f"{int(p.max())} stands first and is no month"
    if q.max() > 12 >= p.max():
        return "month", f"{int(q.max())} stands second and is no month"
    if (p == q).all():
        return "day", _SAME
    if ("day" in ns) != ("month" in ns):
        return ("day" if "day" in ns else "month"), "the other way some dates do not exist"
    if "day" not in ns:
        return "day", "neither way all dates exist"
    if early := _earlier(ns, "day", "month"):
        return early
    if mark == ".":
        # a date with dots is written day first: common practice, no source
        return "day", "dates with dots are written day first"
    return "", ""


def _earlier(ns: dict[str, IntArray], one: str, other: str) -> tuple[str, str] | None:
    """Return which of two orders makes a sane recording, None where both or neither do."""
    falls = {o: int((np.diff(ns[o]) < 0).sum()) for o in (one, other)}
    if (falls[one] == 0) != (falls[other] == 0):
        order = one if falls[one] == 0 else other
        return order, "the other way the times would run backwards"
    span = {o: int(ns[o].max() - ns[o].min()) for o in (one, other)}
    for order, against in ((one, other), (other, one)):
        if span[against] > 10 * span[order] and span[against] >= 20 * DAY_NS:
            return order, "the other way the readings would stretch over weeks with a long gap"
    return None


def _days(year: IntArray, month: IntArray, day: IntArray) -> tuple[IntArray, BoolArray]:
    """Return days since 1970-01-01, and where the date exists."""
    full = np.where(year < 70, year + 2000, np.where(year < 100, year + 1900, year))
    possible = (month >= 1) & (month <= 12) & (day >= 1)
    months = ((full - 1970) * 12 + np.clip(month, 1, 12) - 1).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + (day - 1)
    possible &= days.astype("datetime64[M]") == months
    return days.astype(np.int64), possible
