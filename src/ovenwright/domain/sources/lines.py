"""Keys that several kinds of instrument share: the unit of a reading, a serial port, lines of text."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import Field

from ovenwright.domain.sources.described import KeyPath
from ovenwright.domain.strict import PositiveFloat, Strict

ReadingUnit = Literal["degC", "degF", "K", "mV", "ohm", "signal"]
ScaleUnit = Literal["degC", "degF", "K"]

FIELDS = (
    "channel", "value", "unit", "module", "time", "sequence", "battery", "signal", "reference", "lost",
)  # fmt: skip
"""Names that a line pattern or a column may carry with a meaning of their own."""

TIME_FORMS = ("auto", "iso", "s", "ms", "us", "ns", "elapsed")

Fault = tuple[KeyPath, str, str]


class SerialPort(Strict):
    """A serial port and how its bytes are framed."""

    device: str = Field(min_length=1)
    """The port, such as /dev/ttyUSB0 or COM3."""
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    """Bits per second, as the instrument is set."""
    data_bits: Literal[5, 6, 7, 8] = 8
    """Data bits of one character."""
    parity: Literal["none", "even", "odd"] = "none"
    """Parity, as the instrument is set."""
    stop_bits: Literal[1, 2] = 1
    """Stop bits of one character."""


class TextMapping(Strict):
    r"""How readings stand in lines of text; either ``line`` and ``item``, or ``columns``.

    ``item`` is looked for again and again along the line, so that one line may carry many readings;
    ``line``, where given, must fit from its beginning and tells what holds for all of them. Both are
    patterns with the named fields channel, value, unit, module, time, sequence, battery, signal,
    reference and lost in braces, such as ``{channel}={value}{unit}``; text between braces stands for
    itself, one space for any white space. Written between slashes, they are regular expressions with
    the same names as groups: ``/(?P<channel>T\d):(?P<value>\S+)/``.
    """

    item: str = ""
    """Pattern of one reading, such as ``{channel}={value}{unit}``."""
    line: str = ""
    """Pattern that fits the beginning of the line, such as ``{module};{time};``; items are looked for after it."""
    columns: tuple[str, ...] = ()
    """What each column holds: the instrument's key of a channel, a field such as time, or "" to leave it out."""
    header: bool = False
    """Whether a line of headings comes first; its headings are then the columns."""
    separator: str = ""
    """What stands between columns; left out, it is found: tab, semicolon, comma or white space."""
    decimal: Literal[".", ","] = "."
    """Decimal mark of the numbers."""
    unit: ReadingUnit = "degC"
    """Unit of the readings where the line does not tell it."""
    reference_unit: ScaleUnit = "degC"
    """Unit of the reference-junction temperature."""
    module: str = ""
    """Name of the module where the line does not tell it; the instrument's keys are then ``module/channel``."""
    time_form: str = "auto"
    """"auto" for ISO 8601, "s", "ms", "us" or "ns" for a count since 1970, "elapsed" for seconds since the start, else a pattern of day and time such as "%d.%m.%Y %H:%M:%S"."""
    time_zone: str = ""
    """Zone of times that carry none, such as "Europe/Riga"; without it they are not trusted."""
    battery_full: PositiveFloat = 100.0
    """What the instrument says when the battery is full: 100 for percent, 1 for a share."""
    sequence_modulus: Annotated[int, Field(ge=2)] | None = None
    """Where the instrument's own count begins anew, such as 256; left out where it does not."""
    overflow: tuple[str, ...] = ()
    """Texts or numbers that mean an open sensor or a value beyond range, besides the usual ones."""
    missing: tuple[str, ...] = ()
    """Texts or numbers that mean that there is no reading, besides the usual ones."""
    comment: str = "#"
    """Lines that begin so are passed over; "" where there are none."""
    encoding: str = "utf-8"
    """How letters are written as bytes; a byte-order mark at the beginning goes before."""
    longest_line: Annotated[int, Field(ge=80, le=1_000_000)] = 20_000
    """A longer line is thrown away, and said so."""

    def faults(self) -> tuple[Fault, ...]:
        """Return what is wrong across these keys: (key path, what is wrong, remedy)."""
        found: list[Fault] = []
        if self.item and (self.columns or self.header):
            found.append((("item",), "item and columns are both given", "keep one of them"))
        if not (self.item or self.columns or self.header):
            found.append(
                (("item",), "nothing says where readings stand", "give item, columns or header")
            )
        if self.columns and self.header:
            found.append((("columns",), "columns and header are both given", "keep one of them"))
        if self.line and not self.item:
            found.append((("line",), "line is given without item", "give item, or columns alone"))
        for key, text in (("item", self.item), ("line", self.line)):
            if _is_expression(text):
                found += _expression_faults(key, text[1:-1], needs_value=key == "item")
            elif text:
                found += _template_faults(key, text, needs_value=key == "item")
        if self.decimal == "," and self.separator == ",":
            found.append((("separator",), "the comma can't be both separator and decimal mark",
                          "set one of them otherwise"))  # fmt: skip
        for i, column in enumerate(self.columns):
            if column in {"channel", "value", "unit"}:
                found.append(
                    (("columns", i), f"a column can't be called {column!r}", "name the channel")
                )
        if "%" in self.time_form and "%z" not in self.time_form and not self.time_zone:
            found.append(
                (("time_zone",), "the times carry no zone", 'such as "Europe/Riga" or "UTC"')
            )
        if "%" not in self.time_form and self.time_form not in TIME_FORMS:
            found.append((("time_form",), f"{self.time_form!r} is no form of time",
                          f"one of {', '.join(TIME_FORMS)}, or a pattern such as %H:%M:%S"))  # fmt: skip
        try:
            "".encode(self.encoding)
        except LookupError:
            found.append(
                (("encoding",), f"{self.encoding!r} is no encoding", "such as utf-8 or latin-1")
            )
        return tuple(found)


def _is_expression(text: str) -> bool:
    return len(text) > 2 and text.startswith("/") and text.endswith("/")


def _expression_faults(key: str, text: str, *, needs_value: bool) -> list[Fault]:
    try:
        names = set(re.compile(text).groupindex)
    except (re.error, OverflowError, RecursionError) as cause:
        return [((key,), f"the regular expression can't be read: {cause}", "mend it")]
    return _name_faults(key, names, needs_value=needs_value)


def _template_faults(key: str, text: str, *, needs_value: bool) -> list[Fault]:
    names = re.findall(r"\{([^{}]*)\}", text)
    if re.sub(r"\{[^{}]*\}", "", text).strip("{}") != re.sub(r"\{[^{}]*\}", "", text):
        return [((key,), "a brace stands alone", "close it, or write a regular expression")]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        return [((key,), f"{{{twice[0]}}} stands there twice", "name each field once")]
    return _name_faults(key, set(names), needs_value=needs_value)


def _name_faults(key: str, names: set[str], *, needs_value: bool) -> list[Fault]:
    strangers = sorted(names - set(FIELDS))
    if strangers:
        return [((key,), f"{strangers[0]!r} is no field", f"fields: {', '.join(FIELDS)}")]
    if needs_value and "value" not in names:
        return [((key,), "there is no value in it", "write {value} where the number stands")]
    return []
