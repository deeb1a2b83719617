"""The one place that turns settings into objects."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from ovenwright.config import Settings

if TYPE_CHECKING:
    from ovenwright.catalogue.catalogue import Catalogue
    from ovenwright.catalogue.people import People
    from ovenwright.domain.kinetics import ReferenceLibrary
    from ovenwright.storage.logbook import Logbook


@dataclass(frozen=True)
class Tools:
    """What the verbs work with; each is made when it is first asked for."""

    settings: Settings

    @cached_property
    def logbook(self) -> Logbook:
        """The logbook of the settings."""
        from ovenwright.storage.logbook import Logbook

        return Logbook(self.settings.logbook, rescue=self._rescue)

    def _rescue(self, ref: str) -> bool:
        from ovenwright.workflow.recording_verbs import rescue

        return rescue(self.logbook, ref)

    @property
    def catalogue(self) -> Catalogue:
        """The index over the logbook's runs; an empty one in memory while there is no folder."""
        if self.logbook.folder.is_dir():
            return self._catalogue
        from ovenwright.workflow.keeping import open_catalogue

        return open_catalogue(self.logbook)  # not kept: the folder may come at any moment

    @cached_property
    def _catalogue(self) -> Catalogue:
        from ovenwright.workflow.keeping import open_catalogue

        return open_catalogue(self.logbook)

    @cached_property
    def people(self) -> People:
        """Accounts, the trail of changes and the signatures of the logbook."""
        from ovenwright.workflow.people import open_people

        return open_people(self.logbook)

    def library(self) -> ReferenceLibrary:
        """Return the kinetics and dwell tables, with the user's own among them.

        Raises
        ------
        StorageTrouble, PlanFaults : if the user's own file can't be read
        """
        return self._library

    @cached_property
    def _library(self) -> ReferenceLibrary:
        from ovenwright.storage.reference_data import read_reference_library

        return read_reference_library(self.settings.kinetics)


def build(settings: Settings) -> Tools:
    """Return the tools that the settings ask for."""
    return Tools(settings)
