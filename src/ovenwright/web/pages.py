"""Pages from templates; every page knows its place, who looks, and the token its forms carry."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

from ovenwright import __version__
from ovenwright.web.site import site_of


@dataclass(frozen=True, slots=True)
class Place:
    """One entry of the main navigation."""

    key: str
    title: str
    path: str


PLACES: tuple[Place, ...] = (
    Place("logbook", "Logbook", "/"),
    Place("bring-in", "Bring in readings", "/bring-in"),
    Place("plan", "Plans", "/plans"),
    Place("sensors", "Sensors", "/sensors"),
    Place("live", "Live", "/live"),
    Place("result", "Results", "/results"),
    Place("ovens", "Ovens and products", "/ovens"),
    Place("people", "People and records", "/people"),
    Place("operator", "Operator view", "/operator"),
)


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("ovenwright.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def filters(**functions: Any) -> None:
    """Make functions known to every template as filters."""
    _environment().filters.update(functions)


def warm(template: str) -> None:
    """Have a template ready before anybody asks for it."""
    _environment().get_template(template)


def part(template: str, **facts: Any) -> str:
    """Return a piece of a page, for scripts that put it in the place of an older one."""
    return _environment().get_template(template).render(**facts)


def show(
    request: Request,
    template: str,
    *,
    place: str = "",
    status: int = 200,
    headers: Mapping[str, str] | None = None,
    **facts: Any,
) -> HTMLResponse:
    """Return a page.

    Parameters
    ----------
    template : its name under ``web/templates``
    place : the key of the place it belongs to, lit in the navigation
    facts : what the template shows
    """
    from ovenwright.web.door import token_of, who_is

    site = site_of(request)
    page = (
        _environment()
        .get_template(template)
        .render(
            places=PLACES,
            place=place,
            bundle=site.bundle,
            settings=site.tools.settings,
            who=who_is(request),
            token=token_of(request),
            version=__version__,
            path=request.url.path,
            **facts,
        )
    )
    return HTMLResponse(page, status_code=status, headers=dict(headers or {}))
