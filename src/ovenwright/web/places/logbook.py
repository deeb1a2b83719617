"""Logbook: the runs, with verdict, plan, oven, product and time; open recordings on top."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import HTMLResponse

from ovenwright.web.door import Viewer
from ovenwright.web.pages import show
from ovenwright.web.site import TheSite
from ovenwright.workflow.keeping import list_runs

router = APIRouter(include_in_schema=False)


@router.get("/")
def logbook(request: Request, site: TheSite, _: Viewer) -> HTMLResponse:
    """Show the runs of this logbook."""
    listing = list_runs(site.tools.logbook, site.tools.catalogue)
    return show(
        request,
        "logbook.html.j2",
        place="logbook",
        name=site.tools.logbook.folder.absolute().name,
        listing=listing,
    )
