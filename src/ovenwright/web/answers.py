"""One error shape for the API, one error page for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response

from ovenwright.errors import (
    InstrumentTrouble,
    MissingExtra,
    OvenwrightError,
    Overtaken,
    StorageTrouble,
    UnknownName,
    UsageError,
)
from ovenwright.web.pages import show
from ovenwright.web.remedies import in_browser
from ovenwright.web.retold import Retold
from ovenwright.web.site import Site, site_of


class Trouble(BaseModel):
    """What was wrong, where, and what to do next; the shape of every error of the API."""

    error: str
    what: str
    where: str = ""
    remedy: str = ""
    faults: list[dict[str, Any]] = []


STATUSES: tuple[tuple[type[OvenwrightError], int], ...] = (
    (UnknownName, 404),
    (Overtaken, 409),
    (UsageError, 400),
    (InstrumentTrouble, 503),
    (StorageTrouble, 503),
    (MissingExtra, 503),
)
"""The first class that fits decides; every other error of ours is 422: the content won't do."""

TROUBLES: dict[int | str, dict[str, Any]] = {
    code: {"model": Trouble} for code in (400, 401, 403, 404, 409, 413, 422, 429, 503)
}


def status_of(trouble: OvenwrightError) -> int:
    """Return the HTTP status of an error; one that is retold keeps that of its own class."""
    kind = trouble.kind if isinstance(trouble, Retold) else type(trouble)
    if kind is None:  # no error of ours: the tool itself failed
        return 500
    return next((code for fitting, code in STATUSES if issubclass(kind, fitting)), 422)


HEADINGS = {
    403: "That is for another role",
    404: "There is nothing of that name",
    409: "Somebody was faster",
    500: "The tool itself failed",
    503: "That can't be reached now",
}
_NEXT = {
    403: "ask somebody who has that role, or an engineer to give it to you under People and records",
    404: "go on from one of the places above",
}
"""What a person does next where nothing but a status says what was wrong."""


def told_trouble(site: Site, facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return an error's facts as a browser may show them: no folder of this machine in them."""
    folder = str(site.tools.settings.logbook.absolute())
    words = {k: str(facts.get(k, "")).replace(folder, "logbook") for k in ("where", "what")}
    remedy = in_browser(str(facts.get("remedy", "")).replace(folder, "logbook"))
    return {"faults": []} | dict(facts) | words | {"remedy": remedy}


def answer(request: Request, status: int, facts: dict[str, Any]) -> Response:
    """Return an error in its one shape: as JSON, or as a page for people."""
    facts = told_trouble(site_of(request), facts)
    if request.url.path.startswith("/api/") or "text/html" not in request.headers.get("accept", ""):
        return JSONResponse(facts, status_code=status)
    try:
        heading = HEADINGS.get(status, "That did not work")
        return show(request, "trouble.html.j2", status=status, trouble=facts, heading=heading)
    except StorageTrouble as unbuilt:  # without its bundle the site can show no page at all
        return PlainTextResponse(str(unbuilt), status_code=503)


async def _ours(request: Request, cause: Exception) -> Response:
    assert isinstance(cause, OvenwrightError)  # only registered for that class
    return answer(request, status_of(cause), cause.facts())


async def _malformed(request: Request, cause: Exception) -> Response:
    assert isinstance(cause, RequestValidationError)
    first = cause.errors()[0]
    where = ".".join(str(p) for p in first["loc"])
    facts = {
        "error": "UsageError",
        "what": str(first["msg"]),
        "where": where,
        "remedy": "see /docs or /openapi.json",
    }
    return answer(request, 422, facts)


async def _plain(request: Request, cause: Exception) -> Response:
    assert isinstance(cause, HTTPException)
    what, remedy = str(cause.detail), _NEXT.get(cause.status_code, "")
    if cause.status_code == 404 and what == "Not Found":
        what = "there is no such page"
    facts = {"error": "HTTP", "what": what, "where": request.url.path, "remedy": remedy}
    found = answer(request, cause.status_code, facts)
    for name, value in (cause.headers or {}).items():
        found.headers[name] = value
    return found


def install(app: FastAPI) -> None:
    """Give an app its error handlers."""
    app.add_exception_handler(OvenwrightError, _ours)
    app.add_exception_handler(RequestValidationError, _malformed)
    app.add_exception_handler(HTTPException, _plain)
