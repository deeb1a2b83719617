"""How dates and times are written, and their parts taken out of a whole column at once."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pyarrow as pa

from ovenwright.domain.arrays import BoolArray, IntArray
from ovenwright.domain.run import NS
from ovenwright.storage.readings.arrow import bools, ints, kernels, valid

_AP = r"(?:\s*(?P<ap>[AaPp])\.?\s?[Mm]\.?)?"
_ZONE = (
    r"(?:\s*(?P<zone>Z|z|[A-Z]{3,4}|[-+]\d{2}(?::?\d{2})?))?"
    r"(?:\[[A-Za-z_/+-]+\])?"  # the zone's name after its offset, as RFC 9557 writes it
)
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
DATE_FORMS = tuple(
    re.compile(p)
    for p in (
        *(rf"^{_WEEKDAY}{d}{_SEPARATOR}{_CLOCK}{_AP}{_ZONE}$" for d in _DATES),
        *(rf"^{_WEEKDAY}{d}{_SEPARATOR}{_CLOCK_DOTS}{_ZONE}$" for d in _DATES),
        rf"^{_SHUT}[T _-]?{_CLOCK_SHUT}{_ZONE}$",
        *(rf"^{_CLOCK}{_AP}\s*,?\s+{_WEEKDAY}{d}$" for d in _DATES),
        # as the C library and the shell's own command write the time: May 11 06:00:00 2024
        rf"^{_WEEKDAY}(?P<mon>[A-Za-z]{{3,9}})\s+(?P<d>\d{{1,2}})\s+{_CLOCK}{_ZONE}\s+(?P<y>\d{{4}})$",
        *(rf"^{_WEEKDAY}{d}$" for d in _DATES),
    )
)
_SIGN_DAYS = r"(?P<sg>[-+])?(?:(?P<dd>\d+)\s*(?:d|days?|\.)\s*,?\s*)?"
CLOCK_FORMS = tuple(
    re.compile(p) for p in (rf"^{_SIGN_DAYS}{_CLOCK}{_AP}{_ZONE}$", rf"^{_SIGN_DAYS}{_CLOCK_DOTS}$")
)
MONTHS = {
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
NUMBER = re.compile(r"^[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?$")
WITH_UNIT = re.compile(r"^([-+]?\d+(?:[.,]\d+)?)\s*(ms|s|sec|min|h)$")
STAMP_14 = re.compile(r"^(?:19|20)\d{12}(?:\.\d+)?$")


def shape_of(text: str, *, clock_word: bool = False) -> tuple[bool, bool]:
    """Return whether a cell holds a date and whether it holds a time of day.

    ``14.12.00`` is a date unless the heading speaks of a clock.
    """
    clean = text.strip()
    clock = any(f.match(clean) for f in CLOCK_FORMS) or bool(WITH_UNIT.match(clean))
    if clock_word and clock:
        return False, True
    for form in DATE_FORMS:
        match = form.match(clean)
        if match and _sane(match):
            return True, "h" in match.groupdict() and match["h"] is not None
    return False, clock


def _sane(match: re.Match[str]) -> bool:
    parts = match.groupdict()
    if parts.get("mon") and parts["mon"].lower() not in MONTHS:
        return False
    return not (parts.get("mo") and not 1 <= int(parts["mo"]) <= 12)


class Parts:
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
        """Return a group as it stands, "" where it matched nothing."""
        column = kernels.struct_field(self._found, name)
        return kernels.fill_null(column, "")

    def seen(self, name: str) -> BoolArray:
        """Say where a group matched anything."""
        if name not in self:
            return np.zeros(self.bad.shape, np.bool_)
        return bools(kernels.not_equal(self.text(name), ""))

    def ints(self, name: str) -> IntArray:
        """Return a group as (n,) int64, 0 where it matched nothing."""
        if name not in self:
            return np.zeros(self.bad.shape, np.int64)
        column = self.text(name)
        filled = kernels.if_else(kernels.equal(column, ""), "0", column)
        return ints(filled)

    def fraction_ns(self) -> IntArray:
        """Return the digits after the seconds as (n,) nanoseconds."""
        if "f" not in self:
            return np.zeros(self.bad.shape, np.int64)
        padded = kernels.utf8_rpad(self.text("f"), 9, "0")
        return ints(padded)

    def mapped(self, name: str, table: dict[str, int], otherwise: int) -> IntArray:
        """Return what a table says of a group's words, in small letters."""
        column = self.text(name)
        coded = column.dictionary_encode()
        values = [table.get(str(v).lower(), otherwise) for v in coded.dictionary.to_pylist()]
        codes = ints(coded.indices)
        return np.array(values, np.int64)[codes]


def time_of_day(parts: Parts) -> IntArray:
    """Return (n,) nanoseconds since midnight; AM and PM are heeded where they stand."""
    hour = parts.ints("h")
    half = parts.seen("ap")
    if half.any():
        afternoon = bools(kernels.is_in(parts.text("ap"), pa.array(["p", "P"])))
        hour = np.where(half, hour % 12 + 12 * afternoon, hour)
    whole = hour * 3600 + parts.ints("mi") * 60 + parts.ints("s")
    return np.asarray(whole * NS + parts.fraction_ns(), np.int64)
