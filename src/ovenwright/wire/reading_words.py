"""How instruments write numbers, units, counts and times, and what they write instead of a number."""

from __future__ import annotations

import datetime as dt
import math
import re
import zoneinfo
from decimal import Decimal, InvalidOperation
from typing import Any

from ovenwright.domain.run import NS, Quality

UNITS: dict[str, str] = {
    "c": "degC", "°c": "degC", "degc": "degC", "deg c": "degC", "celsius": "degC", "cel": "degC",
    "℃": "degC", "f": "degF", "°f": "degF", "degf": "degF", "deg f": "degF", "fahrenheit": "degF",
    "fah": "degF", "[degf]": "degF", "℉": "degF", "k": "K", "kelvin": "K", "kel": "K", "mv": "mV",
    "millivolt": "mV", "ohm": "ohm", "ohms": "ohm", "ω": "ohm", "signal": "signal", "ma": "signal",
}  # fmt: skip
"""Units as they are written, folded, to the unit of a reading ("Cel" and "[degF]" are UCUM's)."""

_MISSING = frozenset({"", "nan", "null", "none", "na", "n/a", "-", "--", "---", "----", "missing"})
_OVERFLOW = frozenset(
    {
        "ol",
        "o.l",
        "open",
        "over",
        "ovld",
        "overflow",
        "overload",
        "overrange",
        "under",
        "underrange",
    }
)
# SCPI 1999, volume 1, section 7.2.1: infinities are sent as ±9.9E37, not-a-number as 9.91E37
_NOT_A_NUMBER = 9.91e37
_INFINITE = 9.8e37

UNSET_NS = 978_307_200 * NS
"""2001-01-01: an earlier time is a clock that was never set."""
_END_NS = 7_258_118_400 * NS  # 2200-01-01, well inside 64 bits
_DIGITS = re.compile(r"[+-]?\d{1,20}(?:\.\d{0,12})?")
_SCALES = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}


def decode_unit(word: Any) -> str | None:
    """Return the unit a word stands for, None where it stands for none."""
    if not isinstance(word, str) or len(word) > 24:
        return None
    folded = word.strip().casefold()
    return UNITS.get(folded)


def decode_number(word: Any, faults: tuple[float, ...] = ()) -> tuple[float, Quality] | None:
    """Return a reading's number and quality; NaN where the instrument gives none.

    Parameters
    ----------
    word : a number, a text or None, as the instrument gave it
    faults : numbers that mean an open or failed sensor

    Returns
    -------
    number and quality, or None where ``word`` is nothing a reading can be
    """
    if word is None:
        return math.nan, Quality.MISSING
    if isinstance(word, bool):
        return None
    if isinstance(word, str):
        text = word.strip()
        folded = text.casefold()
        if folded in _MISSING:
            return math.nan, Quality.MISSING
        if folded.lstrip("+-") in _OVERFLOW:
            return math.nan, Quality.OVERFLOW
        if len(text) > 40 or "_" in text:
            return None
        try:
            number = float(text)
        except ValueError:
            return None
    elif isinstance(word, (int, float)):
        try:
            number = float(word)
        except OverflowError:
            return math.nan, Quality.OVERFLOW
    else:
        return None
    if math.isnan(number) or number == _NOT_A_NUMBER:
        return math.nan, Quality.MISSING
    if abs(number) >= _INFINITE or number in faults:
        return math.nan, Quality.OVERFLOW
    return number, Quality.GOOD


def decode_count(word: Any) -> int | None:
    """Return a count of an instrument, None where ``word`` is none."""
    if isinstance(word, bool):
        return None
    if isinstance(word, str):
        text = word.strip()
        word = int(text) if text.isascii() and text.isdigit() and len(text) <= 19 else None
    if isinstance(word, float) and word.is_integer() and abs(word) < 2**53:
        word = int(word)
    return word if isinstance(word, int) and 0 <= word < 2**63 else None


def decode_time(word: Any, form: str = "auto", zone: str = "") -> tuple[int, bool] | None:
    """Return a time as UTC nanoseconds, and whether it had to be chosen from two.

    Parameters
    ----------
    word : a count since 1970-01-01 UTC or an ISO 8601 text
    form : "iso", "s", "ms", "us", "ns", or "auto": then counts are told apart by their size, which
        leaves no doubt from 2001 to 2200
    zone : zone of ISO texts that carry none; without it they are no time

    Returns
    -------
    nanoseconds and True where a clock hour occurs twice (the first is taken); None for no time, one
    before 2001 (a clock that was never set) or after 2200
    """
    found = _counted(word, form)
    doubtful = False
    if found is None and isinstance(word, str) and form in {"auto", "iso"}:
        iso = _iso(word, zone)
        found, doubtful = iso if iso is not None else (None, False)
    if found is None or not UNSET_NS <= found < _END_NS:
        return None
    return found, doubtful


def _counted(word: Any, form: str) -> int | None:
    if form == "iso" or isinstance(word, bool):
        return None
    if isinstance(word, str):
        if not _DIGITS.fullmatch(word.strip()):
            return None
        try:
            word = Decimal(word.strip())
        except InvalidOperation:
            return None
    number: int | float | Decimal
    if isinstance(word, (int, float, Decimal)):
        number = word
    else:
        return None
    size = math.fabs(number) if -(10**19) < number < 10**19 else math.inf  # NaN is not below either
    if size == math.inf:
        return None
    if form == "auto":
        form = "ns" if size >= 1e17 else "us" if size >= 1e14 else "ms" if size >= 1e11 else "s"
    per = _SCALES[form]
    if isinstance(number, float):
        whole = math.floor(number)
        # a double of seconds since 1970 is good to some tenths of a microsecond
        part = round((number - whole) * per / 1_000) * 1_000 if per > 1_000 else 0
        return whole * per + part
    return int(number * per)


def _iso(text: str, zone: str) -> tuple[int, bool] | None:
    if len(text) > 40:
        return None
    try:
        moment = dt.datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    doubtful = False
    if moment.tzinfo is None:
        if not zone:
            return None
        try:
            moment = moment.replace(tzinfo=zoneinfo.ZoneInfo(zone))
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            return None
        doubtful = moment.utcoffset() != moment.replace(fold=1).utcoffset()
    try:
        since = moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    except OverflowError:
        return None
    return (since.days * 86_400 + since.seconds) * NS + since.microseconds * 1_000, doubtful
