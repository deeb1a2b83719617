"""What is told while one file is read: conclusions, notes, columns set aside, refusals."""

from __future__ import annotations

from dataclasses import dataclass, field

from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings.choices import Choices
from ovenwright.storage.readings.conclusions import Concluded, SetAside
from ovenwright.storage.readings.headings import Heading
from ovenwright.storage.readings.table import Table


@dataclass(slots=True)
class Story:
    """The table at hand, what a person chose, and all that was found out so far."""

    table: Table
    choices: Choices
    headings: list[Heading]
    long: bool = False
    concluded: list[Concluded] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    aside: list[SetAside] = field(default_factory=list)

    def refuse(self, what: str, option: str, row: int | None = None) -> ReadingsRefused:
        """Return the error to raise, with the line that ``row`` of the readings stands in."""
        line = self.table.line_of(row) if row is not None else 0
        return ReadingsRefused(what, file=self.table.file, line=line, option=option)
