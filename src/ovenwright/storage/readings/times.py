"""From cells to times: elapsed numbers, clocks, dates in any usual order, ISO 8601, serial dates.

Nothing here knows files; a row that can't be read as a time is marked and left to the caller.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import pyarrow as pa

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.domain.run import NS
from ovenwright.storage.readings.arrow import bools, doubles, ints, kernels, valid
from ovenwright.storage.readings.conclusions import Concluded

if TYPE_CHECKING:
    Cells: TypeAlias = pa.ChunkedArray[Any]

SECONDS_IN = {"ns": 1e-9, "us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
TIME_UNITS = (*SECONDS_IN, "h:mm:ss", "mm:ss", "h:mm", "serial", "epoch")
DAY_NS = 86_400 * NS
_SERIAL_ZERO_D = -25_569  # 1899-12-30, day 0 of spreadsheet serial dates: from memory

_AP = r"(?:\s*(?P<ap>[AaPp])\.?\s?[Mm]\.?)?"
_ZONE = r"(?:\s*(?P<zone>Z|z|[A-Z]{3,4}|[-+]\d{2}(?::?\d{2})?))?"
_CLOCK = r"(?P<h>\d{1,4}):(?P<mi>\d{2})(?::(?P<s>\d{2}))?(?:[.,:](?P<f>\d{1,9}))?"
_CLOCK_DOTS = r"(?P<h>\d{1,2})\.(?P<mi>\d{2})\.(?P<s>\d{2})(?:,(?P<f>\d{1,9}))?"
_CLOCK_SHUT = r"(?P<h>\d{2})(?P<mi>\d{2})(?P<s>\d{2})?(?:[.,](?P<f>\d{1,9}))?"
_WEEKDAY = r"(?:[A-Za-z]{2,9}\.?,?\s+)?"
_SEPARATOR = r"(?:T|\s*[,;]?\s|_|-)\s*"
_YMD = r"(?P<y>\d{4})[-/.](?P<mo>\d{1,2})[-/.](?P<d>\d{1,2})"
_NUMERIC = r"(?P<p>\d{1,2})(?P<sep>[-/.])(?P<q>\d{1,2})[-/.](?P<y>\d{4}|\d{2})"
_D_MON_Y = r"(?P<d>\d{1,2})[-/. ]+(?P<mon>[A-Za-zäéûç]{3,9})\.?[-/., ]+(?P<y>\d{4}|\d{2})"
_MON_D_Y = r"(?P<mon>[A-Za-zäéûç]{3,9})\.?\s+(?P<d>\d{1,2})(?:st|nd|rd|th)?,?\s+(?P<y>\d{4})"
_SHUT = r"(?P<y>\d{4})(?P<mo>\d{2})(?P<d>\d{2})"
_DATES = (_YMD, _NUMERIC, _D_MON_Y, _MON_D_Y, _SHUT)
_DATE_FORMS = tuple(
    re.compile(p)
    for p in (
        *(rf"^{_WEEKDAY}{d}{_SEPARATOR}{_CLOCK}{_AP}{_ZONE}$" for d in _DATES),
        *(rf"^{_WEEKDAY}{d}{_SEPARATOR}{_CLOCK_DOTS}{_ZONE}$" for d in _DATES),
        rf"^{_SHUT}[T _-]?{_CLOCK_SHUT}{_ZONE}$",
        *(rf"^{_CLOCK}{_AP}\s*,?\s+{_WEEKDAY}{d}$" for d in _DATES),
        *(rf"^{_WEEKDAY}{d}$" for d in _DATES),
    )
)
_SIGN_DAYS = r"(?P<sg>[-+])?(?:(?P<dd>\d+)\s*(?:d|days?|\.)\s*,?\s*)?"
_CLOCK_FORMS = tuple(
    re.compile(p) for p in (rf"^{_SIGN_DAYS}{_CLOCK}{_AP}{_ZONE}$", rf"^{_SIGN_DAYS}{_CLOCK_DOTS}$")
)
_MONTHS = {
    name: i + 1
    for i, names in enumerate(
        (
            "jan janv ene gen januar january janvier enero gennaio januari",
            "feb fév fevr févr february februar février febrero febbraio februari fev",
            "mar mär mrz märz mars march marzo maart maa",
            "apr avr abr april avril abril aprile huh",
            "may mai mayo maggio mei maj mag tou",
            "jun juin june juni junio giugno giu kes",
            "jul juil july juli juillet julio luglio lug hei",
            "aug août aou ago august agosto augustus elo aout",
            "sep sept september septembre septiembre settembre set syy",
            "oct okt october oktober octobre octubre ottobre ott out lok",
            "nov november novembre noviembre mar",
            "dec déc dez dic december dezember décembre diciembre dicembre des jou",
        )
    )
    for name in names.split()
    if not (i == 10 and name == "mar")
}
_NUMBER = re.compile(r"^[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?$")
_WITH_UNIT = re.compile(r"^([-+]?\d+(?:[.,]\d+)?)\s*(ms|s|sec|min|h)$")
_STAMP_14 = re.compile(r"^(?:19|20)\d{12}(?:\.\d+)?$")


class TimeRefused(Exception):
    """Times that can't be read without guessing; the caller adds file and line."""

    def __init__(self, what: str, option: str, row: int | None = None) -> None:
        super().__init__(what)
        self.what = what
        self.option = option
        self.row = row


@dataclass(frozen=True, slots=True)
class TimeHints:
    """What headings and people say of the time column."""

    unit: str = ""
    given_unit: str = ""
    day_first: bool | None = None
    elapsed_word: bool = False
    clock_word: bool = False
    decimal: str = "."
    rise_k: float = 0.0
    """How far the slowest of the channels that move at all moves, 0 where it is not known."""


@dataclass(slots=True)
class Times:
    """Times of all rows in file order.

    ``ns`` (n,) since 1970-01-01 where ``absolute``, else since the source's own zero. ``utc`` is
    True where the text says its zone, ``letters`` are a zone's letters that name more than one.
    ``coarse_ns`` is the step the clock shows; ``bad`` (n,) marks rows without a readable time.
    """

    ns: IntArray
    bad: BoolArray
    absolute: bool
    utc: bool = False
    clock: bool = False
    coarse_ns: int = 1
    letters: str = ""
    restamped: BoolArray | None = None
    concluded: list[Concluded] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def shape_of(text: str, *, clock_word: bool = False) -> tuple[bool, bool]:
    """Return whether a cell holds a date and whether it holds a time of day.

    ``14.12.00`` is a date unless the heading speaks of a clock.
    """
    clean = text.strip()
    clock = any(f.match(clean) for f in _CLOCK_FORMS) or bool(_WITH_UNIT.match(clean))
    if clock_word and clock:
        return False, True
    for form in _DATE_FORMS:
        match = form.match(clean)
        if match and _sane(match):
            return True, "h" in match.groupdict() and match["h"] is not None
    return False, clock


def _sane(match: re.Match[str]) -> bool:
    parts = match.groupdict()
    if parts.get("mon") and parts["mon"].lower() not in _MONTHS:
        return False
    return not (parts.get("mo") and not 1 <= int(parts["mo"]) <= 12)


def read_times(cells: Cells, hints: TimeHints) -> Times:
    """Read the time column, or date and time already joined by a space.

    Raises
    ------
    TimeRefused : if it can be read in two ways, or in none
    """
    if pa.types.is_timestamp(cells.type):
        return _typed(cells)
    if pa.types.is_duration(cells.type):
        ns = cells.cast(pa.duration("ns"), safe=False).cast(pa.int64())
        return _elapsed(*_filled(ns), "its type is a duration")
    if pa.types.is_integer(cells.type) or pa.types.is_floating(cells.type):
        return _numeric(doubles(cells), hints)
    text = kernels.utf8_trim_whitespace(cells)
    sample = [t for t in text.slice(0, 400).to_pylist() if t]
    if not sample:
        raise TimeRefused("the time column is empty", "--time-column")
    numeric = sum(bool(_NUMBER.match(t)) and not _STAMP_14.match(t) for t in sample)
    if numeric * 2 > len(sample):
        return _numeric(_doubles(text), hints)
    written = [m for t in sample if (m := _WITH_UNIT.match(t))]
    if len(written) * 2 > len(sample):
        bare = kernels.replace_substring_regex(text, r"\s*(?:ms|s|sec|min|h)$", "")
        units = {m[2].replace("sec", "s") for m in written}
        if len(units) > 1:
            raise TimeRefused(
                f"the times mix units: {', '.join(sorted(units))}", "--time-column", 0
            )
        return _numeric(_doubles(bare), replace(hints, unit=units.pop()))
    quick = _iso(text, sample[0])
    if quick is not None:
        return quick
    ways = [(_DATE_FORMS, _dated), (_CLOCK_FORMS, _clocked)]
    for forms, read in reversed(ways) if hints.clock_word else ways:
        matched = [(sum(bool(f.match(t)) for t in sample), -i, f) for i, f in enumerate(forms)]
        count, _, form = max(matched, key=lambda m: m[:2])
        if count * 2 > len(sample):
            return read(text, form, hints)
    raise TimeRefused(
        f"{sample[0]!r} is no time that can be read", "--time-column NAME or --header-row N", 0
    )


def _filled(ns: Any) -> tuple[IntArray, BoolArray]:
    return ints(ns), ~valid(ns)


def _typed(cells: Cells) -> Times:
    zoned = cells.type.tz is not None
    ns, bad = _filled(cells.cast(pa.timestamp("ns", cells.type.tz), safe=False).cast(pa.int64()))
    return Times(ns, bad, absolute=True, utc=zoned, coarse_ns=_coarse(ns[~bad]))


def _elapsed(ns: IntArray, bad: BoolArray, why: str) -> Times:
    times = Times(ns, bad, absolute=False, coarse_ns=_coarse(ns[~bad]))
    times.concluded.append(Concluded("time", "elapsed", why, "--time-unit", certain=True))
    return times


def _coarse(ns: IntArray) -> int:
    """Return the step the clock shows: a minute, a second, or finer."""
    head = ns[:4000]
    for step in (60 * NS, NS):
        if head.size and not (head % step).any():
            return step
    return 1


def _doubles(text: Any) -> FloatArray:
    plain = kernels.fill_null(kernels.match_substring_regex(text, _NUMBER.pattern), False)
    dotted = kernels.utf8_ltrim(
        kernels.replace_substring(kernels.if_else(plain, text, None), ",", "."), "+"
    )
    return doubles(dotted)


def _iso(text: Any, first: str) -> Times | None:
    """Read ISO 8601 the fast way; None where some row is written otherwise."""
    if not re.match(r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}", first):
        return None
    zoned = bool(re.search(r"(?:Z|[-+]\d{2}(?::?\d{2})?)$", first[16:]))
    try:
        stamps = text.cast(pa.timestamp("ns", "UTC" if zoned else None))
    except pa.ArrowInvalid:
        return None
    ns, bad = _filled(stamps.cast(pa.int64()))
    return Times(ns, bad, absolute=True, utc=zoned, coarse_ns=_coarse(ns[~bad]))


class _Parts:
    """The named groups of a pattern over a whole column, as integer arrays."""

    def __init__(self, text: Any, form: re.Pattern[str]) -> None:
        found = kernels.extract_regex(text, form.pattern)
        if isinstance(found, pa.ChunkedArray):
            found = found.combine_chunks()
        self._found = found
        self.bad = ~valid(found)
        self._names = {f.name for f in found.type}

    def __contains__(self, name: str) -> bool:
        return name in self._names

    def text(self, name: str) -> Any:
        column = kernels.struct_field(self._found, name)
        return kernels.fill_null(column, "")

    def seen(self, name: str) -> BoolArray:
        """Say where a group matched anything."""
        if name not in self:
            return np.zeros(self.bad.shape, np.bool_)
        return bools(kernels.not_equal(self.text(name), ""))

    def ints(self, name: str) -> IntArray:
        if name not in self:
            return np.zeros(self.bad.shape, np.int64)
        column = self.text(name)
        filled = kernels.if_else(kernels.equal(column, ""), "0", column)
        return ints(filled)

    def fraction_ns(self) -> IntArray:
        if "f" not in self:
            return np.zeros(self.bad.shape, np.int64)
        padded = kernels.utf8_rpad(self.text("f"), 9, "0")
        return ints(padded)

    def mapped(self, name: str, table: dict[str, int], otherwise: int) -> IntArray:
        column = self.text(name)
        coded = column.dictionary_encode()
        values = [table.get(str(v).lower(), otherwise) for v in coded.dictionary.to_pylist()]
        codes = ints(coded.indices)
        return np.array(values, np.int64)[codes]


def _time_of_day(parts: _Parts) -> IntArray:
    hour = parts.ints("h")
    half = parts.seen("ap")
    if half.any():
        afternoon = bools(kernels.is_in(parts.text("ap"), pa.array(["p", "P"])))
        hour = np.where(half, hour % 12 + 12 * afternoon, hour)
    whole = hour * 3600 + parts.ints("mi") * 60 + parts.ints("s")
    return np.asarray(whole * NS + parts.fraction_ns(), np.int64)


def _days(year: IntArray, month: IntArray, day: IntArray) -> tuple[IntArray, BoolArray]:
    """Return days since 1970-01-01, and where the date exists."""
    full = np.where(year < 70, year + 2000, np.where(year < 100, year + 1900, year))
    possible = (month >= 1) & (month <= 12) & (day >= 1)
    months = ((full - 1970) * 12 + np.clip(month, 1, 12) - 1).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + (day - 1)
    possible &= days.astype("datetime64[M]") == months
    return days.astype(np.int64), possible


def _dated(text: Any, form: re.Pattern[str], hints: TimeHints) -> Times:
    parts = _Parts(text, form)
    bad = parts.bad
    clock = _time_of_day(parts)
    concluded: list[Concluded] = []
    if "p" in parts:
        day, why = _day_first(parts, clock, hints)
        p, q = parts.ints("p"), parts.ints("q")
        days, real = _days(parts.ints("y"), q if day else p, p if day else q)
        concluded.append(
            Concluded(
                "dates",
                "day first" if day else "month first",
                why,
                "--month-first" if day else "--day-first",
                certain=hints.day_first is not None,
            )
        )
    else:
        month = parts.mapped("mon", _MONTHS, 0) if "mon" in parts else parts.ints("mo")
        days, real = _days(parts.ints("y"), month, parts.ints("d"))
    impossible = ~real & ~bad
    if impossible.any():
        row = int(np.flatnonzero(impossible)[0])
        raise TimeRefused(f"{text[row].as_py()!r} is no date", "--day-first or --month-first", row)
    ns = days * DAY_NS + clock
    times = Times(ns, bad, absolute=True, coarse_ns=_coarse(ns[~bad]), concluded=concluded)
    _apply_written_zone(times, parts, text)
    return times


def _apply_written_zone(times: Times, parts: _Parts, text: Any) -> None:
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


def _day_first(parts: _Parts, clock: IntArray, hints: TimeHints) -> tuple[bool, str]:
    if hints.day_first is not None:
        return hints.day_first, "it was given"
    good = ~parts.bad
    p, q, y = parts.ints("p")[good], parts.ints("q")[good], parts.ints("y")[good]
    if p.max() > 12 >= q.max():
        return True, f"{int(p.max())} stands first and is no month"
    if q.max() > 12 >= p.max():
        return False, f"{int(q.max())} stands second and is no month"
    if (p == q).all():
        return True, "day and month are the same number"
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


def _clocked(text: Any, form: re.Pattern[str], hints: TimeHints) -> Times:
    """Read times without a date: elapsed h:mm:ss, mm:ss, or a clock that may pass midnight."""
    parts = _Parts(text, form)
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
        ns = _time_of_day(parts)
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
        times = Times(ns, bad, absolute=False, coarse_ns=_coarse(ns[good]), concluded=concluded)
        times.concluded.append(Concluded("time", "elapsed", said, "--start", certain=True))
        return times
    ns, restamped, notes = _over_midnight(ns, good, halves=halves)
    times = Times(
        ns, bad, absolute=False, clock=True, coarse_ns=_coarse(ns[good]), restamped=restamped,
        concluded=concluded, notes=notes,
    )  # fmt: skip
    times.concluded.append(
        Concluded("time", "time of day without a date", "no column holds a date", "--start")
    )
    return times


def _two_parts(
    left: IntArray, right: IntArray, parts: _Parts, good: BoolArray, hints: TimeHints
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


def _numeric(values: FloatArray, hints: TimeHints) -> Times:
    bad = ~np.isfinite(values)
    good = values[~bad]
    if not good.size:
        raise TimeRefused("the time column holds no number", "--time-column")
    unit, why, sure = _numeric_unit(good, hints)
    zero = np.where(bad, 0.0, values)
    concluded = [Concluded("time", _SAID.get(unit, unit), why, "--time-unit", certain=sure)]
    if unit == "serial":
        days = np.floor(zero)
        # a serial date carries about a microsecond; instruments write milliseconds
        rest = np.rint((zero - days) * 86_400_000.0).astype(np.int64) * (NS // 1000)
        ns = (days.astype(np.int64) + _SERIAL_ZERO_D) * DAY_NS + rest
        return Times(ns, bad, absolute=True, coarse_ns=_coarse(ns[~bad]), concluded=concluded)
    if unit == "epoch":
        scale = _epoch_scale(float(np.median(np.abs(good))))
        ns = _scaled(zero, NS // scale)
        return Times(ns, bad, True, utc=True, coarse_ns=_coarse(ns[~bad]), concluded=concluded)
    seconds = SECONDS_IN[unit]
    ns = np.rint(zero * (seconds * NS)).astype(np.int64)
    return Times(ns, bad, absolute=False, coarse_ns=_coarse(ns[~bad]), concluded=concluded)


_SAID = {"serial": "spreadsheet serial date", "epoch": "seconds since 1970", "s": "seconds",
         "min": "minutes", "h": "hours", "ms": "milliseconds"}  # fmt: skip


def _epoch_scale(size: float) -> int:
    return next(
        s for s, top in ((1, 1e11), (1000, 1e14), (10**6, 1e17), (NS, np.inf)) if size < top
    )


def _scaled(values: FloatArray, factor: int) -> IntArray:
    whole = np.floor(values)
    part = np.rint((values - whole) * factor).astype(np.int64)
    return np.asarray(whole.astype(np.int64) * factor + part, np.int64)


def _numeric_unit(values: FloatArray, hints: TimeHints) -> tuple[str, str, bool]:
    given = hints.given_unit
    if given in SECONDS_IN or given in {"serial", "epoch"}:
        return given, "it was given", True
    if given:
        raise TimeRefused(
            f"the times are plain numbers, not {given}", "--time-unit s, min, h, ms or serial", 0
        )
    middle = float(np.median(values))
    if hints.unit in SECONDS_IN and not (hints.unit == "s" and middle > 9e8):
        return hints.unit, "the heading says so", True
    if 9.0e8 < abs(middle) < 5e9 or 9e11 < abs(middle) < 5e12 or abs(middle) > 9e14:
        return "epoch", f"numbers near {middle:.0f} are moments of our time when counted so", False
    steps = np.diff(np.sort(values))
    steps = steps[steps > 0]
    step = float(np.median(steps)) if steps.size else 1.0
    span = float(values.max() - values.min())
    if float(values.min()) > 25_000 and float(values.max()) < 75_000 and step < 0.5 and span < 400:
        return "serial", f"numbers near {middle:.3f} are dates of our time when counted so", False
    said = f"the steps are about {step:.4g}"
    if step < 0.005:
        if step < 0.0008 and span < 48:
            return "h", f"{said}, which suits hours", False
        return "min", f"{said}, which suits minutes", False
    mean = span / max(1, values.size - 1)
    sixtieths = abs(mean * 60 - round(mean * 60)) < 0.005 * mean * 60
    if values.size >= 10 and step < 0.4 and sixtieths and abs(mean * 100 % 1 - 0.5) < 0.48:
        return "min", f"{said}, whole seconds only when counted in minutes", False
    if step >= 50 and span > 200_000 and not (values % 10).any():
        return "ms", f"{said} and the whole {span:.0f}, too long for an oven in seconds", False
    if values.size >= 10 and span < 180 and hints.rise_k > 0.5 * span:
        raise TimeRefused(
            f"the times have no unit, {said} and the whole {span:.4g}: this can be seconds or "
            "minutes",
            "--time-unit s or --time-unit min",
            0,
        )
    return "s", f"the column has no unit, {said} and the whole {span:.5g}", False


def join_cells(parts: Sequence[Cells]) -> Cells:
    """Return date and time cells joined by a space, row by row."""
    if len(parts) == 1:
        return parts[0]
    texts = [p if pa.types.is_string(p.type) else p.cast(pa.string()) for p in parts]
    flat = [t.combine_chunks() if isinstance(t, pa.ChunkedArray) else t for t in texts]
    return pa.chunked_array([kernels.binary_join_element_wise(*flat, " ")])
