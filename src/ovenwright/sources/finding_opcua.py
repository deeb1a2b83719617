"""Looking for temperatures on an OPC UA server: by engineering unit, and by name where there is none."""

from __future__ import annotations

import asyncio
import math
import re
from collections import defaultdict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from asyncua import ua
from asyncua.client.client import Client
from asyncua.common.node import Node
from asyncua.common.subscription import DataChangeNotif
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.uaerrors import UaError
from pydantic import ValidationError

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.live import Clock, Stopping
from ovenwright.domain.run import Quality
from ovenwright.domain.sources.opcua import OpcUaSource
from ovenwright.errors import InstrumentTrouble, UsageError
from ovenwright.sources.opcua_link import LINK_TROUBLE, made_client, told_apart, watch_request, why
from ovenwright.wire.opcua_values import number_of, quality_of, unit_of, unix_ns

MOST_NODES = 5_000
MOST_FOUND = 512
_DEEPEST = 12
_AT_ONCE = 32
_FAREWELL_S = 2.0
_TEMPERATURES = ("degC", "degF", "K")
_NAMED = re.compile(r"temp|°\s?[cf]\b|celsius|fahrenheit", re.IGNORECASE)
_MODES = {
    ua.MessageSecurityMode.None_: "none",
    ua.MessageSecurityMode.Sign: "sign",
    ua.MessageSecurityMode.SignAndEncrypt: "sign-and-encrypt",
}


@dataclass(slots=True)
class _Found:
    """A variable that may be a temperature."""

    node: Node
    text: str
    name: str
    parent: str
    unit: str
    sure: bool  # told by its unit, not only by its name
    value: float = math.nan
    quality: Quality = Quality.GOOD
    times_ns: list[int] = field(default_factory=list)


def browse(
    url: str,
    *,
    seconds: float,
    clock: Clock,
    user: str = "",
    password_env: str = "",
    folder: Path | None = None,
    stopping: Stopping | None = None,
    **protection: str,
) -> tuple[Heard, ...]:
    """Walk through a server's objects and say which variables are temperatures.

    A variable counts when its engineering unit is a temperature; one without a unit counts when its
    name speaks of temperature, and a remark says so. Nothing is written.

    Parameters
    ----------
    url : ``opc.tcp://HOST:PORT``
    seconds : how long to walk and watch at most
    clock : the time of day
    user, password_env : name at the server, and the environment variable that holds the password
    folder : where relative file names start
    stopping : tells to stop earlier
    protection : keys of a plan's table that say how the link is protected: security, policy,
        certificate_file, key_file, key_password_env, server_certificate_file. With a certificate and
        no security, the link is signed and encrypted

    Returns
    -------
    one for each object that holds temperatures, variables in the order of their names

    Raises
    ------
    UsageError : if the address can't be read, or a password is not set
    InstrumentTrouble : if the server does not answer or turns us away
    """
    facts: dict[str, Any] = {"kind": "opcua", "url": url.rstrip("/")}
    if protection:
        facts |= {"security": "sign-and-encrypt"} | protection
    if user:
        facts |= {"user": user}
    if password_env:
        facts |= {"password_env": password_env}
    try:
        plan = OpcUaSource.model_validate(facts | {"nodes": [{"node": "i=2258", "channel": "-"}]})
    except ValidationError as cause:
        said = "; ".join(
            f"{'.'.join(map(str, e['loc']))} is {e['input']!r}"
            if e["loc"]
            else str(e["msg"]).removeprefix("Value error, ")
            for e in cause.errors()
        )
        raise UsageError(
            f"{url!r} can't be asked like that: {said}",
            remedy="write it such as opc.tcp://192.168.1.20:4840; a certificate needs its key",
        ) from cause
    walk = _Walk(plan, facts, clock, stopping)
    return asyncio.run(walk.go(seconds, folder or Path()))


class _Walk:
    """Walks once, then watches what it found."""

    def __init__(
        self, plan: OpcUaSource, facts: dict[str, Any], clock: Clock, stopping: Stopping | None
    ) -> None:
        self._plan = plan
        self._facts = facts
        self._clock = clock
        self._stopped: Callable[[], bool] = stopping.is_set if stopping is not None else bool
        self._found: dict[str, _Found] = {}
        self._offered: set[tuple[str, str]] = set()  # (policy, mode)
        self._left_out = False

    async def go(self, seconds: float, folder: Path) -> tuple[Heard, ...]:
        loop = asyncio.get_running_loop()
        until = loop.time() + seconds
        url = self._plan.url
        try:
            with told_apart(url):
                self._offered = await self._security()
                self._see_that_it_is_offered()
                client = await made_client(self._plan, folder)
                await client.connect()
                try:
                    namespaces = await client.get_namespace_array()
                    await self._walk(client, namespaces, loop.time() + max(1.0, 0.7 * seconds))
                    await self._watch(client, until)
                    detail = await _made_by(client)
                finally:
                    await _leave(client)
        except LINK_TROUBLE as cause:
            raise InstrumentTrouble(
                f"the server does not answer ({why(cause, self._plan, greeted=False)})",
                where=url,
                remedy="check address and port, and that it is switched on",
            ) from cause
        return self._told(detail)

    async def _security(self) -> set[tuple[str, str]]:
        """Ask which kinds of protection the server offers."""
        asking = Client(self._plan.url, timeout=self._plan.timeout_s)
        offers = await asking.connect_and_get_server_endpoints()
        return {
            (str(o.SecurityPolicyUri).rpartition("#")[2], _MODES.get(o.SecurityMode, ""))
            for o in offers
        }

    def _see_that_it_is_offered(self) -> None:
        """Say what the server offers instead of what was asked for.

        Raises
        ------
        InstrumentTrouble : if it offers something else only
        """
        plan = self._plan
        policy = plan.policy.replace("_", "")
        asked = ("None", "none") if plan.security == "none" else (policy, plan.security)
        offered = {(p.replace("_", ""), m) for p, m in self._offered}
        if offered and asked not in offered:
            shown = "an open link" if plan.security == "none" else f"{plan.policy}, {plan.security}"
            raise InstrumentTrouble(
                f"the server does not offer {shown}",
                where=plan.url,
                remedy="; ".join(_offers(self._offered)) + " (--policy, --security; both but none "
                "need --certificate-file and --key-file)",
            )

    async def _walk(self, client: Client, namespaces: list[str], until: float) -> None:
        """Go through the objects, the nearest first."""
        loop = asyncio.get_running_loop()
        waiting: deque[tuple[Node, str, int]] = deque([(client.get_objects_node(), "", 0)])
        seen = {ua.NodeId(ua.Int32(ObjectIds.Server)).to_string()}
        while waiting:
            if len(seen) > MOST_NODES or len(self._found) >= MOST_FOUND or loop.time() > until:
                self._left_out = True
                return
            if self._stopped():
                return
            node, path, depth = waiting.popleft()
            try:
                below = await node.get_children_descriptions()
            except UaError:
                continue  # not ours to look into
            variables: list[tuple[Node, str]] = []
            for one in below:
                key = one.NodeId.to_string()
                if key in seen:
                    continue
                seen.add(key)
                name = one.BrowseName.Name or key
                child = client.get_node(one.NodeId)
                if one.NodeClass == ua.NodeClass.Variable:
                    variables.append((child, name))
                elif one.NodeClass == ua.NodeClass.Object and depth < _DEEPEST:
                    waiting.append((child, f"{path}/{name}" if path else name, depth + 1))
            for start in range(0, len(variables), _AT_ONCE):
                await asyncio.gather(
                    *(
                        self._consider(child, name, path, namespaces)
                        for child, name in variables[start : start + _AT_ONCE]
                    )
                )

    async def _consider(self, node: Node, name: str, parent: str, namespaces: list[str]) -> None:
        """Keep a variable that may be a temperature."""
        unit, told = "", False
        try:
            at = await node.get_child("0:EngineeringUnits")
            record: Any = await at.read_value()
            told = record is not None
            shown = getattr(getattr(record, "DisplayName", None), "Text", "") or ""
            unit = unit_of(int(getattr(record, "UnitId", 0) or 0), shown)
        except UaError:
            pass  # it tells no unit
        if told and unit not in (*_TEMPERATURES, "mV"):
            return
        if not told and not _NAMED.search(name):
            return
        try:
            value = await node.read_data_value(raise_on_bad_status=False)
            inner = value.Value.Value if value.Value is not None else None
            status = value.StatusCode.value if value.StatusCode is not None else 0
            number = number_of(inner)
        except (UaError, InstrumentTrouble):
            return
        stamp = unix_ns(value.SourceTimestamp)
        self._found[node.nodeid.to_string()] = _Found(
            node, _text_of(node.nodeid, namespaces), name, parent, unit or "degC", told,
            value=number, quality=quality_of(status), times_ns=[] if stamp is None else [stamp],
        )  # fmt: skip

    async def _watch(self, client: Client, until: float) -> None:
        """See how often each variable changes."""
        loop = asyncio.get_running_loop()
        if not self._found or loop.time() >= until:
            return
        subscription = await client.create_subscription(200.0, handler=self)
        await subscription.create_monitored_items(
            watch_request(f.node, handle=i, sample_s=0.0, keep=200)
            for i, f in enumerate(self._found.values(), 1)
        )
        while loop.time() < until and not self._stopped():
            await asyncio.sleep(0.05)

    def datachange_notification(self, node: Node, value: object, data: DataChangeNotif) -> None:
        """Take one change; the library calls this in our event loop."""
        found = self._found.get(node.nodeid.to_string())
        came = data.monitored_item.Value
        if found is None or came is None:
            return
        stamp = unix_ns(came.SourceTimestamp)
        if stamp is not None and stamp not in found.times_ns[-1:]:
            found.times_ns.append(stamp)
        try:
            found.value = number_of(value)
        except InstrumentTrouble:
            return
        found.quality = quality_of(came.StatusCode.value if came.StatusCode is not None else 0)

    def _told(self, detail: str) -> tuple[Heard, ...]:
        groups: dict[str, list[_Found]] = defaultdict(list)
        for one in sorted(self._found.values(), key=lambda f: _natural(f.name)):
            groups[one.parent].append(one)
        proposal = self._facts | {
            "nodes": [
                {"node": f.text, "channel": _label(f, groups), "unit": f.unit}
                | ({"module": f.parent} if f.parent else {})
                for members in groups.values()
                for f in members
            ]
        }
        remarks = _offers(self._offered)
        if self._plan.security == "none" and any(m not in ("none", "") for _, m in self._offered):
            remarks.append("the link is open to anyone on the network; the server can do better")
        if self._left_out:
            remarks.append("there is more on the server than was looked through in this time")
        return tuple(
            Heard(
                address=self._plan.url,
                module=parent,
                channels=tuple(
                    HeardChannel(
                        key=f.text,
                        value=f.value,
                        unit=f.unit,
                        quality=f.quality,
                        rate_hz=_rate(f.times_ns),
                        count=len(f.times_ns),
                        last_ns=f.times_ns[-1] if f.times_ns else 0,
                        also=(f.node.nodeid.to_string(),),
                    )
                    for f in members
                ),
                detail=detail,
                proposal=proposal,
                remarks=(
                    *remarks,
                    *(
                        f"{f.name}: taken for a temperature by its name, the server tells no unit"
                        for f in members
                        if not f.sure
                    ),
                ),
            )
            for parent, members in groups.items()
        )


def _offers(offered: set[tuple[str, str]]) -> list[str]:
    """Say which protection a server offers: each policy with its modes."""
    modes: dict[str, list[str]] = defaultdict(list)
    for policy, mode in sorted(offered):
        if mode:
            modes["" if mode == "none" else policy].append(mode)
    words = [f"{policy} ({', '.join(m)})" if policy else "none" for policy, m in modes.items()]
    return [f"security the server offers: {'; '.join(words)}"] if words else []


def _label(found: _Found, groups: dict[str, list[_Found]]) -> str:
    """Return a channel name: the variable's own, with its object's where others share it."""
    same = sum(f.name == found.name for members in groups.values() for f in members)
    return f"{found.parent} {found.name}".strip() if same > 1 else found.name


def _natural(text: str) -> list[tuple[int, str]]:
    """Return a key that sorts "Core10" after "Core9"."""
    return [
        (int(p), "") if p.isdecimal() else (0, p.casefold())
        for p in re.split(r"(\d{1,18})", text)
        if p
    ]


def _rate(times_ns: list[int]) -> float:
    if len(times_ns) < 3 or times_ns[-1] <= times_ns[1]:
        return math.nan
    # the first is how it stood before we listened
    return (len(times_ns) - 2) / ((times_ns[-1] - times_ns[1]) / 1e9)


def _text_of(at: ua.NodeId, namespaces: list[str]) -> str:
    """Return a node id by its namespace's URI, whose number may change when a server restarts."""
    text = at.to_string()
    if at.NamespaceIndex == 0 or at.NamespaceIndex >= len(namespaces):
        return text
    uri = namespaces[at.NamespaceIndex]
    return text if ";" in uri else f"nsu={uri};{text.split(';', 1)[1]}"


async def _made_by(client: Client) -> str:
    """Return what the server says it is."""
    try:
        info: Any = await client.get_node(
            ua.NodeId(ua.Int32(ObjectIds.Server_ServerStatus_BuildInfo))
        ).read_value()
    except UaError:
        return ""
    parts = (getattr(info, k, "") or "" for k in ("ProductName", "SoftwareVersion"))
    return " ".join(p for p in parts if p)


async def _leave(client: Client) -> None:
    try:
        await asyncio.wait_for(client.disconnect(), _FAREWELL_S)
    except LINK_TROUBLE:
        client.disconnect_socket()
