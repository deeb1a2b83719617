"""Result: the verdict first, then why; judged again, restated, compared, handed out."""

from __future__ import annotations

import re
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Form, Query, UploadFile
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from ovenwright.domain.standing import Standing
from ovenwright.errors import OvenwrightError, StorageTrouble, UsageError
from ovenwright.reporting.document import Document, Points
from ovenwright.reporting.ink import PAPER
from ovenwright.reporting.render import Form as ReportForm
from ovenwright.reporting.restated_facts import (
    BeforeAfter,
    before_after_chart,
    before_after_table,
    restated_words,
)
from ovenwright.reporting.svg_time import time_chart
from ovenwright.storage.wide import ExportUnit
from ovenwright.web.answers import told_trouble
from ovenwright.web.api.results import (
    JudgeBody,
    RestateBody,
    prove,
    restate_now,
    start_judging,
)
from ovenwright.web.api.signatures import proofs_of
from ovenwright.web.blocks import block_facts
from ovenwright.web.comparing import Others, comparable, held_against, known_as, others_of
from ovenwright.web.door import Engineer, Operator, Role, Viewer, Who, note
from ovenwright.web.finding import Sought, seek
from ovenwright.web.handing_out import readings, report
from ovenwright.web.jobs import Job
from ovenwright.web.opened import Opened, TheOpened
from ovenwright.web.pages import show
from ovenwright.web.plan_choice import MOST_BYTES
from ovenwright.web.refs import run_ref
from ovenwright.web.result_view import (
    bare_history,
    judged_history,
    result_facts,
    shown_for_run,
)
from ovenwright.web.retold import Retold
from ovenwright.web.runs_shown import show_runs
from ovenwright.web.site import Site, TheSite
from ovenwright.web.waiting import lead_on
from ovenwright.workflow.exporting import Format
from ovenwright.workflow.keeping import Wish, list_runs
from ovenwright.workflow.restating import before_after, prepare_restated
from ovenwright.workflow.results import SMALL, judge_text
from ovenwright.workflow.signing import lines_for_report

router = APIRouter(include_in_schema=False)

TYPES = ("B", "E", "J", "K", "N", "R", "S", "T")
Line = Annotated[str, Form(max_length=500)]
_ENDS = {"csv": Format.CSV, "xlsx": Format.XLSX, "parquet": Format.PARQUET, "nc": Format.NETCDF}
_WRONG = re.compile(r"as type ([BEJKNRST]) wire recorded as ([BEJKNRST])\b")


@router.get("/results")
def results(
    request: Request,
    site: TheSite,
    _: Viewer,
    *,
    a: Annotated[str, Query(max_length=140)] = "",
    b: Annotated[str, Query(max_length=140)] = "",
) -> Response:
    """Show the latest results, and choose two runs to compare."""
    if a and b:
        book = site.tools.logbook
        first, second = run_ref(a, book), run_ref(b, book)
        return RedirectResponse(f"/runs/{first}/compare?{urlencode({'with': second})}", 303)
    listing = list_runs(site.tools.logbook, site.tools.catalogue, Wish(limit=40))
    return show(
        request,
        "results.html.j2",
        place="result",
        runs=show_runs(site, listing.runs),
        total=listing.total,
        chosen=a or b,
    )


# one result -------------------------------------------------------------------------------


At = Annotated[float | None, Query(allow_inf_nan=False, description="minutes since load-in")]


@router.get("/runs/{run_id}")
def one_result(
    request: Request,
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    who: Viewer,
    *,
    at: At = None,
    whole: bool = False,
) -> HTMLResponse:
    """Show the result of a run: its latest judgement.

    The verdict of a large run is begun to be found when the page's script asks, or with ``whole``.
    """
    ref = run_ref(run_id, site.tools.logbook)
    sought = seek(site, opened, ref, begin=whole)
    return _result_page(request, sought, site=site, opened=opened, who=who, at=at)


@router.get("/runs/{run_id}/judgements/{number}")
def one_judgement(  # noqa: PLR0917  # the site's parts come one by one
    request: Request,
    run_id: str,
    number: int,
    site: TheSite,
    opened: TheOpened,
    who: Viewer,
    *,
    at: At = None,
    whole: bool = False,
) -> HTMLResponse:
    """Show the result of a run as one of its judgements has it."""
    ref = run_ref(run_id, site.tools.logbook)
    sought = seek(site, opened, ref, number, begin=whole)
    return _result_page(request, sought, site=site, opened=opened, who=who, at=at)


def _result_page(
    request: Request, sought: Sought, *, site: Site, opened: Opened, who: Who, at: float | None
) -> HTMLResponse:
    if sought.facts.samples > SMALL:  # its script asks for the readings as soon as it is there
        opened.runs.foresee(site.tools.logbook.path_of(sought.facts.id))
    return show(
        request,
        "result.html.j2",
        place="result",
        may_judge=who.role >= Role.OPERATOR,
        may_change=who.role >= Role.ENGINEER,
        **result_facts(request, sought, site=site, opened=opened, at_min=at),
    )


@router.get("/runs/{run_id}/picture.svg")
def picture(
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    judgement: Annotated[int | None, Query(ge=1)] = None,
) -> Response:
    """Draw all channels of a run, for readers without scripts.

    With limits and crossings where the verdict is there already, else as they were recorded.
    """
    ref = run_ref(run_id, site.tools.logbook)
    sought = seek(site, opened, ref, judgement, begin=False)
    if sought.result is not None:
        chart = judged_history(opened, sought.result)
    else:
        chart = bare_history(site, opened, sought.facts, shown_for_run(site, sought.facts))
    return Response(time_chart(chart, PAPER), media_type="image/svg+xml")


@router.get("/runs/{run_id}/health")
def health(
    request: Request, run_id: str, site: TheSite, opened: TheOpened, _: Viewer
) -> HTMLResponse:
    """Show what the checks found on every channel, beside the picture of its stretches."""
    sought = seek(site, opened, run_ref(run_id, site.tools.logbook))
    facts = result_facts(request, sought, site=site, opened=opened, at_min=None)
    sections = [s for s in facts["sections"] if s.id == "health"]
    return show(request, "health.html.j2", place="result", **(facts | {"sections": sections}))


# judging again -----------------------------------------------------------------------------


@router.post("/runs/{run_id}/judge")
def judge_again(
    request: Request,
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    who: Operator,
    *,
    plan: Line = "",
    plan_file: UploadFile | None = None,
    plan_toml: Annotated[str, Form(max_length=MOST_BYTES)] = "",
    why: Line = "",
) -> Response:
    """Judge a run, under another plan if one was chosen, and keep the judgement."""
    ref = run_ref(run_id, site.tools.logbook)
    text = plan_toml
    if plan_file is not None and plan_file.filename:
        content = plan_file.file.read(MOST_BYTES + 1)
        if len(content) > MOST_BYTES:
            raise UsageError("the plan is larger than 1 MiB", remedy="give a plan as TOML")
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError as cause:
            raise UsageError("the plan is not UTF-8 text", remedy="save it as UTF-8") from cause
    body = JudgeBody(plan=plan or "sealed", plan_toml=text, why=why)
    job = start_judging(request, ref, body, site=site, opened=opened, who=who)
    return _wait(request, job, title="Judging", back=f"/runs/{ref}")


def _wait(request: Request, job: Job, *, title: str, back: str) -> Response:
    waited = lead_on(request, job, title=title, back=back)
    if job.error is not None:
        raise Retold(job.error)
    return waited


# restating ---------------------------------------------------------------------------------


@router.get("/runs/{run_id}/restate")
def restating(
    request: Request,
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    who: Viewer,
    *,
    channel: Annotated[list[str] | None, Query(max_length=500)] = None,
    recorded_as: Annotated[str, Query(max_length=4)] = "",
    actual: Annotated[str, Query(max_length=4)] = "",
    reference: Annotated[str, Query(max_length=200)] = "",
) -> HTMLResponse:
    """Show what reading channels as another type would change, before anything is kept."""
    book = site.tools.logbook
    ref = run_ref(run_id, book)
    facts = book.facts(ref)
    shown = shown_for_run(site, facts)
    trouble: OvenwrightError | None = None
    pairs: tuple[BeforeAfter, ...] = ()
    made_from = ""
    suspects = _suspects(site, opened, ref)
    if channel and recorded_as and actual:
        try:
            parent = book.open(ref)
            after, told = prepare_restated(
                parent,
                channels=channel,
                recorded_as=recorded_as.upper(),
                actual=actual.upper(),
                reference=_reference(reference, site.tools.settings.show_unit),
            )
            pairs = before_after(parent, after, told)
        except OvenwrightError as cause:
            trouble = cause
    elif facts.parent_digest:
        made_from = parent_of(site, facts.parent_digest)
        if made_from:
            pairs = before_after(book.open(made_from), book.open(ref))
    return show(
        request,
        "restate.html.j2",
        place="result",
        script="result",
        facts=facts,
        channels=[c.name for c in facts.channels],
        restated=[c.name for c in facts.channels if c.restated_from],
        types=TYPES,
        asked={
            "channel": channel or [],
            "recorded_as": recorded_as,
            "actual": actual,
            "reference": reference,
        },
        suspects=suspects,
        previewed=bool(channel and pairs),
        made_from=made_from,
        called=known_as(site, facts),
        parent_called=known_as(site, book.facts(made_from)) if made_from else "",
        words=[restated_words(p, shown) for p in pairs],
        blocks=[
            block_facts(b)
            for b in (
                *(before_after_chart(p, shown, 0.0) for p in pairs),
                *((before_after_table(pairs, shown),) if pairs else ()),
            )
        ],
        trouble=trouble,
        may_change=who.role >= Role.ENGINEER,
    )


def _reference(text: str, unit: str) -> float | str | None:
    """Return a reference-junction temperature in °C, or the channel that recorded it.

    A bare number is in the unit that people see, as the form says; its sign overrules that.
    """
    wish = text.strip().replace(",", ".")
    if wish.endswith(("°C", "°F")):
        wish, unit = wish[:-2].strip(), wish[-1]
    if not wish:
        return None
    try:
        return (float(wish) - 32.0) / 1.8 if unit == "F" else float(wish)
    except ValueError:
        return text.strip()


def _suspects(site: Site, opened: Opened, run_id: str) -> list[dict[str, str]]:
    """Return the channels whose checks say which type they really are."""
    result = seek(site, opened, run_id).result
    if result is None:
        return []
    found = []
    for span in result.answer.get("health", ()):
        match = _WRONG.search(str(span.get("reason", "")))
        if span.get("name") == "wrong-type" and match:
            query = {
                "channel": span["channel"],
                "recorded_as": match[2],
                "actual": match[1],
            }
            found.append(
                {
                    "channel": str(span["channel"]),
                    "reason": str(span["reason"]),
                    "link": f"/runs/{run_id}/restate?{urlencode(query)}",
                }
            )
    return found


def parent_of(site: Site, digest: str) -> str:
    """Return the id of the run that has a digest, or nothing if it is not in this logbook."""
    runs = list_runs(site.tools.logbook, site.tools.catalogue).runs
    return next((r.id for r in runs if r.digest == digest), "")


@router.post("/runs/{run_id}/restate")
def restate(
    request: Request,
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    who: Engineer,
    *,
    channel: Annotated[list[str] | None, Form(max_length=500)] = None,
    recorded_as: Annotated[str, Form(max_length=4)] = "",
    actual: Annotated[str, Form(max_length=4)] = "",
    reference: Annotated[str, Form(max_length=200)] = "",
    why: Line = "",
) -> Response:
    """Seal the run anew with some channels read as the type they are, and judge it."""
    ref = run_ref(run_id, site.tools.logbook)
    body = RestateBody(
        channels=channel or [],
        recorded_as=recorded_as,
        actual=actual,
        reference=_reference(reference, site.tools.settings.show_unit),
        why=why,
    )
    new_id, *_ = restate_now(request, site, ref, body)
    facts = site.tools.logbook.facts(new_id)
    if facts.plan_toml and facts.samples <= SMALL:
        judged = judge_text(site.tools.logbook, site.tools.library(), new_id, keep=True)
        settings = site.tools.settings
        opened.results.take(judged, show_unit=settings.show_unit, zone=settings.zone)
        note(request, "judged", new_id, why="after restating")
    elif facts.plan_toml:
        again = JudgeBody(why="after restating")
        job = start_judging(request, new_id, again, site=site, opened=opened, who=who)
        return _wait(request, job, title="Judging", back=f"/runs/{new_id}")
    return RedirectResponse(f"/runs/{new_id}", 303)


# comparing ---------------------------------------------------------------------------------


@router.get("/runs/{run_id}/compare")
def compare(
    request: Request,
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    others: Others = [],  # noqa: B006  # FastAPI copies it
    same_sensors: bool = False,
) -> Response:
    """Hold other runs against this one, aligned at load-in; choose which where none is named.

    One other is compared channel by channel; several make a band for each role and a range for
    each measure, and the page tells where this run stands.
    """
    book = site.tools.logbook
    ref = run_ref(run_id, book)
    facts = book.facts(ref)
    document: Document | None = None
    trouble: dict[str, Any] = {}
    chosen = counted = others_of(site, ref, others)
    if chosen:
        try:
            found = held_against(site, opened, ref, chosen, same_sensors=same_sensors)
        except StorageTrouble:
            raise
        except OvenwrightError as cause:
            trouble = told_trouble(site, cause.facts())
        else:
            if isinstance(found, Job):
                wish = [("with", other) for other in chosen]
                wish += [("same_sensors", "1")] * same_sensors
                found.link = f"/runs/{ref}/compare?{urlencode(wish)}"
                return _wait(request, found, title="Comparing", back=f"/runs/{ref}")
            document = found.document
            if isinstance(found.comparison, Standing):
                counted = found.comparison.other_ids
    half = len(chosen) > 1
    first = [block_facts(b, half=half) for b in document.first_page if _says(b)] if document else []
    sections = document.sections if document else ()
    return show(
        request,
        "compare.html.j2",
        place="result",
        script="result",
        facts=facts,
        chosen=chosen,
        same_sensors=same_sensors,
        choice=comparable(site, facts),
        named={f: known_as(site, book.facts(f)) for f in (ref, *chosen)},
        counted=counted,
        count=len(counted),
        document=document,
        first=first,
        pairs=[block_facts(b) for s in sections for b in s.blocks],
        trouble=trouble,
    )


def _says(block: Any) -> bool:
    return not isinstance(block, Points) or bool(block.items)


# proof, reports, readings --------------------------------------------------------------------


@router.post("/runs/{run_id}/prove")
def prove_now(run_id: str, site: TheSite, opened: TheOpened, _: Viewer) -> RedirectResponse:
    """Prove a run unaltered, and show it again; what was altered is told as an error."""
    ref = run_ref(run_id, site.tools.logbook)
    prove(site, opened, ref)
    return RedirectResponse(f"/runs/{ref}#seal", 303)


@router.get("/runs/{run_id}/report.{form}")
def hand_report(
    request: Request,
    run_id: str,
    form: ReportForm,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    judgement: Annotated[int | None, Query(ge=1)] = None,
) -> Response:
    """Give the report as a file; of a large run it is made by a job that the page follows."""
    ref = run_ref(run_id, site.tools.logbook)
    sought = seek(site, opened, ref, judgement)
    signed = lines_for_report(
        site.tools.people,
        site.tools.logbook,
        ref,
        plan_toml=sought.plan_toml,
        proofs=proofs_of(request),
    )
    made = report(site, opened, sought, form, signed)
    if isinstance(made, Response):
        return made
    made.link = request.url.path + (f"?judgement={judgement}" if judgement else "")
    return _wait(request, made, title="Writing the report", back=f"/runs/{ref}")


@router.get("/runs/{run_id}/readings.{end}")
def hand_readings(
    run_id: str, end: str, site: TheSite, _: Viewer, *, unit: ExportUnit = ExportUnit.CELSIUS
) -> Response:
    """Give all readings of a run as a file: csv, xlsx, parquet or nc."""
    ref = run_ref(run_id, site.tools.logbook)
    if end not in _ENDS:
        raise UsageError(f"{end[:20]!r} is no form of readings", remedy="csv, xlsx, parquet or nc")
    return readings(site, ref, _ENDS[end], unit)


@router.get("/runs/{run_id}/plan.toml")
def hand_plan(
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    judgement: Annotated[int | None, Query(ge=1)] = None,
) -> Response:
    """Give the plan a run was judged under as a file."""
    ref = run_ref(run_id, site.tools.logbook)
    sought = seek(site, opened, ref, judgement)
    if not sought.plan_toml:
        raise UsageError("this run has no plan", where=ref)
    name = quote(f"{ref}.toml")
    headers = {"content-disposition": f"attachment; filename*=UTF-8''{name}"}
    return Response(sought.plan_toml, media_type="application/toml", headers=headers)
