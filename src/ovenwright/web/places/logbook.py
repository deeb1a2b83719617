"""Logbook: the runs, with verdict, plan, oven, product and time; open recordings on top."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from ovenwright.domain.run import junctions_among
from ovenwright.errors import UnknownName
from ovenwright.reporting.words import counted
from ovenwright.web.api.runs import find_runs, start_demo
from ovenwright.web.door import Operator, Viewer
from ovenwright.web.jobs import Job
from ovenwright.web.moments import moment
from ovenwright.web.pages import filters, show
from ovenwright.web.runs_shown import show_runs
from ovenwright.web.site import Site, TheSite
from ovenwright.workflow.recording_verbs import open_recordings

router = APIRouter(include_in_schema=False)

A_PAGE = 50
filters(
    address=lambda text: quote(str(text), safe=""),
    sensors=lambda names: len(names) - len(junctions_among(names)),
)


class Asked(BaseModel):
    """What the page's own form asks; an address written by hand may lack any of it."""

    text: Annotated[str, Field(max_length=200)] = ""
    oven: Annotated[str, Field(max_length=200)] = ""
    product: Annotated[str, Field(max_length=200)] = ""
    verdict: Annotated[str, Field(max_length=12)] = ""
    since: Annotated[str, Field(max_length=40)] = ""
    until: Annotated[str, Field(max_length=40)] = ""
    page: Annotated[int, Field(ge=1, le=200_000)] = 1
    job: Annotated[str, Field(max_length=40)] = ""

    def narrow(self) -> dict[str, str]:
        """Return what narrows the list."""
        return {
            name: value
            for name in ("text", "oven", "product", "verdict", "since", "until")
            if (value := getattr(self, name))
        }


@router.get("/")
def logbook(
    request: Request, site: TheSite, _: Viewer, asked: Annotated[Asked, Query()]
) -> HTMLResponse:
    """Show the runs of this logbook that fit what is asked, a page at a time."""
    offset = (asked.page - 1) * A_PAGE
    found = find_runs(site, **asked.narrow(), limit=A_PAGE, offset=offset)
    pairs = site.tools.catalogue.pairs() if found.total else ()
    return show(
        request,
        "logbook.html.j2",
        place="logbook",
        script="logbook",
        name=site.tools.logbook.folder.absolute().name,
        wanted=asked,
        narrowed=bool(asked.narrow()),
        runs=show_runs(site, found.runs),
        total=found.total,
        fitting=found.fitting,
        first=offset + 1,
        troubles=found.troubles,
        ovens=sorted({p.oven for p in pairs if p.oven}, key=str.casefold),
        products=sorted({p.product for p in pairs if p.product}, key=str.casefold),
        opened=_opened(site) if asked.page == 1 else [],
        before=_page(asked, asked.page - 1) if asked.page > 1 else "",
        after=_page(asked, asked.page + 1) if offset + A_PAGE < found.fitting else "",
        job=_job(site, asked.job),
    )


def _page(asked: Asked, number: int) -> str:
    return "/?" + urlencode(asked.narrow() | ({"page": str(number)} if number > 1 else {}))


def _job(site: Site, job_id: str) -> Job | None:
    try:
        return site.jobs.get(job_id) if job_id else None
    except UnknownName:  # the server was started anew meanwhile
        return None


def _opened(site: Site) -> list[dict[str, Any]]:
    return [
        {
            "id": one.id,
            "title": one.title,
            "recording": one.recording,
            "since": moment(one.started_ns, site.tools.settings.zone or one.time_zone).words[:16],
            "readings": counted(one.readings),
            "channels": len(one.channels),
        }
        for one in open_recordings(site.tools.logbook)
    ]


@router.post("/demo")
def demo(request: Request, site: TheSite, who: Operator) -> RedirectResponse:
    """Start the demo and show the logbook with its progress."""
    job = start_demo(request, site, who)
    return RedirectResponse(f"/?job={job.id}", status_code=303)
