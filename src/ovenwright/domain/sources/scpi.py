"""An instrument that answers SCPI commands, as a plan describes it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ovenwright.domain.sources.described import DescribedSource, KeyPath
from ovenwright.domain.sources.lines import ReadingUnit, SerialPort
from ovenwright.domain.strict import FiniteFloat, PositiveFloat, Strict


class ScpiField(Strict):
    """One number of the instrument's answer."""

    channel: str = ""
    """The plan's channel; left out where the number is to be passed over."""
    tells: Literal["reading", "reference"] = "reading"
    """What the number is: a reading, or the reference-junction temperature of the readings in millivolts."""
    unit: ReadingUnit = "degC"
    """Unit of the reading after scaling."""
    scale: FiniteFloat = 1.0
    """The number times this, plus offset, is the reading: 1000 where the instrument answers volts and the unit is mV."""
    offset: FiniteFloat = 0.0
    """Added after scaling."""


class ScpiSource(DescribedSource):
    """An instrument that is set up and asked by SCPI commands, over a network or a serial line."""

    kind: Literal["scpi"]
    """"scpi": an instrument that answers SCPI commands."""
    host: str = ""
    """Name or address of the instrument, for a raw TCP connection."""
    port: Annotated[int, Field(ge=1, le=65_535)] = 5025
    """Port of the instrument, for a raw TCP connection."""
    serial: SerialPort | None = None
    """The serial line; give this or host."""
    identity: str = ""
    """Words the answer to *IDN? must hold, so that no other instrument is read by mistake."""
    setup: tuple[str, ...] = ()
    """Commands sent once after connecting, such as the scan list; from the instrument's manual."""
    read: str = "READ?"
    """The query that answers with the numbers of one scan."""
    errors: str = "SYSTem:ERRor?"
    """The query that empties the error queue; "" where the instrument has none."""
    fields: tuple[ScpiField, ...] = Field(min_length=1)
    """What the numbers of one answer are, in their order."""
    numbers_each: Annotated[int, Field(ge=1, le=16)] = 1
    """Numbers the instrument answers for each field, where it adds time, channel or alarm to the reading."""
    number_at: Annotated[int, Field(ge=0, le=15)] = 0
    """Which of those is the reading, counted from 0."""
    interval_s: PositiveFloat = 1.0
    """Time from one scan to the next."""
    timeout_s: Annotated[float, Field(gt=0, le=600)] = 5.0
    """How long an answer is waited for; a scan of many channels takes its time."""
    ending: Literal["lf", "cr", "crlf"] = "lf"
    """What ends a command."""
    module: str = ""
    """Name of the module; made from the instrument's serial number when left out."""

    def fed(self) -> tuple[tuple[KeyPath, str], ...]:
        """Return the plan's channels this instrument feeds, each with the key that says so."""
        return tuple(
            (("fields", i, "channel"), f.channel)
            for i, f in enumerate(self.fields)
            if f.channel and f.tells == "reading"
        )

    def places(self) -> tuple[tuple[KeyPath, str, str], ...]:
        """Return faults across the keys of this table: (key path, what is wrong, remedy)."""
        found: list[tuple[KeyPath, str, str]] = []
        if bool(self.host) == (self.serial is not None):
            found.append((("host",), "host and serial are both given or both missing",
                          "give host for TCP, or serial for a serial line"))  # fmt: skip
        if not self.fed():
            found.append((("fields",), "no field names a channel", "name the plan's channels"))
        if self.number_at >= self.numbers_each:
            found.append((("number_at",), f"{self.number_at} is beyond the {self.numbers_each} numbers of a field",
                          "count from 0"))  # fmt: skip
        for key, text in (("read", self.read), ("errors", self.errors)):
            if text and "?" not in text:
                found.append(((key,), f"{text!r} is no query", "a query ends its header with ?"))
        if not self.read:
            found.append((("read",), "there is no query for readings", "such as READ?"))
        lines = (("read", self.read), ("errors", self.errors), *((("setup", i), s) for i, s in enumerate(self.setup)))  # fmt: skip
        for place, text in lines:
            if not text.isascii() or any(c in text for c in "\r\n"):
                path = place if isinstance(place, tuple) else (place,)
                found.append((path, "a command must be one line of ASCII", "split it in two"))
        return tuple(found)
