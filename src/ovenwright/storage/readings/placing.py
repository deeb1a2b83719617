"""The source's own time brought to UTC, as far as it is known; rows without a time settled."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa

from ovenwright.domain.arrays import BoolArray, IntArray
from ovenwright.domain.run import NS
from ovenwright.errors import UsageError
from ovenwright.storage.readings.collecting import Whole
from ovenwright.storage.readings.conclusions import Concluded
from ovenwright.storage.readings.headings import Heading
from ovenwright.storage.readings.story import Story
from ovenwright.storage.readings.time_nouns import DAY_NS, TimeHints, TimeRefused, Times
from ovenwright.storage.readings.time_patterns import shape_of
from ovenwright.storage.readings.times import read_times
from ovenwright.storage.readings.zones import find_zone, to_utc


class Placer:
    """Places the rows of one table in time."""

    def __init__(self, story: Story) -> None:
        self.story = story

    def settle_bad_rows(
        self,
        times: Times,
        cells: Any,
        heads: Sequence[Heading],
        columns: Sequence[Whole],
    ) -> None:
        """Accept repeated headings, empty rows and a footer; refuse any other row without a time."""
        rows = np.flatnonzero(times.bad)
        if not rows.size:
            return
        if times.bad.all():
            raise self.story.refuse("no row has a time that can be read", "--time-column", 0)
        last = int(np.flatnonzero(~times.bad)[-1])
        own = {" ".join(h.text for h in heads).strip().casefold()}
        own |= {(h.time_unit or h.text).casefold() for h in heads}
        units = {c.strip().casefold() for c in self.story.table.unit_cells or [] if c.strip()}
        repeated = empty = 0
        for row in rows[rows < last]:
            text = str(cells[int(row)].as_py() or "").strip()
            if text.casefold() in own | units and text:
                repeated += 1
            elif not text and not any(c.known_at(int(row)) for c in columns):
                empty += 1
            else:
                raise self.story.refuse(
                    f"the time {text[:40]!r} can't be read" if text else "the time is empty",
                    "--time-column; mend or remove the line if it is damaged",
                    int(row),
                )
        if repeated:
            self.story.notes.append(f"the headings come again {repeated} times further down")
        if empty:
            self.story.notes.append(f"{empty} empty rows were passed over")
        footer = rows[rows > last]
        if footer.size:
            text = str(cells[int(footer[0])].as_py() or "").strip()
            self.story.notes.append(
                f"{footer.size} rows after the last reading have no time and were left out, from "
                f"line {self.story.table.line_of(int(footer[0]))}: {text[:40]!r}"
            )

    def place_in_time(self, times: Times) -> None:
        """Bring the source's own time to UTC, as far as it is known."""
        good = ~times.bad
        restamped = times.restamped
        if not times.absolute and not times.clock and not self.story.long:
            self._refuse_second_start(times.ns, good)
        if times.letters and not self.story.choices.zone:
            raise self.story.refuse(
                f"the times carry {times.letters!r}, letters that stand for more than one zone",
                "--zone, for example --zone Europe/Riga",
                0,
            )
        if times.absolute and not times.utc:
            times.ns, restamped = self._to_utc(times.ns, good, restamped)
        elif not times.absolute and self.story.choices.start:
            start, aware = _start_of(self.story.choices.start)
            if times.clock:
                start -= start % DAY_NS
            ns = times.ns + start
            if aware:
                times.ns = ns
            else:
                times.ns, restamped = self._to_utc(ns, good, restamped)
            times.absolute = True
            self.story.concluded = [c for c in self.story.concluded if c.option != "--start"]
        elif not times.absolute and (begun := begun_above(self.story.table.banner, times.clock)):
            moment, line = begun
            times.ns, restamped = self._to_utc(times.ns + moment, good, restamped)
            times.absolute = True
            self.story.concluded = [c for c in self.story.concluded if c.option != "--start"]
            shown = str(np.datetime64(moment, "ns").astype("datetime64[s]"))
            self.story.concluded.append(
                Concluded(
                    "day" if times.clock else "elapsed zero",
                    shown[:10] if times.clock else shown,
                    f"a line above the table says {line[:60]!r}",
                    "--start",
                )
            )
        elif not times.absolute:
            first = int(times.ns[good][0])
            if times.clock:
                self.story.notes.append(
                    "the times have no date: kept as time of day (--start DATE gives the day)"
                )
            elif first < 0:
                self.story.notes.append(
                    f"the source's clock starts at {first / NS:g} s; elapsed time is counted from "
                    "the first reading"
                )
        times.restamped = restamped

    def _refuse_second_start(self, ns: IntArray, good: BoolArray) -> None:
        """Refuse a table in which elapsed time starts again: two recordings in one file."""
        shown = ns[good]
        falls = np.flatnonzero(np.diff(shown) < 0)
        if not 1 <= falls.size <= _MOST_STARTS:
            return
        span = int(shown.max() - shown[0])
        for fall in falls.tolist():
            begun_again = abs(shown[fall + 1] - shown[0]) <= 0.02 * span
            ran_long = shown[fall] - shown[0] >= 0.3 * span
            if begun_again and ran_long and shown.size - fall > _FEWEST_ROWS:
                raise self.story.refuse(
                    f"the time falls from {shown[fall] / NS:g} s to {shown[fall + 1] / NS:g} s: a "
                    "second recording begins here",
                    "each part in a file of its own, with --join after if they belong together",
                    int(np.flatnonzero(good)[fall + 1]),
                )

    def _to_utc(
        self, ns: IntArray, good: BoolArray, restamped: BoolArray | None
    ) -> tuple[IntArray, BoolArray | None]:
        ns, carried = _carry_days(ns, good)
        if carried.any():
            self.story.notes.append(
                "the clock passes midnight while the date stays: the day was carried on"
            )
            restamped = carried if restamped is None else carried | restamped
        if not self.story.choices.zone:
            self._refuse_hidden_fold(ns, good)
            self.story.concluded.append(
                Concluded("time zone", "UTC", "the times name none and none was given", "--zone")
            )
            return ns, restamped
        found = to_utc(ns, find_zone(self.story.choices.zone), good=good)
        self.story.notes += found.notes
        both = found.restamped if restamped is None else found.restamped | restamped
        return found.time_ns, both

    def _refuse_hidden_fold(self, ns: IntArray, good: BoolArray) -> None:
        step = np.diff(ns[good])
        back = np.flatnonzero(step < 0)
        if back.size == 1 and -3601 * NS <= step[back[0]] < -3000 * NS:
            row = int(np.flatnonzero(good)[back[0] + 1])
            raise self.story.refuse(
                "the clock goes back by an hour and runs on, as at the end of summer time",
                "--zone, for example --zone Europe/Berlin",
                row,
            )


_MOST_STARTS = 20
_FEWEST_ROWS = 5
_BEGUN = re.compile(
    r"(?:^|\W)(?:start|started|begin|began|begun|beginn|recorded|début|inicio|inizio|sākums)\w*"
    r"(?:\W*(?:time|date|at|on|zeit|datum|and|of|recording|test|run))*[^\w]*(?P<moment>\d.*)$",
    re.IGNORECASE,
)
_DATED = re.compile(r"(?:^|\W)(?:date|datum|fecha|data|day)\W+(?P<moment>\d\S*)", re.IGNORECASE)


def begun_above(banner: Sequence[str], clock: bool) -> tuple[int, str] | None:
    """Return the moment at which a line above the table says the recording began, and that line.

    Parameters
    ----------
    banner : lines above the table
    clock : True where only the day is wanted, since the rows have the time of day
    """
    found: dict[int, str] = {}
    for line in banner:
        match = _BEGUN.search(line) or (_DATED.search(line) if clock else None)
        if not match:
            continue
        text = re.sub(r"[;,\t|]+\s*", " ", match["moment"]).strip().strip("\"'")
        dated, timed = shape_of(text)
        if not dated or not (timed or clock):
            continue
        try:
            times = read_times(pa.chunked_array([[text]]), TimeHints())
        except TimeRefused:
            continue
        if not times.utc and not times.bad.any():
            moment = int(times.ns[0])
            found.setdefault(moment - moment % DAY_NS if clock else moment, line.strip())
    return next(iter(found.items())) if len(found) == 1 else None


def _start_of(text: str) -> tuple[int, bool]:
    """Return nanoseconds since 1970 as shown, and whether the text names its zone."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as cause:
        raise UsageError(
            f"{text!r} is no date and time",
            where="--start",
            remedy="write it as 2026-03-04T14:12:00, with +02:00 or Z where the zone is known",
        ) from cause
    aware = moment.tzinfo is not None
    shown = np.datetime64(moment.replace(tzinfo=None), "ns").astype(np.int64)
    offset = moment.utcoffset()
    return int(shown) - (int(offset.total_seconds()) * NS if offset is not None else 0), aware


def _carry_days(ns: IntArray, good: BoolArray) -> tuple[IntArray, BoolArray]:
    """Carry the day on where the date column kept the starting date over midnight."""
    shown = ns[good]
    carried = np.zeros(ns.shape, np.bool_)
    step = np.diff(shown)
    usual = float(np.median(np.abs(step))) if step.size else 0.0
    left = step + DAY_NS
    wraps = (step < 0) & (left >= 0) & (left <= max(60.0 * NS, 20.0 * usual))
    if not wraps.any():
        return ns, carried
    turn = np.concatenate(([0], np.cumsum(wraps)))
    mended = ns.copy()
    mended[good] = shown + turn * DAY_NS
    carried[good] = turn > 0
    return mended, carried
