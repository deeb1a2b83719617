"""What every request works with: the tools, the running jobs and the built bundle."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated, cast

from fastapi import Depends
from starlette.requests import HTTPConnection

from ovenwright.compose import Tools
from ovenwright.web.bundle import Bundle
from ovenwright.web.jobs import JobBoard


@dataclass(frozen=True)
class Site:
    """One running server.

    ``shared`` is True when other machines may reach it. ``at_end`` is called when the server ends.
    """

    tools: Tools
    jobs: JobBoard = field(default_factory=JobBoard)
    bundle: Bundle = field(default_factory=Bundle)
    shared: bool = False
    at_end: list[Callable[[], None]] = field(default_factory=list)


def site_of(connection: HTTPConnection) -> Site:
    """Return the site a request or socket belongs to."""
    return cast("Site", connection.app.state.site)


TheSite = Annotated[Site, Depends(site_of)]
"""Put ``site: TheSite`` among an endpoint's arguments."""
