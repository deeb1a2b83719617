"""What the product model says of a run: a forecast as of a moment, and what held the slowest back."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from ovenwright.domain.plan import Plan
from ovenwright.domain.run import Role
from ovenwright.errors import OvenwrightError, UsageError
from ovenwright.reporting.document import Callout, Points, Tone
from ovenwright.reporting.words import Shown, plain
from ovenwright.storage.run_facts import SealedFacts
from ovenwright.web.blocks import block_facts
from ovenwright.web.door import Viewer
from ovenwright.web.finding import seek
from ovenwright.web.jobs import Job, JobState
from ovenwright.web.modelled import Modelled, Question, modelled
from ovenwright.web.opened import Opened, TheOpened
from ovenwright.web.pages import show
from ovenwright.web.refs import run_ref
from ovenwright.web.result_view import shown_for_run
from ovenwright.web.site import Site, TheSite
from ovenwright.web.waiting import lead_on
from ovenwright.workflow.explaining import CAUTION as NO_FINDING
from ovenwright.workflow.forecasting import CAUTION
from ovenwright.workflow.foreseeing import levels_of
from ovenwright.workflow.laying_out import Wanted
from ovenwright.workflow.planning import checked_text

router = APIRouter(include_in_schema=False)

MEMBERS = Wanted().members
_TITLES = {"forecast": "Forecast", "slowest": "What held the slowest place back"}
_MOST_LEVELS = 4
_COLD_C, _HOT_C = -50.0, 1200.0
_OPTION = re.compile(r":?\s*--[a-z]+(?:-[a-z]+)*(?: [A-Z]+)?")
Names = Annotated[list[str] | None, Query(max_length=140)]
Line = Annotated[str, Query(max_length=80)]


@dataclass(frozen=True, slots=True)
class _Here:
    """A run as the model's pages see it; times are counted from ``zero_s``, named by ``since``."""

    facts: SealedFacts
    plan: Plan | None
    shown: Shown
    zero_s: float
    since: str

    def names(self, *roles: Role) -> list[str]:
        """Return the channels of some roles that the run has."""
        known = {c.name for c in self.facts.channels}
        channels = self.plan.channels if self.plan is not None else ()
        return [c.name for c in channels if c.role in roles and c.name in known]


def _here(site: Site, opened: Opened, run_id: str) -> _Here:
    sought = seek(site, opened, run_ref(run_id, site.tools.logbook), begin=False)
    facts, plan = sought.facts, None
    if facts.plan_toml:  # roles as they were sealed, for the model reads them there
        plan = checked_text(facts.plan_toml, site.tools.library(), file=f"plan of {facts.id}")
    shown = shown_for_run(site, facts, sought.result)
    if sought.result is None:
        return _Here(facts, plan, shown, 0.0, "the first reading")
    return _Here(facts, plan, shown, sought.result.zero_s, "load-in")


@router.get("/runs/{run_id}/forecast")
def forecast(  # the site's parts come one by one
    request: Request,
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    passes: Line = "",
    until_min: Line = "",
    core: Names = None,
    around: Names = None,
) -> Response:
    """Show what would have been foreseen at a moment of a run, once asked."""
    here = _here(site, opened, run_id)
    left_min = (here.facts.duration_s - here.zero_s) / 60.0
    levels = levels_of(here.plan) if here.plan is not None else ()
    temps = passes or _words(levels or (95.0,), here.shown)
    moment, most = until_min or plain(left_min / 2.0, 1), plain(left_min, 1)
    form = {
        "passes": temps,
        "until_min": moment,
        "most_min": most,
        "core": core or here.names(Role.CORE),
        "around": around or here.names(Role.WALL) or here.names(Role.AIR),
    }
    if not (passes or until_min):
        return _page(request, here, "forecast", form=form)
    try:
        until_s = _number(moment, "known up to") * 60.0 + here.zero_s
        if not 0 < until_s <= here.facts.duration_s:
            raise UsageError(
                f"at {moment} min there is no reading of this run",
                remedy=f"choose a moment up to {most} min",
            )
        wanted = Wanted(
            cores=tuple(core or ()),
            surroundings=tuple(around or ()),
            passes=_temperatures(temps, here.shown),
            until_s=until_s,
            members=MEMBERS,
        )
        asked = Question("forecast", here.facts.id, wanted, zero_s=here.zero_s)
        answer = modelled(site, opened, asked, here.shown)
    except OvenwrightError as cause:
        return _page(request, here, "forecast", form=form, trouble=cause.facts())
    return _answered(request, here, "forecast", answer, form=form)


@router.get("/runs/{run_id}/slowest")
def slowest(  # the site's parts come one by one
    request: Request,
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    ask: bool = False,
    passes: Line = "",
    against: Annotated[str, Query(max_length=140)] = "",
    core: Names = None,
    around: Names = None,
) -> Response:
    """Show what held the slowest place of a run back, once asked."""
    here = _here(site, opened, run_id)
    form = {
        "passes": passes,
        "against": against,
        "core": core or here.names(Role.CORE),
        "around": around or [],
    }
    if not (ask or passes or against or core or around):
        return _page(request, here, "slowest", form=form)
    try:
        wanted = Wanted(
            cores=tuple(core or ()),
            surroundings=tuple(around or ()),
            passes=_temperatures(passes, here.shown)[:1] if passes.strip() else (),
            members=MEMBERS,
        )
        asked = Question("explanation", here.facts.id, wanted, against=against)
        answer = modelled(site, opened, asked, here.shown)
    except OvenwrightError as cause:
        return _page(request, here, "slowest", form=form, trouble=cause.facts())
    return _answered(request, here, "slowest", answer, form=form)


def _answered(
    request: Request, here: _Here, verb: str, answer: Modelled | Job, *, form: dict[str, Any]
) -> Response:
    if isinstance(answer, Modelled):
        return _page(request, here, verb, form=form, found=answer)
    if answer.state is JobState.CANCELLED:
        stopped = {"what": "it was stopped before it ended", "remedy": "ask again in a minute"}
        return _page(request, here, verb, form=form, trouble=stopped)
    if not answer.over:
        answer.link = f"{request.url.path}?{request.url.query}"
        waited = lead_on(request, answer, title=_TITLES[verb], back=f"/runs/{here.facts.id}")
        if answer.error is None:
            return waited
    return _page(request, here, verb, form=form, trouble=answer.error)


def _page(
    request: Request,
    here: _Here,
    verb: str,
    *,
    form: dict[str, Any],
    found: Modelled | None = None,
    trouble: Mapping[str, Any] | None = None,
) -> Response:
    document = found.document if found is not None else None
    blocks = document.first_page if document is not None else ()
    foretold = document.headline.rstrip(".").split("; ") if document is not None else []
    if verb == "forecast":  # its headline is a list of passings, which a page shows as one
        blocks = tuple(b for b in blocks if not (isinstance(b, Callout) and b.tone is Tone.OPEN))
    return show(
        request,
        "model.html.j2",
        place="result",
        verb=verb,
        title=_TITLES[verb],
        facts=here.facts,
        since=here.since,
        unit=here.shown.temperature_unit,
        channels=[c.name for c in here.facts.channels],
        form=form,
        document=document,
        foretold=foretold,
        blocks=[block_facts(b) for b in blocks if not isinstance(b, Points) or b.items],
        trouble=None if trouble is None else _for_a_page(trouble),
        caution=CAUTION if verb == "forecast" else NO_FINDING,
    )


def _for_a_page(trouble: Mapping[str, Any]) -> dict[str, str]:
    """Return a trouble without the command line's options, which help nobody on a page."""
    return {k: _OPTION.sub("", str(trouble.get(k, ""))) for k in ("what", "where", "remedy")}


def _number(text: str, what: str) -> float:
    wish = text.strip().replace(",", ".").replace("−", "-")
    try:
        value = float(wish)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(
            f"{text.strip()[:40]!r} is no number", where=what, remedy="write it in digits"
        )
    return value


def _temperatures(text: str, shown: Shown) -> tuple[float, ...]:
    """Return what people wrote in their unit, in °C; spaces or semicolons part several."""
    found = []
    for part in re.split(r"[\s;]+", text.strip())[: _MOST_LEVELS + 1]:
        value = _number(part, "temperatures")
        value_c = (value - 32.0) / 1.8 if shown.fahrenheit else value
        if not _COLD_C <= value_c <= _HOT_C:
            raise UsageError(
                f"{part[:40]} {shown.temperature_unit} is no temperature a body passes here",
                where="temperatures",
            )
        found.append(value_c)
    if len(found) > _MOST_LEVELS:
        raise UsageError(f"at most {_MOST_LEVELS} temperatures at once", where="temperatures")
    return tuple(dict.fromkeys(found))


def _words(levels_c: Sequence[float], shown: Shown) -> str:
    """Return temperatures as their field has them: few digits, spaces between."""
    return " ".join(f"{shown.temperature(t):.6g}" for t in levels_c)
