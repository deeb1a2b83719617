"""Jobs: long work followed and cancelled."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel

from ovenwright.web.answers import TROUBLES
from ovenwright.web.door import Operator, Viewer
from ovenwright.web.jobs import JobState
from ovenwright.web.site import TheSite

router = APIRouter(prefix="/api/jobs", tags=["jobs"], responses=TROUBLES)


class JobFacts(BaseModel):
    """One job: ``share`` runs from 0 to 1, ``link`` is where its result is shown."""

    id: str
    title: str
    state: JobState
    share: float
    doing: str
    link: str
    result: dict[str, Any] | None
    error: dict[str, Any] | None


@router.get("")
def jobs(site: TheSite, _: Viewer) -> list[JobFacts]:
    """List the jobs of this server, the newest first."""
    return [JobFacts(**j.facts()) for j in site.jobs.all()]


@router.get("/{job_id}")
def job(job_id: str, site: TheSite, _: Viewer) -> JobFacts:
    """Say how far a job is."""
    return JobFacts(**site.jobs.get(job_id).facts())


@router.delete("/{job_id}")
def cancel(job_id: str, site: TheSite, _: Operator) -> JobFacts:
    """Ask a job to stop."""
    return JobFacts(**site.jobs.cancel(job_id).facts())
