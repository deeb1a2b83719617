"""Whether the server is well, for scripts and monitors."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import BaseModel

from ovenwright import __version__
from ovenwright.web.site import TheSite

router = APIRouter(prefix="/api", tags=["server"])


class Health(BaseModel):
    """The server's state."""

    ok: bool
    version: str
    logbook: str
    runs: int


@router.get("/health")
def health(site: TheSite) -> Health:
    """Say that the server is up and how many sealed runs its logbook holds."""
    book = site.tools.logbook
    return Health(
        ok=True,
        version=__version__,
        logbook=book.folder.absolute().name,
        runs=len(book.run_ids()),
    )
