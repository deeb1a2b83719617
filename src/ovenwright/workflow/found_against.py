"""What was heard at an address, held against a plan; and how such addresses are read."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlsplit

from ovenwright.domain.heard import Heard
from ovenwright.domain.plan import Plan
from ovenwright.errors import UsageError


@dataclass(frozen=True, slots=True)
class Against:
    """What was heard, held against a plan.

    ``known`` and ``new`` are keys the plan's instruments know or don't; ``silent`` are the plan's
    channels that this address should feed and that nothing was heard of.
    """

    known: tuple[str, ...]
    new: tuple[str, ...]
    silent: tuple[str, ...]


def device_and_baud(url: str) -> tuple[str, int]:
    """Return the port of an address such as ``serial:DEVICE?baud=9600``, and 0 for no speed."""
    rest = url.partition(":")[2].removeprefix("//")
    device, _, query = rest.partition("?")
    words = parse_qs(query).get("baud", ["0"])[0]
    if not words.isdigit():
        raise UsageError(f"baud {words!r} is no number", where=url)
    return device, int(words)


def host_and_port(url: str, usual: int) -> tuple[str, int]:
    """Return host and port of an address, the usual port where it names none."""
    parts = urlsplit(url)
    try:
        port = parts.port
    except ValueError:
        port = None
        parts = parts._replace(netloc="")
    if not parts.hostname:
        raise UsageError(
            f"{url!r} is no address", remedy="write it such as modbus://192.168.1.20:502"
        )
    return parts.hostname, port or usual


def hold_against(plan: Plan, heard: Sequence[Heard], url: str) -> Against:
    """Say which of what was heard the plan knows, and which of its channels stayed silent."""
    fed = fed_at(plan, url)
    keys = [c.key for h in heard for c in h.channels]
    alive = {c.key for h in heard for c in h.channels if c.count != 0 or math.isfinite(c.value)}
    return Against(
        known=tuple(k for k in keys if k in fed),
        new=tuple(k for k in keys if k not in fed),
        silent=tuple(name for key, name in fed.items() if key not in alive),
    )


def fed_at(plan: Plan, url: str) -> dict[str, str]:
    """Return the instrument's keys to channel names, of the plan's instruments at an address."""
    out: dict[str, str] = {}
    for one in plan.instruments:
        facts = one.model_dump(mode="json")
        if not _same_place(facts, url):
            continue
        for path, channel in one.fed():
            if path[0] == "registers":
                row = facts["registers"][int(path[1])]
                unit = facts["unit_id"] if row["unit_id"] is None else row["unit_id"]
                out[f"{unit}/{row['function']} {row['address']}"] = channel
            elif path[0] == "nodes":
                out[str(facts["nodes"][int(path[1])]["node"])] = channel
            else:
                out[str(path[-1])] = channel
    return out


def _same_place(facts: Mapping[str, Any], url: str) -> bool:
    """Whether an instrument of a plan is reached at an address."""
    scheme = url.partition(":")[0].lower()
    kind = facts["kind"]
    if scheme in {"mqtt", "mqtts"} and kind == "mqtt":
        usual = 8883 if scheme == "mqtts" else 1883
        return (facts["host"], facts["port"]) == host_and_port(url, usual)
    if scheme == "modbus" and kind == "modbus":
        return (facts["host"], facts["port"]) == host_and_port(url, 502)
    if scheme == "opc.tcp" and kind == "opcua":
        return str(facts["url"]).rstrip("/") == url.rstrip("/")
    if scheme in {"serial", "modbus-rtu"} and facts.get("serial"):
        device = device_and_baud(url)[0]
        return not device or facts["serial"]["device"] == device
    return False
