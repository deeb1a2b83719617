"""Readings of a run over time, thinned for pictures: binary for charts, JSON for machines."""

from __future__ import annotations

import json
import math
from enum import StrEnum
from typing import Annotated

import numpy as np
from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from starlette.requests import Request
from starlette.responses import Response

from ovenwright.errors import OutOfRange
from ovenwright.web.answers import TROUBLES
from ovenwright.web.door import Viewer
from ovenwright.web.opened import TheOpened
from ovenwright.web.refs import run_ref
from ovenwright.web.site import TheSite
from ovenwright.web.slices import MEDIA_TYPE, channel_facts, encode, slice_facts
from ovenwright.workflow.exporting import named_channels
from ovenwright.workflow.slicing import MOST_POINTS, POINTS, RunSlice, file_key, slice_run

router = APIRouter(prefix="/api/runs", tags=["series"], responses=TROUBLES)

MOST_IN_JSON = 2_000_000


class SliceForm(StrEnum):
    """How a slice is given."""

    JSON = "json"
    BINARY = "binary"


class ChannelSeries(BaseModel):
    """One channel: as many times as values; a value is null where the line is broken."""

    name: str
    readings: int = Field(description="readings the sealed run has in this stretch")
    thinned: bool = Field(description="whether only the extremes of each bucket are given")
    gap_s: float = Field(description="a longer step between readings is a hole")
    time_s: list[float] = Field(description="seconds since the run's first reading")
    value_c: list[float | None] = Field(description="°C")


class RunSeries(BaseModel):
    """Some channels of a run over some seconds."""

    run: str
    digest: str
    start: str
    start_ms: float
    absolute: bool
    time_zone: str
    duration_s: float
    from_s: float
    to_s: float
    channels: list[ChannelSeries]


@router.get(
    "/{run_id}/series",
    response_model=RunSeries,
    responses={200: {"content": {MEDIA_TYPE: {"schema": {"type": "string", "format": "binary"}}}}},
)
def series(
    request: Request,
    run_id: str,
    site: TheSite,
    opened: TheOpened,
    _: Viewer,
    *,
    channels: Annotated[
        list[str] | None,
        Query(description="names, with commas between or one by one; all when left out"),
    ] = None,
    from_s: Annotated[
        float | None, Query(description="seconds since the first reading", allow_inf_nan=False)
    ] = None,
    to_s: Annotated[float | None, Query(allow_inf_nan=False)] = None,
    points: Annotated[
        int,
        Query(
            ge=4,
            le=MOST_POINTS,
            description="points a channel may have; the lowest and highest of each bucket stay",
        ),
    ] = POINTS,
    around: Annotated[
        bool, Query(description="also the reading before the stretch and the one after it")
    ] = False,
    form: Annotated[
        SliceForm | None,
        Query(description="JSON unless asked for here or by Accept: application/octet-stream"),
    ] = None,
) -> Response:
    """Give channels over a stretch of time, thinned so that no extreme is lost.

    Readings are given as recorded while a channel has no more of them than ``points``. The binary
    form (which charts use) is told in the module ``ovenwright.web.slices``.
    """
    book = site.tools.logbook
    ref = run_ref(run_id, book)
    wanted = None
    if channels and any(c.strip() for c in channels):
        wanted = named_channels(channels, [c.name for c in book.facts(ref).channels])
    binary = form is SliceForm.BINARY or (
        form is None and MEDIA_TYPE in request.headers.get("accept", "")
    )

    def cut() -> RunSlice:
        return slice_run(
            book,
            ref,
            opened.runs,
            channels=wanted,
            from_s=from_s,
            to_s=to_s,
            points=points,
            around=around,
        )

    if not binary:
        return Response(_as_json(cut()), media_type="application/json")
    if wanted is None and from_s is None and to_s is None:  # what every visit begins with
        key = (*file_key(book.path_of(ref)), points)
        content = opened.first.find(key, lambda: encode(cut()))
    else:
        content = encode(cut())
    return Response(content, media_type=MEDIA_TYPE)


def _as_json(found: RunSlice) -> str:
    count = sum(one.time_s.size for one in found.channels)
    if count > MOST_IN_JSON:
        raise OutOfRange(
            "points",
            got=count,
            expected=f"at most {MOST_IN_JSON} in one JSON answer",
            remedy="ask for fewer channels or points, for form=binary, or for an export",
        )
    rows = []
    for one in found.channels:
        values: list[float | None] = one.value_c.tolist()
        if not np.isfinite(one.value_c).all():
            values = [v if v is not None and math.isfinite(v) else None for v in values]
        rows.append(channel_facts(one) | {"time_s": one.time_s.tolist(), "value_c": values})
    return json.dumps(slice_facts(found) | {"channels": rows}, ensure_ascii=False)
