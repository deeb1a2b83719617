"""Errors of a job or of another process, raised here in their own words and with their own status."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ovenwright import errors
from ovenwright.errors import OvenwrightError


class Retold(OvenwrightError):
    """An error that was raised elsewhere and came here as plain data."""

    def __init__(self, facts: Mapping[str, Any]) -> None:
        self._facts = dict(facts)
        super().__init__(
            str(facts.get("what", "it did not work")),
            where=str(facts.get("where", "")),
            remedy=str(facts.get("remedy", "")),
        )

    @property
    def kind(self) -> type[OvenwrightError] | None:
        """The class it had, None where the tool itself failed."""
        found = getattr(errors, str(self._facts.get("error", "")), None)
        ours = isinstance(found, type) and issubclass(found, OvenwrightError)
        return found if ours else None

    def facts(self) -> dict[str, object]:
        """Return it as it was told, all its fields."""
        return {"what": self.what, "where": self.where, "remedy": self.remedy} | self._facts
