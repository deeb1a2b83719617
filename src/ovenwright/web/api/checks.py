"""Checks before recording: start one, watch it, end it, read what was proved."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel, Field
from starlette.requests import Request

from ovenwright.conditioning.proof.fixed_point import Point
from ovenwright.storage.proofs import read_proofs
from ovenwright.web.answers import TROUBLES
from ovenwright.web.checking import checks_of, plain_data
from ovenwright.web.door import Operator, Viewer, note
from ovenwright.web.site import TheSite
from ovenwright.web.starting import plan_text
from ovenwright.workflow.watching import Wanted

router = APIRouter(prefix="/api/checks", tags=["checks"], responses=TROUBLES)


class CheckWish(BaseModel):
    """What is to be proved of a plan's channels.

    ``touch`` waits for each sensor to be warmed between finger and thumb; ``order`` names them in
    the order of touching, ``["plan"]`` stands for the plan's own. ``fixed_point`` is ice or boiling;
    for boiling the air pressure is given, or the altitude. ``ambient`` holds the sensors against each
    other; leave it out where they do not lie side by side.
    """

    plan: str = Field(max_length=160)
    seconds: float | None = Field(None, gt=0, le=3600, allow_inf_nan=False)
    touch: bool = False
    order: list[str] = Field([], max_length=512)
    fixed_point: Point | None = None
    in_bath: list[str] = Field([], max_length=512)
    pressure_kpa: float | None = Field(None, ge=30, le=120, allow_inf_nan=False)
    altitude_m: float | None = Field(None, ge=-500, le=6000, allow_inf_nan=False)
    ambient: bool = True

    def wanted(self) -> Wanted:
        """Return it as the check takes it."""
        return Wanted(
            seconds=self.seconds,
            touch=self.touch or bool(self.order),
            order=tuple(self.order),
            fixed_point=self.fixed_point,
            in_bath=tuple(self.in_bath),
            pressure_kpa=self.pressure_kpa,
            altitude_m=self.altitude_m,
            ambient=self.ambient,
        )


class CheckFacts(BaseModel):
    """How a check stands: what each channel shows, what was seen, and the answer once it is over.

    ``turns`` names the channels that reacted to a touch, in the order in which they did.
    """

    id: str
    plan: str
    title: str
    state: str
    number: int
    seconds: float
    touch: bool
    order: list[str]
    fixed_point: str
    elapsed_s: float
    readings: int
    learnt: bool
    restless: list[str] = Field(
        default=[], description="channels that moved already: their rest is waited for"
    )
    turns: list[str]
    channels: list[dict[str, Any]]
    notices: list[str]
    events: list[dict[str, Any]]
    answer: dict[str, Any] | None
    error: dict[str, Any] | None


@router.get("")
def checks(site: TheSite, _: Viewer) -> list[CheckFacts]:
    """List the checks of this server, the newest first."""
    return [CheckFacts(**c.facts()) for c in checks_of(site).all()]


@router.post("", status_code=201)
def start(request: Request, wish: CheckWish, site: TheSite, who: Operator) -> CheckFacts:
    """Start a check of a plan; closing the page does not end it, time does."""
    text = plan_text(site, wish.plan)
    made = checks_of(site).start(site, wish.plan, text, wish.wanted(), who=who.name)
    note(request, "start check", wish.plan, why="touch check" if made.wanted.touch else "")
    return CheckFacts(**made.facts())


@router.get("/proofs/{plan}")
def proofs(plan: str, site: TheSite, _: Viewer) -> list[dict[str, Any]]:
    """List what was proved for a plan as it is now, the newest first."""
    found = read_proofs(site.tools.logbook, plan_text(site, plan))
    return [plain_data({k: v for k, v in r.items() if k != "plan"}) for r in reversed(found)]


@router.get("/{check}")
def check(check: str, site: TheSite, _: Viewer) -> CheckFacts:
    """Say how a check stands."""
    return CheckFacts(**checks_of(site).get(check).facts())


@router.post("/{check}/stop")
def stop(request: Request, check: str, site: TheSite, _: Operator) -> CheckFacts:
    """End a check: what came so far is weighed."""
    found = checks_of(site).get(check)
    found.stopping.set()
    if found.thread is not None:
        found.thread.join(10.0)
    note(request, "end check", found.plan)
    return CheckFacts(**found.facts())
