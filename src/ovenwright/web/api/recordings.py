"""Recordings: start one, see how it stands, follow it, mark it, stop it."""

from __future__ import annotations

import asyncio
import contextlib
from collections import defaultdict
from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, WebSocket, WebSocketDisconnect
from pydantic import BaseModel, Field
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from ovenwright.domain.run import MarkKind
from ovenwright.errors import OvenwrightError, UnknownName, UsageError
from ovenwright.storage.journal import journal_files
from ovenwright.storage.run_facts import iso_from_ns
from ovenwright.web.answers import TROUBLES
from ovenwright.web.door import Operator, Viewer, note
from ovenwright.web.refs import run_ref
from ovenwright.web.site import Site, TheSite, site_of
from ovenwright.web.starting import begin, plan_choices
from ovenwright.web.tailing import Message, Tailer, encode_readings, number, tailers_of
from ovenwright.workflow.following import head_of, readings_after
from ovenwright.workflow.recording_verbs import (
    mark_recording,
    rescue,
    stop_recording,
)
from ovenwright.workflow.starting import (
    StartState,
    call_off,
    end_practice,
    start_of_run,
    start_state,
    starts,
    wait_for_start,
)

router = APIRouter(prefix="/api/recordings", tags=["recordings"], responses=TROUBLES)

_BETWEEN_S = 0.08
_SEND_S = 10.0


class ChannelHeard(BaseModel):
    """What one channel shows while a recording waits: °C, K/min; ``age_s`` since last heard."""

    name: str
    value_c: float | None
    rate_k_min: float | None
    health: str
    age_s: float | None


class RecordingFacts(BaseModel):
    """One recording: ``id`` is its run's, or that of its start while it has not begun.

    ``state`` is starting, waiting (for its start), recording, sealing, sealed, cut off (its recorder
    died), called off or failed. ``link`` is the page that shows it. While it waits ``now`` tells
    what each channel shows and ``remarks`` what the instruments say.
    """

    id: str
    title: str
    state: str
    run: str = ""
    started: str = ""
    readings: int = 0
    channels: list[str] = []
    words: str = ""
    remedy: str = ""
    waiting_for: str = ""
    link: str = ""
    now: list[ChannelHeard] = []
    remarks: list[str] = []


class PlanChoice(BaseModel):
    """A plan that can be recorded."""

    id: str
    title: str
    oven: str
    product: str
    channels: int
    instruments: list[str]
    hint: str = ""


class StartWish(BaseModel):
    """What is to be recorded: a plan by its id, what is waited for, and how long at most."""

    plan: str = Field(max_length=160)
    start: str = Field(
        "now",
        max_length=200,
        description="now, load-in, at=14:30, above=CHANNEL:60 or below=CHANNEL:60, in °C",
    )
    for_s: float | None = Field(None, gt=0, le=31_536_000, allow_inf_nan=False)


class PracticeWish(BaseModel):
    """A practice on the virtual oven: how many seconds of the bake pass in one second."""

    speed: float = Field(20.0, ge=1, le=600, allow_inf_nan=False)


class MarkWish(BaseModel):
    """A mark at this moment."""

    kind: MarkKind = MarkKind.NOTE
    text: str = Field("", max_length=500)
    channel: str | None = Field(None, max_length=200)


class MarkFacts(BaseModel):
    """A mark that was set."""

    run: str
    kind: MarkKind
    time: str
    text: str
    channel: str | None


class StopWish(BaseModel):
    """Why it is stopped, where a person says so."""

    why: str = Field("", max_length=500)


class ReadingsAfter(BaseModel):
    """Readings that became durable after a count: times in seconds since 1970, values in °C.

    Ask again with ``seq`` to go on; ``more`` says whether that would bring something at once.
    """

    run: str
    seq: int
    more: bool
    readings: dict[str, ChannelReadings]


class ChannelReadings(BaseModel):
    """Readings of one channel."""

    time_s: list[float]
    value_c: list[float | None]
    quality: list[int]


# lists ------------------------------------------------------------------------------------


def all_recordings(site: Site) -> list[RecordingFacts]:
    """Return what goes on, waits, was cut off, or was tried and failed lately."""
    book = site.tools.logbook
    found = []
    for files in journal_files(book.journals_dir):
        head = head_of(files)
        living = files.recording
        found.append(
            RecordingFacts(
                id=files.id,
                title=head.title if head else "",
                state="recording" if living else "cut off",
                run=files.id,
                started=iso_from_ns(head.started_ns) if head else "",
                readings=_readings(site, files.id) if living else 0,
                channels=list(head.channels) if head else [],
                link=f"/live/{files.id}",
            )
        )
    found.sort(key=lambda r: r.started, reverse=True)
    there = {r.id for r in found}
    waiting = [
        _start_facts(s)
        for s in starts(book)[:40]
        if s.state in {"starting", "waiting"} and s.run not in there
    ]
    return waiting + found


def _readings(site: Site, run_id: str) -> int:
    try:
        tailer = tailers_of(site).get(run_id)
    except OvenwrightError:
        return 0
    return tailer.following.now.readings if tailer.wait_ready(1.0) else 0


def _start_facts(state: StartState) -> RecordingFacts:
    run, link = state.run, f"/live/{state.facts.id}"
    if run:
        link = f"/runs/{run}" if state.state == "sealed" else f"/live/{run}"
    return RecordingFacts(
        id=state.facts.id,
        title=state.facts.title,
        state=state.state,
        run=run,
        started=iso_from_ns(state.facts.at_ns),
        words=state.words,
        remedy=state.remedy,
        waiting_for=state.waiting_for,
        link=link,
        now=[ChannelHeard(**asdict(c)) for c in state.now.channels] if state.now else [],
        remarks=list(state.now.remarks) if state.now else [],
    )


@router.get("")
def recordings(site: TheSite, _: Viewer) -> list[RecordingFacts]:
    """List the recordings that go on, wait for their start, or were cut off; the newest first."""
    return all_recordings(site)


@router.get("/plans")
def plans(site: TheSite, _: Viewer) -> list[PlanChoice]:
    """List the plans that can be recorded."""
    return [PlanChoice(**vars(p)) for p in plan_choices(site)]


# starting ---------------------------------------------------------------------------------


@router.post("", status_code=201)
def start(request: Request, wish: StartWish, site: TheSite, who: Operator) -> RecordingFacts:
    """Start a recording of a plan as a process of its own; it goes on whatever becomes of the page."""
    facts = begin(site, wish.plan, start=wish.start, for_s=wish.for_s, who=who.name)
    note(request, "start recording", facts.id, why=f"{facts.title}, {wish.start}")
    return _started(site, facts.id)


@router.post("/practice", status_code=201)
def practice(request: Request, wish: PracticeWish, site: TheSite, who: Operator) -> RecordingFacts:
    """Serve the virtual oven on this machine and record it, to practise on."""
    from ovenwright.web.starting import begin_practice

    facts = begin_practice(site, speed=wish.speed, who=who.name)
    note(request, "start practice", facts.id)
    return _started(site, facts.id)


def _started(site: Site, ident: str) -> RecordingFacts:
    state = wait_for_start(site.tools.logbook, ident)
    if state.state == "failed":
        raise UsageError(state.words, where=state.facts.title, remedy=state.remedy)
    return _start_facts(state)


# one recording ----------------------------------------------------------------------------


def recording_facts(site: Site, ident: str) -> RecordingFacts:
    """Return how a recording or a start stands.

    Raises
    ------
    UnknownName : if there is none of that id
    """
    run_ref(ident)
    book = site.tools.logbook
    if ident.startswith("start-"):
        return _start_facts(start_state(book, ident))
    found = next((r for r in all_recordings(site) if r.id == ident), None)
    if found is not None:
        return found
    if ident in book.run_ids():
        facts = book.facts(ident)
        return RecordingFacts(
            id=ident,
            title=facts.title,
            state="sealed",
            run=ident,
            started=iso_from_ns(facts.start_ns),
            readings=facts.samples,
            channels=[c.name for c in facts.channels],
            link=f"/runs/{ident}",
        )
    raise UnknownName("recording", ident)


def tailer_of(site: Site, ident: str) -> Tailer:
    """Return the tailer of a recording that is not sealed yet.

    Raises
    ------
    UnknownName : if there is none of that id
    """
    return tailers_of(site).get(run_ref(ident))


@router.get("/{recording}")
def recording(recording: str, site: TheSite, _: Viewer) -> dict[str, Any]:
    """Say how a recording stands: its state and, while it is not sealed, what each channel shows."""
    facts = recording_facts(site, recording).model_dump()
    if facts["state"] in {"recording", "cut off"}:
        tailer = tailer_of(site, facts["run"])
        if tailer.wait_ready():
            facts |= {"live": tailer.facts() | {"marks": tailer.marks()}}
    return facts


@router.get(
    "/{recording}/since",
    response_model=ReadingsAfter,
    responses={200: {"content": {"application/octet-stream": {}}}},
)
def since(
    recording: str,
    site: TheSite,
    _: Viewer,
    seq: Annotated[int, Query(ge=0, le=2**53)] = 0,
    limit: Annotated[int, Query(ge=1, le=5000)] = 500,
    form: Literal["json", "binary"] = "json",
) -> Response:
    """Give the readings that became durable after ``seq``, straight from the journal.

    As JSON, or with ``form=binary`` as one message of the socket (see ``ovenwright.web.tailing``).
    """
    run_ref(recording)
    files = next(
        (f for f in journal_files(site.tools.logbook.journals_dir) if f.id == recording), None
    )
    if files is None or not files.database.exists():
        if recording in site.tools.logbook.run_ids():
            raise UsageError(
                "this recording is sealed", remedy=f"ask for /api/runs/{recording}/series"
            )
        raise UnknownName("recording", recording)
    news, names = readings_after(files, seq, limit=limit)
    if form == "binary":
        return Response(
            encode_readings(news, len(names)),
            media_type="application/octet-stream",
            headers={"x-seq": str(news.seq), "x-more": str(int(news.more))},
        )
    by_name: dict[str, dict[str, list[Any]]] = defaultdict(
        lambda: {"time_s": [], "value_c": [], "quality": []}
    )
    for channel, time_ns, value, bits in zip(
        news.channel.tolist(),
        news.time_ns.tolist(),
        news.value_c.tolist(),
        news.quality.tolist(),
        strict=True,
    ):
        one = by_name[names[channel]]
        one["time_s"].append(time_ns / 1e9)
        one["value_c"].append(number(value))
        one["quality"].append(bits)
    return JSONResponse({"run": recording, "seq": news.seq, "more": news.more, "readings": by_name})


@router.post("/{recording}/marks", status_code=201)
def mark(request: Request, recording: str, wish: MarkWish, site: TheSite, _: Operator) -> MarkFacts:
    """Set a mark at this moment; when this answers it is on the disk."""
    run_id, made = mark_recording(
        site.tools.logbook,
        wish.text or wish.kind.value,
        kind=wish.kind,
        run_ref=run_ref(recording),
        channel=wish.channel or None,
    )
    note(request, "mark", run_id, why=f"{made.kind.value} {made.text}".strip())
    return MarkFacts(
        run=run_id,
        kind=made.kind,
        time=iso_from_ns(made.time_ns),
        text=made.text,
        channel=made.channel,
    )


@router.post("/{recording}/stop")
def stop(
    request: Request, recording: str, site: TheSite, _: Operator, wish: StopWish | None = None
) -> RecordingFacts:
    """Ask a recorder to stop and seal, or one that still waits to give up."""
    book = site.tools.logbook
    run_ref(recording)
    if recording.startswith("start-"):
        found = call_off(book, recording)
    else:
        stop_recording(book, recording)
        state = start_of_run(book, recording)
        if state is not None:
            end_practice(state.facts)
        found = None
    note(request, "stop recording", recording, why=wish.why if wish else "")
    return _start_facts(found) if found is not None else recording_facts(site, recording)


@router.post("/{recording}/seal")
def seal(request: Request, recording: str, site: TheSite, _: Operator) -> RecordingFacts:
    """Seal a recording whose recorder died, with all that it had made durable."""
    ident = run_ref(recording)
    if not rescue(site.tools.logbook, ident):
        raise UnknownName("recording that was cut off", ident)
    note(request, "seal what was cut off", ident)
    return recording_facts(site, ident)


# the socket -------------------------------------------------------------------------------


@router.websocket("/{recording}/live")
async def live(socket: WebSocket, recording: str, _: Viewer, since: int = -1) -> None:
    """Send what is there, then each news as it becomes durable; see ``ovenwright.web.tailing``."""
    try:
        tailer = await asyncio.to_thread(tailer_of, site_of(socket), recording)
    except OvenwrightError:
        await socket.close(4404)
        return
    await socket.accept()
    gone = asyncio.ensure_future(_until_gone(socket))
    try:
        await _stream(socket, tailer, since, gone)
    except (WebSocketDisconnect, TimeoutError, RuntimeError):
        pass  # whoever looked on has left, or can't keep up: it comes back by itself
    except UsageError:
        with contextlib.suppress(RuntimeError):
            await socket.close(4429)
    finally:
        gone.cancel()


async def _until_gone(socket: WebSocket) -> None:
    with contextlib.suppress(WebSocketDisconnect, RuntimeError):
        while True:
            await socket.receive()


async def _stream(socket: WebSocket, tailer: Tailer, seq: int, gone: asyncio.Future[None]) -> None:
    loop = asyncio.get_running_loop()
    news = asyncio.Event()
    with tailer.watched(lambda: _wake(loop, news)):
        await asyncio.to_thread(tailer.wait_ready)
        state = marks = -1
        while not gone.done():
            news.clear()
            over = tailer.ended
            messages: list[Message] = []
            if tailer.marks_number != marks:
                marks = tailer.marks_number
                messages.append(tailer.marks_text)
            found, seq = tailer.since(seq)
            messages += found
            if tailer.state_number != state:
                state = tailer.state_number
                messages.append(tailer.state_text)
            for message in messages:
                sending = (
                    socket.send_text(message)
                    if isinstance(message, str)
                    else socket.send_bytes(message)
                )
                await asyncio.wait_for(sending, _SEND_S)
            if over:
                await socket.close(1000)
                return
            waiting: asyncio.Future[Any] = asyncio.ensure_future(news.wait())
            try:
                await asyncio.wait([waiting, gone], return_when=asyncio.FIRST_COMPLETED)
            finally:
                waiting.cancel()


def _wake(loop: asyncio.AbstractEventLoop, news: asyncio.Event) -> None:
    with contextlib.suppress(RuntimeError):  # the loop has ended: so has the viewer
        loop.call_soon_threadsafe(news.set)
