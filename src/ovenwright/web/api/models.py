"""What the product model says of a run: a forecast as of a moment, what held the slowest back."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from ovenwright.reporting.words import Shown
from ovenwright.web.answers import TROUBLES
from ovenwright.web.api.jobs import JobFacts
from ovenwright.web.api.results import finite
from ovenwright.web.door import Viewer
from ovenwright.web.jobs import Job
from ovenwright.web.modelled import Question, modelled
from ovenwright.web.opened import Opened, TheOpened
from ovenwright.web.refs import run_ref
from ovenwright.web.retold import Retold
from ovenwright.web.site import Site, TheSite
from ovenwright.workflow.laying_out import Wanted

router = APIRouter(prefix="/api/runs", tags=["model"], responses=TROUBLES)

MEMBERS = Wanted().members
Temp = Annotated[float, Field(ge=-50.0, le=1200.0, allow_inf_nan=False)]
Name = Annotated[str, Field(max_length=140)]
Names = Annotated[
    list[Name] | None, Query(max_length=64, description="channels; by their roles when left out")
]


class ModelAnswer(BaseModel):
    """What the model says: ``found`` once ``state`` is ready, ``job`` until then.

    Times are the run's elapsed seconds, temperatures °C.
    """

    state: Literal["ready", "working"]
    job: JobFacts | None = None
    found: dict[str, Any] | None = None


@router.get("/{run_id}/forecast")
def forecast(
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    passes: Annotated[
        list[Temp], Query(min_length=1, max_length=4, description="temperatures to pass, °C")
    ],
    until_s: Annotated[
        float | None,
        Query(gt=0, le=1e9, allow_inf_nan=False, description="known up to; the end when left out"),
    ] = None,
    core: Names = None,
    around: Names = None,
) -> ModelAnswer:
    """Say what would have been foreseen at a moment of a run, and what then came; ask again while it works."""
    wanted = Wanted(
        cores=tuple(dict.fromkeys(core or ())),
        surroundings=tuple(dict.fromkeys(around or ())),
        passes=tuple(dict.fromkeys(passes)),
        until_s=until_s,
        members=MEMBERS,
    )
    return _said(site, opened, Question("forecast", run_ref(run_id, site.tools.logbook), wanted))


@router.get("/{run_id}/slowest")
def slowest(
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    passed: Annotated[
        Temp | None, Query(description="°C; the highest that every core passed when left out")
    ] = None,
    against: Annotated[str, Query(max_length=140)] = "",
    core: Names = None,
    around: Names = None,
) -> ModelAnswer:
    """Say what held the slowest place of a run back; ask again while it works."""
    wanted = Wanted(
        cores=tuple(dict.fromkeys(core or ())),
        surroundings=tuple(dict.fromkeys(around or ())),
        passes=() if passed is None else (passed,),
        members=MEMBERS,
    )
    ref = run_ref(run_id, site.tools.logbook)
    return _said(site, opened, Question("explanation", ref, wanted, against=against))


def _said(site: Site, opened: Opened, asked: Question) -> ModelAnswer:
    answer = modelled(site, opened, asked, Shown(fahrenheit=site.tools.settings.show_unit == "F"))
    if not isinstance(answer, Job):
        return ModelAnswer(state="ready", found=finite(answer.facts))
    if answer.error is not None:
        raise Retold(answer.error)
    return ModelAnswer(state="working", job=JobFacts(**answer.facts()))
