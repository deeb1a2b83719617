"""Results: verdicts as kept and as found, judged again, restated, compared, proved unaltered."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import Response

from ovenwright.domain.standing import Standing
from ovenwright.errors import StorageTrouble, UnknownName, UsageError
from ovenwright.reporting.comparison_facts import comparison_answer
from ovenwright.reporting.document import TimeChart
from ovenwright.reporting.restated_facts import restated_words
from ovenwright.reporting.standing_facts import standing_answer
from ovenwright.storage.run_facts import iso_from_ns
from ovenwright.web.answers import TROUBLES
from ovenwright.web.api.jobs import JobFacts
from ovenwright.web.comparing import Others, held_against, others_of
from ovenwright.web.door import Engineer, Operator, Role, Viewer, Who, note, refusal
from ovenwright.web.finding import Sought, seek
from ovenwright.web.jobs import Job
from ovenwright.web.opened import Opened, TheOpened
from ovenwright.web.pictures import overlays, packed_chart, plain_chart
from ovenwright.web.plan_choice import SEALED, chosen_plan
from ovenwright.web.refs import run_ref
from ovenwright.web.retold import Retold
from ovenwright.web.site import Site, TheSite
from ovenwright.web.slices import MEDIA_TYPE
from ovenwright.workflow.restating import (
    RestatedChannel,
    before_after,
    prepare_restated,
    restate_run,
)
from ovenwright.workflow.results import (
    KeptJudgement,
    Result,
    judge_text,
    kept_judgements,
    shown_of,
)
from ovenwright.workflow.verifying import verify_runs

router = APIRouter(prefix="/api/runs", tags=["results"], responses=TROUBLES)

Words = Annotated[str, Field(max_length=500)]
Number = Annotated[
    int | None, Query(ge=1, description="a judgement of the run; the latest when left out")
]


class JudgementFacts(BaseModel):
    """One kept judgement; ``plan`` is the file that keeps its plan, ``sha256`` seals the record."""

    number: int
    judged: str
    software: str
    plan: str
    verdict: str
    link: str
    sha256: str


class JudgementAnswer(JudgementFacts):
    """One kept judgement with all it says."""

    judgement: dict[str, Any]


class Proof(BaseModel):
    """When this server last proved the run unaltered; empty if it did not yet."""

    run: str
    digest: str
    proved: str


class Picture(BaseModel):
    """What lies over the curves: times in elapsed seconds, temperatures in °C."""

    model_config = ConfigDict(extra="allow")

    title: str
    alt: str
    y_label: str
    note: str
    zero_s: float
    limits: list[dict[str, Any]]
    spots: list[dict[str, Any]]
    stretches: list[dict[str, Any]]
    marks: list[dict[str, Any]]
    looks: dict[str, int]


class ResultAnswer(BaseModel):
    """A run's result: ``ready``, ``working`` (see the job), ``none`` (no plan) or ``trouble``."""

    run: str
    digest: str
    state: Literal["ready", "working", "none", "trouble"]
    judgement: int | None
    verdict: dict[str, Any] | None
    picture: Picture | None
    job: JobFacts | None
    trouble: dict[str, Any] | None


class JudgeBody(BaseModel):
    """Which plan to judge under: ``sealed``, ``shelf:ID``, ``preset:ID``, ``run:ID``, or its text."""

    model_config = ConfigDict(extra="forbid")

    plan: Annotated[str, Field(max_length=200)] = SEALED
    plan_toml: Annotated[str, Field(max_length=1 << 20)] = ""
    why: Words = ""


class RestateBody(BaseModel):
    """Channels that were read as the wrong thermocouple type, and the reference junction.

    ``reference`` is °C, or the name of the channel that recorded it; the instrument's own, or
    25 °C with a wide uncertainty, when left out.
    """

    model_config = ConfigDict(extra="forbid")

    channels: Annotated[list[Annotated[str, Field(max_length=200)]], Field(max_length=500)]
    recorded_as: Annotated[str, Field(max_length=4)]
    actual: Annotated[str, Field(max_length=4)]
    reference: float | Annotated[str, Field(max_length=200)] | None = None
    reference_standard_k: float | None = None
    preview: bool = False
    why: Words = ""


class RestatedFacts(BaseModel):
    """One channel before and after: lowest, highest, last, °C."""

    channel: str
    recorded_as: str
    actual: str
    reference_c: float
    reference_standard_k: float
    reference_words: str
    before_c: tuple[float, float, float]
    after_c: tuple[float, float, float]
    largest_change_k: float
    standard_k: float
    readings: int
    lost: int


class RestateAnswer(BaseModel):
    """What restating changes; ``run`` is the new one, empty for a preview."""

    run: str
    digest: str
    parent: str
    link: str
    words: list[str]
    channels: list[RestatedFacts]


# verdicts ---------------------------------------------------------------------------------


def judgement_facts(run_id: str, kept: KeptJudgement) -> JudgementFacts:
    """Return what is listed of a judgement."""
    return JudgementFacts(
        number=kept.number,
        judged=kept.judged,
        software=kept.software,
        plan=kept.plan_file,
        verdict=kept.outcome,
        link=f"/runs/{run_id}/judgements/{kept.number}",
        sha256=kept.sha256,
    )


def picture_of(site: Site, sought: Sought, result: Result) -> dict[str, Any]:
    """Return what lies over the picture of all channels."""
    settings = site.tools.settings
    shown = shown_of(result.plan, sought.facts, show_unit=settings.show_unit, zone=settings.zone)
    return overlays(result.chart("history"), result.zero_s, shown, temperature=True)


@router.get("/{run_id}/result")
def result(
    run_id: str, site: TheSite, opened: TheOpened, _: Viewer, *, judgement: Number = None
) -> ResultAnswer:
    """Give the verdict and what lies over the picture, or the job that finds it."""
    sought = seek(site, opened, run_ref(run_id, site.tools.logbook), judgement)
    found = sought.result
    state: Literal["ready", "working", "none", "trouble"] = "none"
    if found is not None:
        state = "ready"
    elif sought.job is not None:
        state = "working"
    elif sought.trouble is not None:
        state = "trouble"
    answer = found.answer if found else (sought.shown.answer if sought.shown else None)
    return ResultAnswer(
        run=sought.facts.id,
        digest=sought.facts.digest,
        state=state,
        judgement=sought.shown.number if sought.shown else None,
        verdict=dict(finite(answer)) if answer is not None else None,
        picture=Picture(**picture_of(site, sought, found)) if found else None,
        job=JobFacts(**sought.job.facts()) if sought.job else None,
        trouble=dict(sought.trouble) if sought.trouble else None,
    )


def finite(value: Any) -> Any:
    """Return plain data that JSON can hold: what is no number becomes null."""
    if isinstance(value, Mapping):
        return {str(k): finite(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


@router.get("/{run_id}/judgements")
def judgements(run_id: str, site: TheSite, _: Viewer) -> list[JudgementFacts]:
    """List the judgements kept of a run, the oldest first."""
    book = site.tools.logbook
    ref = run_ref(run_id, book)
    return [judgement_facts(ref, j) for j in kept_judgements(book, ref)]


@router.get("/{run_id}/judgements/{number}")
def judgement(run_id: str, number: int, site: TheSite, _: Viewer) -> JudgementAnswer:
    """Give one judgement as it was kept."""
    book = site.tools.logbook
    ref = run_ref(run_id, book)
    kept = kept_judgements(book, ref)
    if not 1 <= number <= len(kept):
        raise UnknownName("judgement", str(number), known=[str(j.number) for j in kept])
    one = kept[number - 1]
    return JudgementAnswer(**judgement_facts(ref, one).model_dump(), judgement=finite(one.answer))


def start_judging(
    request: Request, run_id: str, body: JudgeBody, *, site: Site, opened: Opened, who: Who
) -> Job:
    """Start to judge a run and to keep the judgement; another plan needs an engineer."""
    facts = site.tools.logbook.facts(run_id)
    text = chosen_plan(site, facts, "text" if body.plan_toml else body.plan, body.plan_toml)
    if text != facts.plan_toml and who.role < Role.ENGINEER:
        raise refusal(request, Role.ENGINEER)
    settings = site.tools.settings

    def work(job: Job) -> Mapping[str, Any]:
        judged = judge_text(
            site.tools.logbook,
            site.tools.library(),
            run_id,
            plan_toml=text,
            keep=True,
            told=job.tell,
        )
        opened.results.take(judged, show_unit=settings.show_unit, zone=settings.zone)
        number = site.tools.logbook.judgement_count(run_id)
        note(request, "judged", run_id, why=body.why)
        job.link = f"/runs/{run_id}/judgements/{number}"
        return {"run": run_id, "judgement": number, "verdict": judged.verdict.outcome.value}

    return site.jobs.start(f"judging {facts.title or run_id}", work, who=who.name)


@router.post("/{run_id}/judgements", status_code=202)
def judge_again(  # noqa: PLR0917  # the site's parts come one by one
    request: Request,
    run_id: str,
    body: JudgeBody,
    site: TheSite,
    opened: TheOpened,
    who: Operator,
) -> JobFacts:
    """Judge a run, under another plan if one is named, and keep it as a judgement of its own."""
    ref = run_ref(run_id, site.tools.logbook)
    return JobFacts(**start_judging(request, ref, body, site=site, opened=opened, who=who).facts())


@router.get(
    "/{run_id}/charts/{chart}",
    responses={200: {"content": {MEDIA_TYPE: {"schema": {"type": "string", "format": "binary"}}}}},
)
def chart(
    request: Request,
    run_id: str,
    chart: Annotated[str, Field(max_length=80)],
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    judgement: Number = None,
) -> Picture:
    """Give one chart of the result, such as ``build-up-1``; binary when that is accepted."""
    sought = seek(site, opened, run_ref(run_id, site.tools.logbook), judgement)
    if sought.result is None:
        raise UsageError(
            "the result is not there yet", where=sought.facts.id, remedy="see its /result"
        )
    found, settings = sought.result, site.tools.settings
    shown = shown_of(found.plan, sought.facts, show_unit=settings.show_unit, zone=settings.zone)
    one = found.chart(chart)
    if MEDIA_TYPE in request.headers.get("accept", ""):
        packed = packed_chart(one, found.zero_s, shown)
        return Response(packed, media_type=MEDIA_TYPE)  # type: ignore[return-value]
    return Picture(**plain_chart(one, found.zero_s, shown))


# restating, comparing, proving ---------------------------------------------------------------


def restated_facts(one: RestatedChannel) -> RestatedFacts:
    """Return what is told of a restated channel."""
    return RestatedFacts(
        channel=one.channel,
        recorded_as=one.recorded_as,
        actual=one.actual,
        reference_c=one.reference_c,
        reference_standard_k=one.reference_standard_k,
        reference_words=one.reference_words,
        before_c=one.before_c,
        after_c=one.after_c,
        largest_change_k=one.largest_change_k,
        standard_k=one.standard_k,
        readings=one.readings,
        lost=one.lost,
    )


def restate_now(
    request: Request, site: Site, run_id: str, body: RestateBody
) -> tuple[str, str, list[str], list[RestatedFacts]]:
    """Restate and seal, or only prepare; return the new id and digest, words and facts."""
    book = site.tools.logbook
    settings = site.tools.settings
    given = {
        "channels": body.channels,
        "recorded_as": body.recorded_as.strip().upper(),
        "actual": body.actual.strip().upper(),
        "reference": body.reference,
        "reference_standard_k": body.reference_standard_k,
    }
    if body.preview:
        parent = book.open(run_id)
        after, told = prepare_restated(parent, **given)  # type: ignore[arg-type]
    else:
        made = restate_run(book, run_id, **given)  # type: ignore[arg-type]
        parent, after, told = made.parent, made.run, made.channels
        note(request, "restated", f"{run_id} as {after.id}", why=body.why)
    facts = book.facts(run_id)
    shown = shown_of(None, facts, show_unit=settings.show_unit, zone=settings.zone)
    words = [restated_words(b, shown) for b in before_after(parent, after, told)]
    return after.id, after.digest, words, [restated_facts(t) for t in told]


@router.post("/{run_id}/restate")
def restate(
    request: Request, run_id: str, body: RestateBody, site: TheSite, _: Engineer
) -> RestateAnswer:
    """Put a wrong thermocouple type right as a new sealed run; the old one stays as it is."""
    ref = run_ref(run_id, site.tools.logbook)
    new_id, digest, words, facts = restate_now(request, site, ref, body)
    return RestateAnswer(
        run=new_id,
        digest=digest,
        parent=ref,
        link=f"/runs/{new_id}" if new_id else "",
        words=words,
        channels=facts,
    )


@router.get("/{run_id}/compare")
def compare(
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    others: Others,
    same_sensors: bool = False,
) -> dict[str, Any]:
    """Hold another run against this one, aligned at load-in, under this one's plan.

    With several others (``?with=A&with=B``) this run is held against the range of each measure and
    the band of each role; its ``others`` then lists the runs that count.
    """
    ref = run_ref(run_id, site.tools.logbook)
    found = held_against(site, opened, ref, others_of(site, ref, others), same_sensors=same_sensors)
    if isinstance(found, Job):
        if found.error is not None:
            raise Retold(found.error)
        return {"state": "working", "job": found.facts()}
    told = found.comparison
    answer = standing_answer(told) if isinstance(told, Standing) else comparison_answer(told)
    return {"state": "ready", **finite(answer)}


@router.get(
    "/{run_id}/compare/{chart}",
    responses={200: {"content": {MEDIA_TYPE: {"schema": {"type": "string", "format": "binary"}}}}},
)
def comparison_chart(
    request: Request,
    run_id: str,
    chart: Annotated[str, Field(max_length=140)],
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    others: Others,
    same_sensors: bool = False,
) -> Picture:
    """Give one chart of a comparison, such as ``differences``; binary when that is accepted.

    With several others each role has one, such as ``band-core``, whose ``areas`` are the band.
    """
    book, settings = site.tools.logbook, site.tools.settings
    reference = run_ref(run_id, book)
    found = held_against(
        site, opened, reference, others_of(site, reference, others), same_sensors=same_sensors
    )
    if isinstance(found, Job):
        raise UsageError("the comparison is not there yet", where=reference, remedy="ask again")
    charts = {b.id: b for b in found.blocks() if isinstance(b, TimeChart)}
    if chart not in charts:
        raise UnknownName("chart", chart[:60], known=tuple(charts))
    facts = book.facts(reference)
    shown = shown_of(None, facts, show_unit=settings.show_unit, zone=settings.zone)
    if MEDIA_TYPE in request.headers.get("accept", ""):
        packed = packed_chart(charts[chart], 0.0, shown)
        return Response(packed, media_type=MEDIA_TYPE)  # type: ignore[return-value]
    return Picture(**plain_chart(charts[chart], 0.0, shown))


@router.get("/{run_id}/proof")
def proof(run_id: str, site: TheSite, opened: TheOpened, _: Viewer) -> Proof:
    """Say when this server last proved the run unaltered."""
    facts = site.tools.logbook.facts(run_ref(run_id, site.tools.logbook))
    at = opened.results.proved_ns(facts.digest)
    return Proof(run=facts.id, digest=facts.digest, proved=iso_from_ns(at) if at else "")


def prove(site: Site, opened: Opened, run_id: str) -> dict[str, Any]:
    """Prove a run, its judgements and its originals unaltered.

    Raises
    ------
    StorageTrouble : if something was altered
    """
    found = verify_runs(site.tools.logbook, [run_id])[0]
    if not found.intact:
        raise StorageTrouble(
            found.trouble, where=run_id, remedy="restore it from a copy; do not rely on it"
        )
    opened.results.proved(found.digest)
    return {
        "intact": True,
        "run": found.run_id,
        "digest": found.digest,
        "samples": found.samples,
        "judgements": found.judgements,
        "originals": found.originals,
        "remarks": list(found.remarks),
    }


@router.post("/{run_id}/proof", status_code=202)
def prove_again(run_id: str, site: TheSite, opened: TheOpened, who: Viewer) -> JobFacts:
    """Prove a run unaltered, with its judgements and originals, as a job."""
    ref = run_ref(run_id, site.tools.logbook)

    def work(job: Job) -> Mapping[str, Any]:
        job.tell(0.1, "making the digest anew from every reading")
        return prove(site, opened, ref)

    return JobFacts(**site.jobs.start(f"proving {ref}", work, who=who.name).facts())
