"""Live: recordings that go on, each with all its channels; start one, mark it, stop it."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.domain.run import NS, MarkKind
from ovenwright.errors import UsageError
from ovenwright.reporting.words import Shown, clock, counted, plain
from ovenwright.web.api import recordings as api
from ovenwright.web.door import Operator, Role, Viewer
from ovenwright.web.oven_view import draw
from ovenwright.web.pages import show
from ovenwright.web.refs import run_ref
from ovenwright.web.runs_shown import shown_unit
from ovenwright.web.site import Site, TheSite
from ovenwright.web.starting import plan_choices
from ovenwright.web.tailing import Tailer

router = APIRouter(include_in_schema=False)

STATE_WORDS = {
    "starting": ("○", "starting", "open"),
    "waiting": ("○", "waiting", "open"),
    "recording": ("●", "recording", "good"),
    "sealing": ("◐", "sealing", "open"),
    "sealed": ("■", "sealed", "good"),
    "cut off": ("▲", "cut off", "poor"),
    "called off": ("□", "called off", "open"),
    "failed": ("▲", "failed", "poor"),
    "unreadable": ("▲", "unreadable", "poor"),
}
"""Shape, word and tone of each state: never the colour alone."""
HEALTH_SHAPES = {
    "waiting": "○",
    "ok": "●",
    "open": "▲",
    "no number": "▲",
    "doubtful": "◆",
    "silent": "▲",
}
MARKS: tuple[tuple[MarkKind, str], ...] = (
    (MarkKind.LOAD_IN, "Product in"),
    (MarkKind.LOAD_OUT, "Product out"),
    (MarkKind.DOOR, "Door"),
    (MarkKind.ZONE_EDGE, "Zone edge"),
    (MarkKind.FAULT, "Fault"),
)
"""What is marked with one tap, and the words on it."""


MOST_DRAWN = 24
"""With more channels than that the oven shows where and how hot, and the list the numbers."""


@dataclass(frozen=True, slots=True)
class Tile:
    """One channel as the page first shows it."""

    index: int
    name: str
    role: str
    value: str
    rate: str
    health: str
    shape: str


def shown_of(site: Site, plan: Plan) -> Shown:
    """Return how people see it here: their own zone, else the plan's site."""
    settings = site.tools.settings
    return Shown(settings.show_unit == "F", settings.zone or plan.site.time_zone or "UTC")


@router.get("/live")
def choose(request: Request, site: TheSite, who: Viewer) -> HTMLResponse:
    """Show the recordings that go on, and what can be started."""
    return show(
        request,
        "live.html.j2",
        place="live",
        recordings=api.all_recordings(site),
        plans=plan_choices(site),
        may_start=who.role >= Role.OPERATOR,
        states=STATE_WORDS,
        counted=counted,
    )


@router.post("/live/start")
def start(
    request: Request,
    site: TheSite,
    who: Operator,
    *,
    plan: Annotated[str, Form(max_length=160)],
    when: Annotated[str, Form(max_length=20)] = "now",
    at: Annotated[str, Form(max_length=40)] = "",
    channel: Annotated[str, Form(max_length=200)] = "",
    level: Annotated[str, Form(max_length=20)] = "",
    minutes: Annotated[str, Form(max_length=20)] = "",
) -> Response:
    """Start a recording from the form."""
    words = {"now": "now", "load-in": "load-in", "at": f"at={at.strip()}"}.get(when)
    if words is None:
        words = f"{when}={channel.strip()}:{_level(level, site.tools.settings.show_unit)}"
    wish = api.StartWish(plan=plan, start=words, for_s=_seconds(minutes))
    found = api.start(request, wish, site, who)
    return RedirectResponse(found.link, status_code=303)


def _level(text: str, unit: str) -> str:
    """Return a temperature of the form, which is in the unit that people see, in °C.

    What is no number is handed on, so that the one who reads it says what is wrong.
    """
    wish = text.strip().replace(",", ".")
    if unit != "F":
        return wish
    try:
        return f"{(float(wish) - 32.0) / 1.8:.6g}"
    except ValueError:
        return wish


def _seconds(minutes: str) -> float | None:
    if not minutes.strip():
        return None
    try:
        found = float(minutes.replace(",", ".")) * 60.0
    except ValueError:
        found = math.nan
    if not 0 < found <= 31_536_000:
        raise UsageError(
            f"{minutes!r} is no length in minutes",
            where="stop after",
            remedy="write 45, or nothing",
        )
    return found


@router.post("/live/practice")
def practice(
    request: Request, site: TheSite, who: Operator, speed: Annotated[float, Form()] = 20.0
) -> Response:
    """Start a practice on the virtual oven."""
    found = api.practice(request, api.PracticeWish(speed=speed), site, who)
    return RedirectResponse(found.link, status_code=303)


@router.get("/live/{recording}")
def live(request: Request, recording: str, site: TheSite, who: Viewer) -> Response:
    """Show one recording, or what has become of it."""
    return _page(request, recording, site, who.role, "live_recording.html.j2")


@router.get("/live/{recording}/wall")
def wall(request: Request, recording: str, site: TheSite, who: Viewer) -> Response:
    """Show one recording large, to be read from across the room."""
    return _page(request, recording, site, who.role, "live_wall.html.j2")


def _page(request: Request, recording: str, site: Site, role: Role, template: str) -> Response:
    facts = api.recording_facts(site, recording)
    if facts.state == "sealed" or (facts.run and facts.run != recording):
        return RedirectResponse(facts.link, status_code=303)
    if facts.state in {"starting", "waiting", "called off", "failed"}:
        return show(
            request,
            "live_waiting.html.j2",
            place="live",
            script="waiting",
            recording=facts,
            may=role >= Role.OPERATOR,
            states=STATE_WORDS,
            **_heard(facts, shown_unit(site)),
        )
    tailer = api.tailer_of(site, recording)
    if not tailer.wait_ready():
        raise UsageError(
            "the journal is still being read", remedy="open the page again in a moment"
        )
    return show(
        request,
        template,
        place="live",
        script="live",
        may=role >= Role.OPERATOR,
        marks=MARKS,
        states=STATE_WORDS,
        **_facts(site, tailer, wall=template == "live_wall.html.j2"),
    )


def _heard(facts: api.RecordingFacts, shown: Shown) -> dict[str, Any]:
    """Return what a recording that waits hears, as the page shows it."""

    def value(value_c: float | None) -> str:
        return plain(shown.temperature(math.nan if value_c is None else value_c), 1)

    tiles = [
        Tile(
            i,
            c.name,
            "",
            value(c.value_c),
            _rate(c.rate_k_min, shown),
            c.health,
            HEALTH_SHAPES[c.health],
        )
        for i, c in enumerate(facts.now)
    ]
    heard = sum(c.age_s is not None for c in facts.now)
    return {
        "tiles": tiles,
        "heard": heard,
        "silent": not heard,
        "keeps_lead_in": facts.waiting_for != "its time",
        "shown": shown,
    }


def _facts(site: Site, tailer: Tailer, *, wall: bool) -> dict[str, Any]:
    now = tailer.facts()
    plan = tailer.following.now.plan
    shown = shown_of(site, plan)
    values = {
        c["name"]: math.nan if c["value_c"] is None else c["value_c"] for c in now["channels"]
    }
    view = draw(
        plan,
        values,
        shown=shown,
        at_m=_at_m(plan, now),
        large=wall or len(plan.channels) > MOST_DRAWN,
    )
    roles = {c.name: c.role.value for c in plan.channels}
    tiles = [
        Tile(
            i,
            c["name"],
            roles.get(c["name"], ""),
            plain(shown.temperature(values[c["name"]]), 1),
            _rate(c["rate_k_min"], shown),
            c["health"],
            HEALTH_SHAPES[c["health"]],
        )
        for i, c in enumerate(now["channels"])
    ]
    elapsed_s = max(0.0, now["newest_s"] - now["from_s"]) if now["newest_s"] else 0.0
    facts = {
        "id": tailer.id,
        "title": now["title"],
        "zone": shown.time_zone,
        "fahrenheit": shown.fahrenheit,
        "interval_s": plan.recording.interval_s,
        "channels": [
            {"name": c.name, "role": c.role.value, "lane": c.place.lane} for c in plan.channels
        ],
        "alarms": [a.name for a in plan.alarms],
        "states": STATE_WORDS,
        "shapes": HEALTH_SHAPES,
        "oven": view.facts,
        "wall": wall,
    }
    return {
        "now": now,
        "tiles": tiles,
        "oven_svg": view.svg,
        "facts": json.dumps(facts, ensure_ascii=False),
        "elapsed": clock(elapsed_s),
        "readings": counted(now["readings"]),
        "shown": shown,
        "marks_set": [
            (shown.moment(round(m["time_s"] * NS), absolute=True).split()[1], m)
            for m in reversed(tailer.marks()[-30:])
        ],
        "coming": [
            (clock(c["in_s"]), c["name"], plain(shown.temperature(c["level_c"]), 0))
            for c in now["coming"]
        ],
        "by_rule": _by_rule(plan, now["planned_s"]),
        "oven": plan.oven,
        "cautions": plan.cautions,
    }


def _at_m(plan: Plan, now: dict[str, Any]) -> float | None:
    if not isinstance(plan.oven, TunnelOven) or now["entry"] is None:
        return None
    since_s: float = now["newest_s"] - now["entry"]["time_s"]
    return since_s * plan.oven.belt_speed_m_min / 60.0


def _rate(rate: float | None, shown: Shown) -> str:
    if rate is None:
        return "–"
    value = shown.difference(rate)
    return f"{'+' if value > 0 else ''}{plain(value, 1)}"


def _by_rule(plan: Plan, planned_s: float | None) -> str:
    stop, said = plan.recording.stop, []
    if planned_s is not None:
        said.append(f"after {clock(planned_s)}")
    if stop.channel and stop.reaches_c is not None:
        said.append(f"when {stop.channel} reaches {stop.reaches_c:g} °C")
    if stop.all_below_c is not None:
        said.append(f"when all are below {stop.all_below_c:g} °C again")
    return "it stops by itself " + " or ".join(said) if said else "it goes on until it is stopped"


@router.post("/live/{recording}/mark")
def mark(
    request: Request,
    recording: str,
    site: TheSite,
    who: Operator,
    *,
    kind: Annotated[MarkKind, Form()] = MarkKind.NOTE,
    text: Annotated[str, Form(max_length=500)] = "",
) -> Response:
    """Set a mark from the form."""
    if kind is MarkKind.NOTE and not text.strip():
        raise UsageError("a note needs a text", remedy="write what happened")
    api.mark(request, recording, api.MarkWish(kind=kind, text=text.strip()), site, who)
    return RedirectResponse(f"/live/{run_ref(recording)}", status_code=303)


@router.post("/live/{recording}/stop")
def stop(request: Request, recording: str, site: TheSite, who: Operator) -> Response:
    """Stop a recording from the form."""
    found = api.stop(request, recording, site, who)
    return RedirectResponse(found.link or "/live", status_code=303)


@router.post("/live/{recording}/seal")
def seal(request: Request, recording: str, site: TheSite, who: Operator) -> Response:
    """Seal what was cut off, from the form."""
    found = api.seal(request, recording, site, who)
    return RedirectResponse(found.link, status_code=303)
