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
from ovenwright.reporting.degrees import page_in_fahrenheit
from ovenwright.web.remedies import in_browser
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


_IN_CELSIUS = "plan"
"""A plan is written in °C whatever people are shown, and its fields are the plan's own."""


@cache
def _environment() -> Environment:
    found = Environment(
        loader=PackageLoader("ovenwright.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters["in_browser"] = in_browser
    return found


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
    if site.tools.settings.show_unit == "F" and place != _IN_CELSIUS:
        page = page_in_fahrenheit(page)
    return HTMLResponse(page, status_code=status, headers=dict(headers or {}))
