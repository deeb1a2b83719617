"""Readings from an OPC UA server: one subscription, its own event loop, in the source's thread.

The server samples and queues; the subscription brings what it gathered with source timestamps and
status codes. When the link breaks the session is taken up again and the server is asked for what it
kept, so that an outage shorter than ``keep_s`` loses nothing the server could hold. What the server
had sent and was told of is gone when this process is killed before it is durable: OPC UA
acknowledges by message, not by what became of it.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections import deque
from collections.abc import Callable, Sequence
from itertools import count
from typing import Any

from asyncua import ua
from asyncua.client.client import Client
from asyncua.client.ua_client import UaClientState
from asyncua.common.node import Node
from asyncua.common.subscription import DataChangeNotif
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError

from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading, Stopping
from ovenwright.domain.run import Quality
from ovenwright.domain.sources.opcua import OpcUaSource
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.back_off import BackOff
from ovenwright.sources.opcua_link import LINK_TROUBLE, made_client, told_apart, watch_request, why
from ovenwright.sources.opcua_refilling import Feed, Missing, Watched, refill
from ovenwright.sources.opcua_subscription import KeptSubscription
from ovenwright.sources.opening import Opening
from ovenwright.sources.secrets import read_secret
from ovenwright.wire.opcua_values import (
    Arrived,
    decode,
    number_of,
    quality_of,
    queue_overflowed,
    status_words,
    unit_of,
    unix_ns,
)

_LOOK_S = 0.05  # how often stop and the queue are looked at
_LONGEST_WAIT_S = 5.0
_MISSING_AGAIN_S = 10.0
_REFILL_S = 2.0  # at most so often is the server asked what it remembers
_HELD = 200_000  # readings held while the recorder is busy
_MESSAGE_LIMIT = 16_000_000
_FAREWELL_S = 2.0

_NO_SUCH_FILTER = (
    StatusCodes.BadMonitoredItemFilterUnsupported,
    StatusCodes.BadFilterNotAllowed,
    StatusCodes.BadMonitoredItemFilterInvalid,
)
_START_TIME = ua.NodeId(ua.Int32(ObjectIds.Server_ServerStatus_StartTime))
_CURRENT_TIME = ua.NodeId(ua.Int32(ObjectIds.Server_ServerStatus_CurrentTime))


def open_opcua(plan: OpcUaSource, opening: Opening) -> OpcUaLink:
    """Return the source that reads an OPC UA server; nothing is connected before it runs."""
    if plan.password_env:
        read_secret(plan.password_env)  # said now, not when the test begins
    return OpcUaLink(plan, opening)


class OpcUaLink:
    """A :class:`~ovenwright.domain.live.Source` over OPC UA."""

    def __init__(self, plan: OpcUaSource, opening: Opening) -> None:
        self._plan = plan
        self._folder = opening.folder
        self._clock = opening.clock
        self._watched: dict[str, Watched] = {}
        self._handles = count(1_000)
        self._held: deque[Reading] = deque()
        self._notices: list[Notice] = []
        self._dropped = 0
        self._offset_ns = 0
        self._started: object = None
        self._missing = Missing()
        self._lasting = opening.lasting
        for node in plan.nodes:
            if node.channel in opening.since:
                self._missing.has(node.node, opening.since[node.channel])

    @property
    def name(self) -> str:
        """What people call it."""
        return self._plan.name or f"opcua {self._plan.url.removeprefix('opc.tcp://')}"

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver batches until told to stop.

        Raises
        ------
        InstrumentTrouble : for a wrong user, certificate or policy, or a plan the server can't meet
        """
        asyncio.run(self._run(deliver, stopping))

    async def _run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        back_off = BackOff(most_s=_LONGEST_WAIT_S)
        while not stopping.is_set():
            client: Client | None = None
            guard: asyncio.Task[None] | None = None
            greeted = False
            try:
                with told_apart(self._plan.url):
                    client = await made_client(self._plan, self._folder)
                    client.max_messagesize = _MESSAGE_LIMIT
                    guard = asyncio.create_task(self._guard(client))
                    await client.connect(
                        auto_reconnect=True,
                        reconnect_max_delay=_LONGEST_WAIT_S,
                        reconnect_request_timeout=self._plan.timeout_s,
                    )
                    await self._greet(client)
                    greeted = True
                    back_off.worked()
                    await self._stay(client, deliver, stopping)
            except LINK_TROUBLE as cause:
                wait_s = back_off.next_s()
                self._say(
                    NoticeKind.WAITING,
                    f"for the server at {self._plan.url} ({why(cause, self._plan, greeted=greeted)}); "
                    f"trying again in {wait_s:.1f} s",
                )
                await self._pass_on(deliver)
                await _sleep(wait_s, stopping)
            except InstrumentTrouble:
                await self._pass_on(deliver)
                raise
            finally:
                if guard is not None:
                    guard.cancel()
                if client is not None:
                    await _farewell(client)
        await self._pass_on(deliver)

    async def _guard(self, client: Client) -> None:
        """Hang up on a server that sends a message larger than we hold; the library waits for all of it."""
        while True:
            await asyncio.sleep(_LOOK_S)
            link = client.uaclient.protocol
            waiting = link.receive_buffer if link is not None else None
            if waiting is not None and len(waiting) > _MESSAGE_LIMIT:
                self._say(
                    NoticeKind.REFUSED,
                    f"a message of more than {_MESSAGE_LIMIT / 1e6:g} MB from {self._plan.url}",
                )
                client.disconnect_socket()

    # -- one connection -------------------------------------------------------------------------

    async def _greet(self, client: Client) -> None:
        """Say that the link is up, how far the server's clock is off, and whether it restarted."""
        before = self._clock.now_ns()
        values = await client.read_attributes(
            [client.get_node(_CURRENT_TIME), client.get_node(_START_TIME)]
        )
        after = self._clock.now_ns()
        self._say(NoticeKind.CONNECTED, f"to {self._plan.url}")
        current, started = (v.Value.Value if v.Value is not None else None for v in values)
        theirs = unix_ns(current)
        if theirs is not None:
            self._offset_ns = theirs - (before + after) // 2
            self._say(
                NoticeKind.CLOCK,
                "the server's clock against ours",
                value=self._offset_ns / 1e9,
            )
        if self._started is not None and started is not None and started != self._started:
            self._say(NoticeKind.REBOOTED, "the server was started anew")
        self._started = started if started is not None else self._started

    async def _stay(
        self, client: Client, deliver: Callable[[Batch], None], stopping: Stopping
    ) -> None:
        """Subscribe, and pass on what comes until told to stop or the session can't be kept."""
        plan = self._plan
        await self._take_nodes(client)
        self._missing.miss()
        subscription = KeptSubscription(client.uaclient.session, self._parameters(), self)
        subscription.before_anew = self._missing.miss
        subscription.before_hole = self._missing.suspect
        await subscription.init()
        await self._watch(subscription)
        again_ns = int(_MISSING_AGAIN_S * 1e9)
        up, seen_up = True, self._clock.monotonic_ns()
        look_again, ask_again = seen_up + again_ns, seen_up
        while not stopping.is_set():
            await asyncio.sleep(_LOOK_S)
            now = self._clock.monotonic_ns()
            if client.state is UaClientState.CONNECTED:
                seen_up = now
                if not up:
                    up = True
                    await self._greet(client)
                    await subscription.restore()
                elif subscription.is_stale(1.5):
                    await subscription.recreate()
                await subscription.fetch_missed()
                self._tell_lost(subscription)
                if self._missing.gaps and now >= ask_again:
                    ask_again = now + round(_REFILL_S * 1e9)
                    await self._refill(deliver)
                if now >= look_again:
                    look_again = now + again_ns
                    await self._watch(subscription)
            elif up:
                up = False
                self._say(NoticeKind.LOST, f"the link to {plan.url}; it is being taken up again")
            elif now - seen_up > plan.keep_s * 1e9:
                raise ConnectionError("the server no longer keeps the session")
            await self._pass_on(deliver)

    def _parameters(self) -> ua.CreateSubscriptionParameters:
        plan = self._plan
        alive = max(1, math.ceil(plan.timeout_s / plan.publish_s))
        wanted = ua.CreateSubscriptionParameters()
        wanted.RequestedPublishingInterval = plan.publish_s * 1000.0
        wanted.RequestedMaxKeepAliveCount = alive
        # at least three times the keep-alive count (OPC 10000-4, 5.14.2)
        wanted.RequestedLifetimeCount = max(3 * alive, math.ceil(plan.keep_s / plan.publish_s))
        wanted.MaxNotificationsPerPublish = 10_000
        wanted.PublishingEnabled = True
        wanted.Priority = 0
        return wanted

    async def _take_nodes(self, client: Client) -> None:
        """Resolve the plan's nodes on this server and learn the units it tells."""
        self._watched = {}
        for node in self._plan.nodes:
            at = await _node_at(client, node.node)
            unit = node.unit or await _told_unit(at) or "degC"
            reference = ""
            if node.reference_node:
                beside = await _node_at(client, node.reference_node)
                reference = beside.nodeid.to_string()
                self._watched.setdefault(reference, Watched(beside, node.reference_node))
            key = at.nodeid.to_string()
            self._watched.setdefault(key, Watched(at, node.node)).feeds.append(
                (node, unit, reference)
            )

    async def _watch(self, subscription: KeptSubscription) -> None:
        """Ask for every variable that is not watched yet; name those the server refuses."""
        todo = [w for w in self._watched.values() if w.handle is None]
        if not todo or subscription.subscription_id is None:  # being made anew on the server
            return
        results = await subscription.create_monitored_items([self._wish(w.node) for w in todo])
        bare = [
            i
            for i, r in enumerate(results)
            if isinstance(r, ua.StatusCode) and r.value in _NO_SUCH_FILTER
        ]
        if bare:
            again = await subscription.create_monitored_items(
                [self._wish(todo[i].node, filtered=False) for i in bare]
            )
            for i, result in zip(bare, again, strict=True):
                results[i] = result
        for watched, result in zip(todo, results, strict=True):
            if not isinstance(result, ua.StatusCode):
                watched.handle, watched.refused = int(result), ""
                continue
            self._refuse(
                watched,
                f"{status_words(result.value)}; it is asked for again every {_MISSING_AGAIN_S:g} s",
            )

    def _wish(self, node: Node, *, filtered: bool = True) -> ua.MonitoredItemCreateRequest:
        return watch_request(
            node,
            handle=next(self._handles),
            sample_s=self._plan.sample_s,
            keep=self._plan.keep,
            filtered=filtered,
        )

    def _refuse(self, watched: Watched, what: str) -> None:
        """Say once why a variable gives no readings."""
        if watched.refused == what:
            return
        watched.refused = what
        fed = ", ".join(repr(node.channel) for node, _, _ in watched.feeds) or "a reference"
        self._say(NoticeKind.REFUSED, f"{watched.node.nodeid.to_string()} for {fed}: {what}")

    def _tell_lost(self, subscription: KeptSubscription) -> None:
        if subscription.lost_messages:
            self._say(
                NoticeKind.LOSS,
                f"{subscription.lost_messages} messages of the server were lost on the way",
                value=float(subscription.lost_messages),
            )
            subscription.lost_messages = 0
            self._missing.confirm()
        elif not subscription.waits_for_missed:
            self._missing.dismiss()

    async def _refill(self, deliver: Callable[[Batch], None]) -> None:
        """Ask the server for what is missing; a check has nothing to fill."""

        async def hand_over(readings: Sequence[Reading]) -> None:
            await asyncio.to_thread(deliver, Batch(tuple(readings)))
            await self._pass_on(deliver)  # what came meanwhile must not pile up

        if not self._lasting:
            self._missing.take()
            return
        await refill(
            self._missing,
            self._watched,
            end_ns=self._clock.now_ns() + self._offset_ns,
            received_ns=self._clock.now_ns(),
            by_time=self._plan.time != "received",
            decoded=self._decoded,
            hand_over=hand_over,
            say=self._say,
        )

    # -- called by the library ------------------------------------------------------------------

    def datachange_notification(self, node: Node, _: object, data: DataChangeNotif) -> None:
        """Take one data value; the library calls this in our event loop."""
        value = data.monitored_item.Value
        watched = self._watched.get(node.nodeid.to_string())
        if value is None or watched is None:
            return
        status = value.StatusCode.value if value.StatusCode is not None else 0
        came = Arrived(
            value=value.Value.Value if value.Value is not None else None,
            status=status,
            source_time=value.SourceTimestamp,
            server_time=value.ServerTimestamp,
            received_ns=self._clock.now_ns(),
        )
        if queue_overflowed(status):
            self._missing.miss(watched.text)
            self._say(
                NoticeKind.LOSS,
                f"the server's queue for {node.nodeid.to_string()} overflowed: "
                "readings were thrown away there",
                value=1.0,
            )
        stamp = unix_ns(came.server_time if self._plan.time == "server" else came.source_time)
        if stamp is not None:
            self._missing.has(watched.text, stamp)
        try:
            if not watched.feeds:
                bad = quality_of(status) & Quality.MISSING
                watched.latest = math.nan if bad else number_of(came.value)
            for feed in watched.feeds:
                self._take(feed, came)
        except InstrumentTrouble as trouble:
            self._refuse(watched, str(trouble))

    def _take(self, feed: Feed, came: Arrived) -> None:
        beside = self._watched.get(feed[2])
        reading = self._decoded(feed, came, math.nan if beside is None else beside.latest)
        if len(self._held) >= _HELD:
            self._held.popleft()
            self._dropped += 1
        self._held.append(reading)

    def _decoded(self, feed: Feed, came: Arrived, reference_c: float) -> Reading:
        node, unit, _ = feed
        return decode(
            came,
            channel=node.channel,
            module=node.module or self._plan.module,
            unit=unit,
            index=node.index,
            time=self._plan.time,
            reference_c=reference_c,
            late_after_s=self._plan.late_after_s,
            offset_ns=self._offset_ns,
        )

    # -- on to the recorder ---------------------------------------------------------------------

    def _say(self, kind: NoticeKind, text: str, *, value: float = math.nan) -> None:
        self._notices.append(
            Notice(kind, self._clock.now_ns(), text, module=self._plan.module, value=value)
        )

    async def _pass_on(self, deliver: Callable[[Batch], None]) -> None:
        """Hand over what is held; the recorder may block, the link must not."""
        if self._dropped:
            self._say(
                NoticeKind.LOSS,
                f"{self._dropped} readings dropped here: the recorder could not take them in time",
                value=float(self._dropped),
            )
            self._dropped = 0
        if not self._held and not self._notices:
            return
        batch = Batch(tuple(self._held), tuple(self._notices))
        self._held.clear()
        self._notices.clear()
        await asyncio.to_thread(deliver, batch)


async def _sleep(seconds: float, stopping: Stopping) -> None:
    """Wait so long, or until told to stop."""
    loop = asyncio.get_running_loop()
    until = loop.time() + seconds
    while not stopping.is_set() and loop.time() < until:
        await asyncio.sleep(_LOOK_S)


async def _farewell(client: Client) -> None:
    """End session and link, without waiting long for a server that is gone."""
    with contextlib.suppress(*LINK_TROUBLE):
        await asyncio.wait_for(client.disconnect(), _FAREWELL_S)
    client.disconnect_socket()


async def _node_at(client: Client, text: str) -> Node:
    """Return the node a plan's text names, its namespace looked up where it is given by URI."""
    if text.startswith("nsu="):
        uri, _, rest = text.removeprefix("nsu=").partition(";")
        try:
            index = await client.get_namespace_index(uri)
        except ValueError as cause:
            raise InstrumentTrouble(
                f"the server has no namespace {uri}", remedy="check the node ids in the plan"
            ) from cause
        text = f"ns={index};{rest}"
    try:
        return client.get_node(ua.NodeId.from_string(text))
    except (UaError, ValueError) as cause:
        raise InstrumentTrouble(
            f"{text!r} is no node id: {cause}", remedy="write it like ns=2;s=Oven3.Core1"
        ) from cause


async def _told_unit(node: Node) -> str:
    """Return the engineering unit the server gives a variable, "" where it gives none of ours."""
    try:
        at = await node.get_child("0:EngineeringUnits")
        told: Any = await at.read_value()
    except UaError:
        return ""
    unit_id, display = getattr(told, "UnitId", 0), getattr(told, "DisplayName", None)
    return unit_of(int(unit_id or 0), getattr(display, "Text", "") or "")
