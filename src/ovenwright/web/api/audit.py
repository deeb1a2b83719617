"""The trail of changes: who changed what, when and why, and whether it is whole."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel
from starlette.responses import StreamingResponse

from ovenwright.domain.people import Change, TrailState
from ovenwright.web.answers import TROUBLES
from ovenwright.web.door import Viewer
from ovenwright.web.moments import day_start_ns, utc_text
from ovenwright.web.site import Site, TheSite

router = APIRouter(prefix="/api/audit", tags=["audit trail"], responses=TROUBLES)

COLUMNS = (
    "number", "time_utc", "who", "role", "what", "subject", "why", "place", "previous", "hash",
)  # fmt: skip
_PIECE = 1000


class Line(BaseModel):
    """One line; ``previous`` is the hash of the line before it."""

    number: int
    time: str
    who: str
    role: str
    what: str
    subject: str
    why: str
    place: str
    previous: str
    hash: str


class Lines(BaseModel):
    """Lines, the newest first; ``more`` tells that older ones fit too."""

    lines: list[Line]
    more: bool


class Proof(BaseModel):
    """What proving the whole trail found; ``head`` is the hash of its last line."""

    intact: bool
    lines: int
    head: str
    broken_at: int
    trouble: str


Text = Annotated[str, Query(max_length=200)]
Day = Annotated[str, Query(max_length=10, description="a day, as 2026-03-04")]


def find(
    site: Site,
    *,
    who: str = "",
    text: str = "",
    since: str = "",
    until: str = "",
    limit: int | None = None,
    offset: int = 0,
) -> tuple[Change, ...]:
    """Return the lines that fit; days are those of the zone in the settings.

    Raises
    ------
    UsageError : if a day is none
    """
    zone = site.tools.settings.zone
    return site.tools.people.trail(
        who=who,
        text=text,
        since_ns=day_start_ns(since, zone),
        until_ns=day_start_ns(until, zone, after=True),
        limit=limit,
        offset=offset,
    )


@router.get("")
def lines(
    site: TheSite,
    _: Viewer,
    *,
    who: Text = "",
    text: Text = "",
    since: Day = "",
    until: Day = "",
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    offset: Annotated[int, Query(ge=0, le=10**9)] = 0,
) -> Lines:
    """Find lines of the trail, the newest first."""
    found = find(site, who=who, text=text, since=since, until=until, limit=limit + 1, offset=offset)
    return Lines(lines=[_line(c) for c in found[:limit]], more=len(found) > limit)


@router.get("/check")
def check(site: TheSite, _: Viewer) -> Proof:
    """Prove the whole trail from its first line to its last."""
    return proof(site.tools.people.check_trail())


@router.get(
    "/csv", response_class=StreamingResponse, responses={200: {"content": {"text/csv": {}}}}
)
def as_csv(
    site: TheSite, _: Viewer, who: Text = "", text: Text = "", since: Day = "", until: Day = ""
) -> StreamingResponse:
    """Give the lines that fit as a table, the newest first."""
    first = find(site, who=who, text=text, since=since, until=until, limit=_PIECE)

    def pieces() -> Iterator[str]:
        yield _table([COLUMNS])
        found, offset = first, 0
        while found:
            yield _table([_row(c) for c in found])
            offset += _PIECE
            found = (
                find(
                    site, who=who, text=text, since=since, until=until, limit=_PIECE, offset=offset
                )
                if len(found) == _PIECE
                else ()
            )

    return StreamingResponse(
        pieces(),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="audit-trail.csv"'},
    )


def proof(state: TrailState) -> Proof:
    """Return what proving the trail found as the API tells it."""
    return Proof(
        intact=state.intact,
        lines=state.lines,
        head=state.head,
        broken_at=state.broken_at,
        trouble=state.trouble,
    )


def _line(one: Change) -> Line:
    return Line(
        number=one.number,
        time=utc_text(one.at_ns),
        who=one.who,
        role=one.role,
        what=one.what,
        subject=one.subject,
        why=one.why,
        place=one.place,
        previous=one.previous,
        hash=one.hash,
    )


def _row(one: Change) -> Sequence[str]:
    return [_harmless(str(v)) for v in _line(one).model_dump().values()]


def _harmless(cell: str) -> str:
    # a spreadsheet takes such a cell for a formula and would work it out
    return f"'{cell}" if cell.startswith(("=", "+", "-", "@", "\t", "\r")) else cell


def _table(rows: Sequence[Sequence[str]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    return out.getvalue()
