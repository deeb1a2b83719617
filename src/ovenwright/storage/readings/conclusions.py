"""What the reader concluded from a file, each with its reason and the option that overrules it."""

from __future__ import annotations

from dataclasses import dataclass

from ovenwright.domain.arrays import FloatArray, IntArray, QualityArray


@dataclass(frozen=True, slots=True)
class Concluded:
    """One conclusion: what about, what was concluded, why, and which option overrules it.

    ``certain`` is True where the file itself says so and nobody needs to be told.
    """

    about: str
    found: str
    why: str
    option: str
    certain: bool = False

    def words(self) -> str:
        """Return the conclusion as one sentence."""
        return f"{self.about}: {self.found}, because {self.why} ({self.option} overrules)"


@dataclass(frozen=True, slots=True)
class SetAside:
    """A column that was not taken as a temperature, and why."""

    name: str
    heading: str
    why: str

    def words(self) -> str:
        """Return the column and the reason as one sentence."""
        return f"column {self.heading!r} set aside: {self.why}"


@dataclass(frozen=True, slots=True)
class ChannelFound:
    """One temperature column, as read.

    ``time_ns`` (n,) rising, ``value`` (n,) in ``unit``, NaN where missing, ``quality`` (n,).
    """

    name: str
    heading: str
    unit: str
    time_ns: IntArray
    value: FloatArray
    quality: QualityArray


@dataclass(frozen=True, slots=True)
class FileFound:
    """Everything found in one file."""

    file: str
    channels: tuple[ChannelFound, ...]
    absolute: bool
    zone: str
    rows: int
    concluded: tuple[Concluded, ...]
    set_aside: tuple[SetAside, ...]
    notes: tuple[str, ...]
    reference_junction_c: float | None = None
