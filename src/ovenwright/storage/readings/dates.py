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
        day, why = _day_first(parts, clock, hints)
        said = hints.day_first is not None or hints.heading_day_first is not None
        p, q = parts.ints("p"), parts.ints("q")
        days, real = _days(parts.ints("y"), q if day else p, p if day else q)
        concluded.append(
            Concluded(
                "dates",
                "day first" if day else "month first",
                why,
                "--month-first" if day else "--day-first",
                certain=said or why == _SAME,
            )
        )
    else:
        month = parts.mapped("mon", MONTHS, 0) if "mon" in parts else parts.ints("mo")
        days, real = _days(parts.ints("y"), month, parts.ints("d"))
    impossible = ~real & ~bad
    if impossible.any():
        row = int(np.flatnonzero(impossible)[0])
        raise TimeRefused(f"{text[row].as_py()!r} is no date", "--day-first or --month-first", row)
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


def _day_first(parts: Parts, clock: IntArray, hints: TimeHints) -> tuple[bool, str]:
    if hints.day_first is not None:
        return hints.day_first, "it was given"
    if hints.heading_day_first is not None:
        return hints.heading_day_first, "the heading says so"
    good = ~parts.bad
    p, q, y = parts.ints("p")[good], parts.ints("q")[good], parts.ints("y")[good]
    if p.max() > 12 >= q.max():
        return True, f"{int(p.max())} stands first and is no month"
    if q.max() > 12 >= p.max():
        return False, f"{int(q.max())} stands second and is no month"
    if (p == q).all():
        return True, _SAME
    shown = parts.text("sep")
    ns = {}
    for day in (True, False):
        days, real = _days(y, q if day else p, p if day else q)
        ns[day] = (days * DAY_NS + clock[good], bool(real.all()))
    if ns[True][1] != ns[False][1]:
        return ns[True][1], "the other way some dates do not exist"
    falls = {d: int((np.diff(ns[d][0]) < 0).sum()) for d in ns}
    if (falls[True] == 0) != (falls[False] == 0):
        day = falls[True] == 0
        return day, "the other way the times would run backwards"
    span = {d: int(ns[d][0].max() - ns[d][0].min()) for d in ns}
    for day in (True, False):
        if span[not day] > 10 * span[day] and span[not day] >= 20 * DAY_NS:
            return day, "the other way the readings would stretch over weeks with a long gap"
    if str(kernels.unique(shown.filter(pa.array(good))).to_pylist()[0]) == ".":
        # a date with dots is written day first: common practice, no source
        return True, "dates with dots are written day first"
    both = [str(np.datetime64(int(ns[d][0][0]), "ns"))[:10] for d in (True, False)]
    first = int(np.flatnonzero(good)[0])
    raise TimeRefused(
        f"the date can be read day first as {both[0]} or month first as {both[1]}, and nothing in "
        "the data decides",
        "--day-first or --month-first",
        first,
    )


def _days(year: IntArray, month: IntArray, day: IntArray) -> tuple[IntArray, BoolArray]:
    """Return days since 1970-01-01, and where the date exists."""
    full = np.where(year < 70, year + 2000, np.where(year < 100, year + 1900, year))
    possible = (month >= 1) & (month <= 12) & (day >= 1)
    months = ((full - 1970) * 12 + np.clip(month, 1, 12) - 1).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + (day - 1)
    possible &= days.astype("datetime64[M]") == months
    return days.astype(np.int64), possible
