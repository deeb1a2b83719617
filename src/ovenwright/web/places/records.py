"""Product records of the model: one shown, runs fitted into one."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Path
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from ovenwright.web.answers import told_trouble
from ovenwright.web.door import Engineer, Role, Viewer, note
from ovenwright.web.pages import show
from ovenwright.web.records_shown import fit_into, parameters_shown
from ovenwright.web.refs import run_ref
from ovenwright.web.retold import Retold
from ovenwright.web.site import TheSite
from ovenwright.web.waiting import lead_on
from ovenwright.workflow.keeping import Wish, list_runs
from ovenwright.workflow.records_kept import record_kept

router = APIRouter(include_in_schema=False)

_OFFERED = 30


@router.get("/product-records/{name}")
def one(
    name: Annotated[str, Path(max_length=80)], request: Request, site: TheSite, who: Viewer
) -> HTMLResponse:
    """Show a product record: the runs it rests on, and what they told."""
    book = site.tools.logbook
    found = record_kept(book, name)
    parameters = parameters_shown(found)
    runs = list_runs(book, site.tools.catalogue, Wish(limit=400)).runs
    products = {r.product for r in runs if r.id in {k.id for k in found.runs}} - {""}
    there = {r.id for r in found.runs}
    return show(
        request,
        "product_record.html.j2",
        place="ovens",
        record=found,
        told=[p for p in parameters if p.told],
        untold=[p for p in parameters if not p.told],
        products=sorted(products),
        more=[r for r in runs if r.product in products and r.id not in there][:_OFFERED],
        trouble=told_trouble(site, found.trouble) if found.trouble is not None else None,
        may_change=who.role >= Role.ENGINEER,
    )


@router.post("/product-records")
def fit(
    request: Request,
    site: TheSite,
    who: Engineer,
    *,
    name: Annotated[str, Form(max_length=80)] = "",
    run: Annotated[list[str] | None, Form(max_length=100)] = None,
) -> Response:
    """Fit the chosen runs into a product record, and show it."""
    runs = [run_ref(r, site.tools.logbook) for r in run or ()]
    job = fit_into(site, name.strip(), runs, who=who.name)
    note(request, "fitted product record", name.strip(), why=", ".join(runs))
    waited = lead_on(request, job, title="Fitting runs into a product record", back="/ovens")
    if job.error is not None:
        raise Retold(job.error)
    return waited
