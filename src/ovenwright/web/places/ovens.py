"""Ovens and products: what is known of each, the reference run, the history of key measures."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Form, Path
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from ovenwright.catalogue.entries import PairEntry
from ovenwright.errors import UsageError
from ovenwright.storage.logbook import slug
from ovenwright.storage.reference_runs import ReferenceRuns
from ovenwright.web.door import Engineer, Viewer, note
from ovenwright.web.histories_shown import (
    oven_facts,
    oven_from_above,
    product_facts,
    show_history,
)
from ovenwright.web.moments import moment
from ovenwright.web.pages import show
from ovenwright.web.records_shown import said
from ovenwright.web.refs import run_ref
from ovenwright.web.runs_shown import show_runs, shown_unit
from ovenwright.web.site import Site, TheSite
from ovenwright.workflow.histories import History, history_of, oven_product_pairs, set_reference
from ovenwright.workflow.records_kept import records_kept

router = APIRouter(include_in_schema=False)

Name = Annotated[str, Path(max_length=300)]
_LATEST = 8
_RUNS = 120  # of a history on the page; its twin tells more


@router.get("/ovens")
def ovens(request: Request, site: TheSite, _: Viewer) -> HTMLResponse:
    """Show the ovens and the products of this logbook."""
    tools = site.tools
    pairs = oven_product_pairs(tools.logbook, tools.catalogue)
    return show(
        request,
        "ovens.html.j2",
        place="ovens",
        ovens=_grouped(site, pairs, "oven"),
        products=_grouped(site, pairs, "product"),
        records=_records(site),
    )


def _records(site: Site, runs: Collection[str] | None = None) -> list[dict[str, Any]]:
    """Return the product records at a glance; with ``runs`` those that rest on one of them."""
    return [
        {"name": r.name, "runs": len(r.runs), "said": said(r), "broken": r.trouble is not None}
        for r in records_kept(site.tools.logbook)
        if runs is None or any(one.id in runs for one in r.runs)
    ]


def _grouped(site: Site, pairs: tuple[PairEntry, ...], by: str) -> list[dict[str, Any]]:
    other = "product" if by == "oven" else "oven"
    held = ReferenceRuns(site.tools.logbook.folder).now()
    found: dict[str, list[PairEntry]] = defaultdict(list)
    for pair in pairs:
        if name := getattr(pair, by):
            found[name].append(pair)
    zone = site.tools.settings.zone
    return [
        {
            "name": name,
            "others": [getattr(p, other) for p in mine if getattr(p, other)],
            "runs": sum(p.runs for p in mine),
            "passed": sum(p.passed for p in mine),
            "failed": sum(p.failed for p in mine),
            "undecided": sum(p.undecided for p in mine),
            "last": moment(max(p.last_ns for p in mine), zone).words[:16],
            "references": sum((p.oven, p.product) in held for p in mine),
        }
        for name, mine in found.items()
    ]


@router.get("/ovens/{name:path}")
def oven(name: Name, request: Request, site: TheSite, _: Viewer) -> HTMLResponse:
    """Show one oven."""
    tools = site.tools
    found = history_of(tools.logbook, tools.catalogue, oven=name, limit=_RUNS)
    return _page(request, site, found, name, "oven")


@router.get("/products/{name:path}")
def product(name: Name, request: Request, site: TheSite, _: Viewer) -> HTMLResponse:
    """Show one product."""
    tools = site.tools
    found = history_of(tools.logbook, tools.catalogue, product=name, limit=_RUNS)
    return _page(request, site, found, name, "product")


@router.post("/reference-run")
def choose(  # noqa: PLR0917 - a form's fields
    request: Request,
    site: TheSite,
    who: Engineer,
    run: Annotated[str, Form(max_length=140)],
    why: Annotated[str, Form(max_length=1000)] = "",
    back: Annotated[str, Form(max_length=700)] = "/ovens",
) -> RedirectResponse:
    """Make a run the reference of its product in its oven."""
    tools = site.tools
    ref = run_ref(run, tools.logbook)
    made = set_reference(tools.logbook, tools.catalogue, ref, by=who.name, why=why)
    note(request, "reference run chosen", ref, why=made.why)
    if not back.startswith(("/ovens", "/products/")):
        raise UsageError("the page to go back to is none of this place", where="back")
    return RedirectResponse(back, status_code=303)


def _page(request: Request, site: Site, found: History, name: str, kind: str) -> HTMLResponse:
    shown = shown_unit(site, found.runs[-1].time_zone)
    zone = site.tools.settings.zone
    facts = picture = None
    if found.plan is not None:
        facts = (
            oven_facts(found.plan, shown) if kind == "oven" else product_facts(found.plan, shown)
        )
        picture = oven_from_above(found.plan, shown) if kind == "oven" else None
    by_run = {r.id: r for r in found.runs}
    return show(
        request,
        "oven.html.j2",
        place="ovens",
        script="logbook",
        name=name,
        kind=kind,
        found=found,
        plan_run=_called(by_run[found.plan_run], zone) if found.plan_run in by_run else "",
        facts=facts,
        picture=picture,
        measured=show_history(found, shown, zone=zone),
        latest=show_runs(site, list(reversed(found.runs[-_LATEST:]))),
        choices=[(r.id, _called(r, zone)) for r in reversed(found.runs)],
        references=[
            (r, _called(by_run[r.run], zone) if r.run in by_run else r.run, r.set[:10])
            for r in found.references
        ],
        address=f"/{kind}s/{quote(name, safe='')}",
        records=_records(site, by_run) if kind == "product" else [],
        record_name=slug(name) or "product",
        fit=[(r.id, _called(r, zone)) for r in reversed(found.runs[-_LATEST:])],
    )


def _called(run: Any, zone: str) -> str:
    when = moment(run.start_ns if run.absolute else run.sealed_ns, zone or run.time_zone)
    mended = ", put right" if run.parent_digest else ""
    verdict = f", {run.verdict}" if run.verdict else ""
    return f"{when.words[:16]} {run.title or run.id}{mended}{verdict}"
