"""Pages whose content a job makes: shown at once where it is quick, else followed."""

from __future__ import annotations

import time

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from ovenwright.web.jobs import Job, JobState
from ovenwright.web.pages import show

_PATIENCE_S = 2.5


def lead_on(request: Request, job: Job, *, title: str, back: str) -> Response:
    """Lead on to what a job makes: at once where it is quick, else to a page that follows it.

    Whoever asks looks afterwards whether the job failed.
    """
    until = time.monotonic() + _PATIENCE_S
    while not job.over and time.monotonic() < until:
        time.sleep(0.03)
    if job.over and job.link and job.state is not JobState.CANCELLED:
        return RedirectResponse(job.link, 303)
    return show(request, "working.html.j2", place="result", job=job, title=title, back=back)
