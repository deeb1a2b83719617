"""Times without a date: elapsed, or a clock that may pass midnight or noon."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from ovenwright.domain.arrays import BoolArray, IntArray
from ovenwright.domain.run import NS
from ovenwright.storage.readings.arrow import bools, kernels
from ovenwright.storage.readings.conclusions import Concluded
from ovenwright.storage.readings.time_nouns import (
    DAY_NS,
    TimeHints,
    TimeRefused,
    Times,
    coarse_step,
)
from ovenwright.storage.readings.time_patterns import Parts, time_of_day


def read_clock(text: Any, form: re.Pattern[str], hints: TimeHints) -> Times:
    """Read times without a date: elapsed h:mm:ss, mm:ss, or a clock that may pass midnight."""
    parts = Parts(text, form)
    bad, good = parts.bad, ~parts.bad
    hour, minute, second = parts.ints("h"), parts.ints("mi"), parts.ints("s")
    halves = bool(parts.seen("ap").any())
    three = bool(parts.seen("s")[good].any())
    concluded: list[Concluded] = []
    why = ""
    if three or halves:
        form_name = "h:mm:ss"
    else:
        form_name, why = _two_parts(hour[good], minute[good], parts, good, hints)
    if form_name == "mm:ss":
        ns = (hour * 60 + minute) * NS + parts.fraction_ns()
    elif three or halves:
        ns = time_of_day(parts)
    else:
        ns = (hour * 3600 + minute * 60 + second) * NS + parts.fraction_ns()
    ns = ns + parts.ints("dd") * DAY_NS
    minus = np.zeros(bad.shape, np.bool_)
    if parts.seen("sg").any():
        minus = bools(kernels.equal(parts.text("sg"), "-"))
        ns = np.where(minus, -ns, ns)
    if why:
        concluded.append(Concluded("time", form_name, why, "--time-unit mm:ss or h:mm"))
    top_hour = int(hour[good].max()) if form_name != "mm:ss" else 0
    first = int(ns[good][0])
    elapsed = form_name == "mm:ss" or (
        not halves
        and (
            hints.elapsed_word
            or hints.given_unit in {"h:mm:ss", "mm:ss", "h:mm"}
            or top_hour > 23
            or bool(minus.any())
            or bool(parts.seen("dd").any())
            or (0 <= first < 60 * NS and not hints.clock_word)
        )
    )
    if elapsed:
        said = "it starts at zero" if 0 <= first < 60 * NS else "hours or heading say so"
        times = Times(ns, bad, absolute=False, coarse_ns=coarse_step(ns[good]), concluded=concluded)
        times.concluded.append(Concluded("time", "elapsed", said, "--start", certain=True))
        return times
    ns, restamped, notes = _over_midnight(ns, good, halves=halves)
    times = Times(
        ns, bad, absolute=False, clock=True, coarse_ns=coarse_step(ns[good]), restamped=restamped,
        concluded=concluded, notes=notes,
    )  # fmt: skip
    times.concluded.append(
        Concluded("time", "time of day without a date", "no column holds a date", "--start")
    )
    return times


def _two_parts(
    left: IntArray, right: IntArray, parts: Parts, good: BoolArray, hints: TimeHints
) -> tuple[str, str]:
    if hints.given_unit in {"mm:ss", "h:mm"}:
        return hints.given_unit, ""
    if hints.unit in {"mm:ss", "h:mm"}:
        return hints.unit, ""
    if parts.seen("f")[good].any():
        return "mm:ss", "a fraction follows the second part"
    if int(left.max()) > 23:
        return "mm:ss", f"the first part goes up to {int(left.max())}"
    if hints.clock_word:
        return "h:mm", "the heading speaks of a clock"
    if int(left[0]) > 0:
        return "h:mm", f"it starts at {int(left[0])}:{int(right[0]):02d}, as a clock does"
    raise TimeRefused(
        f"times such as {int(left[-1])}:{int(right[-1]):02d} can be hours and minutes or minutes "
        "and seconds",
        "--time-unit h:mm or --time-unit mm:ss",
        0,
    )


def _over_midnight(
    ns: IntArray, good: BoolArray, *, halves: bool
) -> tuple[IntArray, BoolArray, list[str]]:
    """Carry a clock over midnight, and a twelve-hour clock without AM and PM over noon."""
    shown = ns[good].copy()
    notes: list[str] = []
    fall = np.diff(shown)
    period = DAY_NS
    top = int(shown.max())
    noon = np.flatnonzero((fall < -10 * 3600 * NS) & (fall >= -12 * 3600 * NS))
    if not halves and top < 13 * 3600 * NS and noon.size:
        period = DAY_NS // 2
        notes.append(
            "the clock goes from 12 to 1 without AM or PM: read as a twelve-hour clock that runs on"
        )
    wraps = fall < -period * 3 // 4
    turn = np.concatenate(([0], np.cumsum(wraps)))
    shown += turn * period
    restamped = np.zeros(ns.shape, np.bool_)
    restamped[good] = turn > 0
    mended = ns.copy()
    mended[good] = shown
    if wraps.any() and period == DAY_NS:
        count = int(turn[-1])
        notes.append(
            "the clock passes midnight" + (f" {count} times" if count > 1 else "")
            + ": the readings after it were put on the next day"
        )  # fmt: skip
    return mended, restamped, notes
