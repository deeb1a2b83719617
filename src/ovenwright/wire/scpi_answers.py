"""Answers of SCPI instruments: who they are, what they read, what went wrong."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from ovenwright.domain.live import Reading
from ovenwright.domain.run import Quality
from ovenwright.domain.sources.scpi import ScpiField
from ovenwright.errors import OutOfRange
from ovenwright.physics.units import to_celsius
from ovenwright.wire.reading_words import decode_number, decode_unit

LONGEST = 65_536
"""Letters of the longest answer that is read."""

_CELL = re.compile(
    r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?|[+-]?(?:NAN|INF(?:INITY)?|NINF))\s*([^\s\d].{0,12})?",
    re.IGNORECASE,
)
_ERROR = re.compile(r'\s*([+-]?\d{1,7})\s*(?:,\s*"?(.*?)"?\s*)?', re.DOTALL)
_VOLTS = {"v": 1000.0, "vdc": 1000.0, "mv": 1.0, "mvdc": 1.0}


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of an answer to ``*IDN?``."""

    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""

    def words(self) -> str:
        """Return model and serial number in one phrase."""
        parts = [self.model or self.maker]
        if self.serial and self.serial != "0":
            parts.append(f"serial {self.serial}")
        return ", ".join(p for p in parts if p)


def decode_identity(answer: str) -> Identity:
    """Return who answered.

    Parameters
    ----------
    answer : the answer to ``*IDN?``: maker, model, serial number and firmware between commas

    Raises
    ------
    OutOfRange : if it is empty, too long or holds what can't be printed

    Source: IEEE 488.2, common query ``*IDN?`` (four fields, from memory).
    """
    text = answer.strip()
    if not 0 < len(text) <= 1024 or not text.isprintable():
        raise OutOfRange("identity", got=_shown(text), expected="four fields between commas")
    fields = [f.strip().strip('"') for f in text.split(",", 3)]
    fields += [""] * (4 - len(fields))
    return Identity(*fields)


def decode_error(answer: str) -> tuple[int, str]:
    """Return number and text of one entry of the error queue; 0 where it is empty.

    Parameters
    ----------
    answer : such as ``-113,"Undefined header"``

    Raises
    ------
    OutOfRange : if it is no such entry

    Source: SCPI 1999, volume 2, SYSTem:ERRor (from memory).
    """
    found = _ERROR.fullmatch(answer[:1024])
    if found is None:
        raise OutOfRange("error", got=_shown(answer), expected='such as 0,"No error"')
    return int(found[1]), (found[2] or "").strip()


def ours_to_mend(code: int) -> bool:
    """Whether an error means that a command does not suit this instrument.

    Command errors are −100 to −199, execution errors −200 to −299; others are the instrument's own.

    Source: SCPI 1999, volume 2, section 21.8 (from memory).
    """
    return -299 <= code <= -100


def decode_numbers(answer: str) -> tuple[tuple[float, Quality, str], ...]:
    """Return the numbers of one answer, what is known of each, and the unit written after it.

    Parameters
    ----------
    answer : numbers between commas, with or without units such as ``+2.345E+01 C``

    Returns
    -------
    one (value, quality, unit as written) a number; NaN with OVERFLOW for ±9.9E37, with MISSING for
    9.91E37 and for an empty place; a place that holds no number gives NaN with MISSING and its own text

    Raises
    ------
    OutOfRange : if the answer is longer than `LONGEST` or a block of bytes

    Source: SCPI 1999, volume 1, section 7.2.1 (±9.9E37 infinity, 9.91E37 not a number; from memory).
    """
    if len(answer) > LONGEST:
        raise OutOfRange("answer", got=f"{len(answer)} letters", expected=f"at most {LONGEST}")
    text = answer.strip()
    if text.startswith("#"):
        raise OutOfRange("answer", got="a block of bytes", expected="numbers as text",
                         remedy="set the instrument to answer text: FORMat ASCii")  # fmt: skip
    return tuple(_cell(cell) for cell in text.split(","))


def _cell(cell: str) -> tuple[float, Quality, str]:
    found = _CELL.fullmatch(cell)
    if found is None:
        return math.nan, Quality.MISSING, cell.strip()[:16]
    word = found[1]
    if "inf" in word.casefold():
        return math.nan, Quality.OVERFLOW, (found[2] or "").strip()
    number = decode_number(word)
    if number is None:
        return math.nan, Quality.MISSING, cell.strip()[:16]
    return number[0], number[1], (found[2] or "").strip()


def decode_scan(
    answer: str,
    fields: Sequence[ScpiField],
    *,
    received_ns: int,
    module: str = "",
    numbers_each: int = 1,
    number_at: int = 0,
) -> tuple[Reading, ...]:
    """Return the readings of one scan.

    Parameters
    ----------
    answer : the instrument's answer
    fields : what its numbers are, in their order
    received_ns : when it came, UTC
    module : name of the module
    numbers_each : numbers the instrument answers for each field
    number_at : which of those is the reading, counted from 0

    Returns
    -------
    one reading a field that names a channel. A unit written after the number overrules the plan's.

    Raises
    ------
    OutOfRange : if there are more or fewer numbers than the fields ask for
    """
    cells = decode_numbers(answer)
    expected = len(fields) * numbers_each
    if len(cells) != expected:
        raise OutOfRange(
            "answer", got=f"{len(cells)} numbers: {_shown(answer)}", expected=f"{expected} numbers",
            remedy="check the scan list against the plan's fields and numbers_each",
        )  # fmt: skip
    picked = cells[number_at::numbers_each]
    references = [
        _scaled(cell, field)
        for cell, field in zip(picked, fields, strict=True)
        if field.tells == "reference"
    ]
    reference_c = math.nan
    if references and math.isfinite(references[0][0]) and references[0][2] in ("degC", "degF", "K"):
        reference_c = float(to_celsius(references[0][0], references[0][2]))
    readings: list[Reading] = []
    for cell, field in zip(picked, fields, strict=True):
        if field.tells != "reading" or not field.channel:
            continue
        value, quality, unit = _scaled(cell, field)
        readings.append(
            Reading(
                channel=field.channel,
                time_ns=received_ns,
                received_ns=received_ns,
                value=value,
                unit=unit,
                quality=quality,
                reference_c=reference_c,
                module=module,
            )
        )
    return tuple(readings)


def _scaled(cell: tuple[float, Quality, str], field: ScpiField) -> tuple[float, Quality, str]:
    value, quality, written = cell
    if not math.isfinite(value):
        return math.nan, quality or Quality.MISSING, field.unit
    volts = _VOLTS.get(written.casefold())
    if volts is not None and field.unit == "mV":
        return float(f"{value * volts:.13g}"), quality, "mV"
    unit = decode_unit(written)
    scales = ("degC", "degF", "K")
    if unit != field.unit and unit in scales and field.unit in scales:
        return value, quality, unit
    return float(f"{value * field.scale + field.offset:.13g}"), quality, field.unit


def _shown(text: str) -> str:
    plain = "".join(c if c.isprintable() else "·" for c in text[:60])
    return repr(plain + ("…" if len(text) > 60 else ""))
