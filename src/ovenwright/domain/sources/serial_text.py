"""An instrument that writes lines of text to a serial port, as a plan describes it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ovenwright.domain.sources.described import DescribedSource, KeyPath
from ovenwright.domain.sources.lines import SerialPort, TextMapping
from ovenwright.domain.strict import PositiveFloat


class SerialTextSource(DescribedSource):
    """An instrument that writes lines of text to a serial port, by itself or when asked."""

    kind: Literal["serial-text"]
    """"serial-text": lines of text from a serial port."""
    serial: SerialPort
    """The serial line."""
    text: TextMapping
    """How readings stand in a line."""
    begin: tuple[str, ...] = ()
    """Lines sent once after opening, to set the instrument going."""
    ask: str = ""
    """Line sent before each reading, for an instrument that speaks only when asked."""
    interval_s: PositiveFloat = 1.0
    """Time from one asking to the next."""
    ending: Literal["lf", "cr", "crlf"] = "crlf"
    """What ends a line we send."""
    silent_after_s: Annotated[float, Field(gt=0)] = 15.0
    """A silence longer than this is told."""
    channels: dict[str, str] = Field(min_length=1)
    """From the instrument's own key, ``channel`` or ``module/channel``, to the plan's channel name."""

    def fed(self) -> tuple[tuple[KeyPath, str], ...]:
        """Return the plan's channels this instrument feeds, each with the key that says so."""
        return tuple((("channels", key), name) for key, name in self.channels.items())

    def places(self) -> tuple[tuple[KeyPath, str, str], ...]:
        """Return faults across the keys of this table: (key path, what is wrong, remedy)."""
        return tuple((("text", *path), what, how) for path, what, how in self.text.faults())
