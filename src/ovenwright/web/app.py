"""The application: places and their JSON twins put together."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import import_module

from fastapi import FastAPI
from starlette.staticfiles import StaticFiles

from ovenwright import __version__
from ovenwright.web import answers, headers, warming
from ovenwright.web.site import Site

ROOMS: tuple[str, ...] = (
    "api.health",
    "api.jobs",
    "api.plans",
    "api.series",
    "api.results",
    "api.models",
    "api.imports",
    "api.runs",
    "api.recordings",
    "places.live",
    "api.checks",
    "api.sensors",
    "places.sensors",
    "places.operator",
    "api.people",
    "api.audit",
    "api.signatures",
    "places.logbook",
    "places.bring_in",
    "api.ovens",
    "api.records",
    "places.ovens",
    "places.records",
    "places.results",
    "places.models",
    "places.plans",
    "places.people",
)
"""Modules with a ``router``; order matters only where addresses overlap."""


def create_app(site: Site) -> FastAPI:
    """Return the application of one logbook."""

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        warming.begin()
        yield
        site.jobs.close()
        for end in site.at_end:
            end()

    app = FastAPI(
        title="Ovenwright",
        version=__version__,
        description="Runs, plans, recordings and results of one logbook.",
        docs_url=None,
        redoc_url=None,
        lifespan=life,
    )
    app.state.site = site
    answers.install(app)
    headers.install(app)
    for room in ROOMS:
        app.include_router(import_module(f"ovenwright.web.{room}").router)
    app.mount("/static", StaticFiles(directory=site.bundle.folder, check_dir=False), name="static")
    return app
