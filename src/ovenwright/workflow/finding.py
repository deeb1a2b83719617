"""Look for instruments, hold them against a plan, and write what was found into one."""

from __future__ import annotations

import codecs
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, urlsplit

import tomli_w

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.live import Stopping
from ovenwright.domain.plan import Plan
from ovenwright.errors import InstrumentTrouble, UsageError
from ovenwright.physics.sampling import PRACTICAL_S
from ovenwright.recording.steady_clock import SystemClock
from ovenwright.storage.durable import whole_file
from ovenwright.workflow.planning import checked_text

if TYPE_CHECKING:
    from ovenwright.sources.finding_modbus import FoundGuess

_ALIKE_K = 0.5


@dataclass(frozen=True, slots=True)
class Asking:
    """How one address is asked."""

    url: str
    seconds: float = 10.0
    user: str = ""
    password_env: str = ""
    ca_file: str = ""
    units: tuple[int, int] = (1, 16)  # of Modbus, first and last


@dataclass(frozen=True, slots=True)
class Against:
    """What was heard, held against a plan.

    ``known`` and ``new`` are keys the plan's instruments know or don't; ``silent`` are the plan's
    channels that this address should feed and that nothing was heard of.
    """

    known: tuple[str, ...]
    new: tuple[str, ...]
    silent: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Findings:
    """What a search came to."""

    url: str
    seconds: float
    heard: tuple[Heard, ...]
    against: Against | None = None
    wrote: str = ""
    added: tuple[str, ...] = ()  # channels that were added to the plan

    def facts(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "url": self.url,
            "seconds": self.seconds,
            "modules": [_module_facts(h) for h in self.heard],
            "against": asdict(self.against) if self.against else None,
            "wrote": self.wrote,
            "added": list(self.added),
        }


def _module_facts(h: Heard) -> dict[str, Any]:
    return {
        "module": h.module,
        "serial": h.serial,
        "battery": h.battery,
        "signal": h.signal,
        "detail": h.detail,
        "channels": [
            {**asdict(c), "quality": int(c.quality), "last_ns": c.last_ns or None}
            for c in h.channels
        ],
        "proposal": dict(h.proposal),
        "remarks": list(h.remarks),
    }


def find_instruments(asking: Asking, *, stopping: Stopping | None = None) -> tuple[Heard, ...]:
    """Listen at an address and return what was heard there.

    Parameters
    ----------
    asking : ``mqtt://HOST:PORT``, ``mqtts://…``, ``modbus://HOST:PORT``, ``modbus-rtu:DEVICE``,
        ``opc.tcp://HOST:PORT``, ``serial:DEVICE`` or ``serial:`` for every port
    stopping : tells to stop earlier

    Raises
    ------
    UsageError : if the address can't be read
    InstrumentTrouble : if nobody answers there
    """
    scheme = asking.url.partition(":")[0].lower()
    table: Mapping[str, Callable[[Asking, Stopping | None], tuple[Heard, ...]]] = {
        "mqtt": _mqtt,
        "mqtts": _mqtt,
        "modbus": _modbus,
        "modbus-rtu": _modbus,
        "opc.tcp": _opcua,
        "serial": _serial,
    }
    if scheme not in table or ":" not in asking.url:
        raise UsageError(
            f"{asking.url!r} is no address of an instrument",
            remedy="write mqtt://HOST:PORT, modbus://HOST:PORT, modbus-rtu:DEVICE, "
            "opc.tcp://HOST:PORT or serial:DEVICE",
        )
    if not 0 < asking.seconds <= 3600:
        raise UsageError(f"{asking.seconds:g} s is no time to listen", where="--seconds")
    return table[scheme](asking, stopping)


def _mqtt(asking: Asking, stopping: Stopping | None) -> tuple[Heard, ...]:
    from ovenwright.sources.finding_mqtt import hear

    return hear(
        asking.url,
        seconds=asking.seconds,
        clock=SystemClock(),
        user=asking.user,
        password_env=asking.password_env,
        ca_file=asking.ca_file,
        stopping=stopping,
    )


def _opcua(asking: Asking, stopping: Stopping | None) -> tuple[Heard, ...]:
    from ovenwright.sources.finding_opcua import browse

    return browse(
        asking.url,
        seconds=asking.seconds,
        clock=SystemClock(),
        user=asking.user,
        password_env=asking.password_env,
        stopping=stopping,
    )


def _modbus(asking: Asking, stopping: Stopping | None) -> tuple[Heard, ...]:
    from ovenwright.domain.sources.lines import SerialPort
    from ovenwright.sources.finding_modbus import find_units

    first, last = asking.units
    if not 0 <= first <= last <= 247:
        raise UsageError(f"units {first} to {last} can't be asked", where="--units")
    units = range(first, last + 1)
    if asking.url.lower().startswith("modbus-rtu:"):
        device, baud = _device(asking.url)
        port = SerialPort(device=device, baud=baud or 9600)
        found = find_units(serial=port, units=units, stopping=stopping)
        base: dict[str, Any] = {"kind": "modbus", "serial": _without_defaults(port)}
    else:
        parts = _parts(asking.url, 502)
        found = find_units(host=parts[0], port=parts[1], units=units, stopping=stopping)
        base = {"kind": "modbus", "host": parts[0], "port": parts[1]}
    out = []
    for unit in found:
        guesses = _each_once(unit.guesses)
        registers = [
            {
                "channel": "",
                "address": g.address,
                "function": g.function,
                "type": g.type.value,
                **({"word_order": g.word_order.value} if g.word_order.value != "big" else {}),
                **({"byte_order": g.byte_order.value} if g.byte_order.value != "big" else {}),
                **({"scale": g.scale} if g.scale != 1.0 else {}),
            }
            for g in guesses
        ]
        out.append(
            Heard(
                address=asking.url,
                module=f"unit {unit.unit_id}",
                channels=tuple(
                    HeardChannel(
                        key=f"{unit.unit_id}/{g.function} {g.address}", value=g.value, count=1
                    )
                    for g in guesses
                ),
                detail=" ".join(p for p in (unit.maker, unit.product, unit.revision) if p),
                proposal={**base, "unit_id": unit.unit_id, "registers": registers}
                if registers
                else {},
                remarks=(
                    "registers tell no meaning of their own: hold these guesses against the "
                    "instrument's manual",
                ),
            )
        )
    return tuple(out)


def _each_once(guesses: Sequence[FoundGuess]) -> list[FoundGuess]:
    """Leave out input registers that only repeat the holding registers, as many instruments do."""
    held = {(g.address, g.type): g.value for g in guesses if g.function == "holding"}
    return [
        g
        for g in guesses
        if g.function == "holding"
        or abs(held.get((g.address, g.type), math.inf) - g.value) > _ALIKE_K
    ]


def _serial(asking: Asking, stopping: Stopping | None) -> tuple[Heard, ...]:
    from ovenwright.sources.finding_serial import hear_port, list_serial_ports

    device, baud = _device(asking.url)
    names = [device] if device else [p.device for p in list_serial_ports()]
    if not names:
        raise InstrumentTrouble(
            "this computer has no serial port",
            where=asking.url,
            remedy="plug the instrument in and try again",
        )
    out = []
    for name in names:
        extra = {"bauds": (baud,)} if baud else {}
        port = hear_port(name, seconds=asking.seconds, stopping=stopping, **extra)
        if device and port.trouble and not port.lines:
            raise InstrumentTrouble(
                port.trouble,
                where=name,
                remedy="check that it sends by itself, cable and speed (serial:DEVICE?baud=9600)",
            )
        out.append(
            Heard(
                address=asking.url,
                module=name,
                serial=port.serial,
                channels=tuple(
                    HeardChannel(key=k, value=v, rate_hz=port.per_s)
                    for k, v in zip(port.keys, port.values, strict=True)
                ),
                detail=port.description,
                proposal={
                    "kind": "serial-text",
                    "serial": {"device": name, "baud": port.baud},
                    "text": dict(port.text),
                    "channels": dict.fromkeys(port.keys, ""),
                }
                if port.keys
                else {},
                remarks=tuple(
                    r
                    for r in (port.trouble, *(f"it says: {line}" for line in port.lines[-2:]))
                    if r
                ),
            )
        )
    return tuple(out)


def _device(url: str) -> tuple[str, int]:
    rest = url.partition(":")[2].removeprefix("//")
    device, _, query = rest.partition("?")
    words = parse_qs(query).get("baud", ["0"])[0]
    if not words.isdigit():
        raise UsageError(f"baud {words!r} is no number", where=url)
    return device, int(words)


def _parts(url: str, usual: int) -> tuple[str, int]:
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


def _without_defaults(port: Any) -> dict[str, Any]:
    facts: dict[str, Any] = port.model_dump(mode="json", exclude_defaults=True)
    return facts


# held against a plan -----------------------------------------------------------------------


def hold_against(plan: Plan, heard: Sequence[Heard], url: str) -> Against:
    """Say which of what was heard the plan knows, and which of its channels stayed silent."""
    fed = _fed(plan, url)
    keys = [c.key for h in heard for c in h.channels]
    alive = {c.key for h in heard for c in h.channels if c.count != 0 or math.isfinite(c.value)}
    return Against(
        known=tuple(k for k in keys if k in fed),
        new=tuple(k for k in keys if k not in fed),
        silent=tuple(name for key, name in fed.items() if key not in alive),
    )


def _fed(plan: Plan, url: str) -> dict[str, str]:
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
        return (facts["host"], facts["port"]) == _parts(url, usual)
    if scheme == "modbus" and kind == "modbus":
        return (facts["host"], facts["port"]) == _parts(url, 502)
    if scheme == "opc.tcp" and kind == "opcua":
        return str(facts["url"]).rstrip("/") == url.rstrip("/")
    if scheme in {"serial", "modbus-rtu"} and facts.get("serial"):
        device = _device(url)[0]
        return not device or facts["serial"]["device"] == device
    return False


# written into a plan -----------------------------------------------------------------------


def write_into(
    plan_file: Path, heard: Sequence[Heard], url: str, library: ReferenceLibrary
) -> tuple[str, ...]:
    """Add what was heard and is new to a plan file; every word in it stays as it was.

    Channels that feed nothing yet take the first inputs in order; for the others new ones are
    written, with a sensor to be set. Where the plan has the instrument already, nothing is written
    twice.

    Returns
    -------
    names of the channels that were added

    Raises
    ------
    UsageError : if nothing new was heard, or it can't be added without changing what is there
    PlanFaults : if the plan has faults of its own
    StorageTrouble : if the disk refuses
    """
    content = plan_file.read_bytes()  # as text, line ends would be lost
    mark = codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
    text = content.decode("utf-8-sig")
    plan = checked_text(text, library, file=str(plan_file))
    proposals = _proposals(heard)
    if not proposals:
        raise UsageError(
            "nothing was heard that a plan could read", where=url, remedy="listen longer: --seconds"
        )
    fed = {name for one in plan.instruments for _, name in one.fed()}
    known = _fed(plan, url)
    if known:
        new = [c.key for h in heard for c in h.channels if c.key not in known]
        raise UsageError(
            "the plan reads this instrument already"
            + (f"; new there: {', '.join(new[:8])}" if new else ""),
            where=str(plan_file),
            remedy="add the keys to its [[instruments]] table by hand: a comment of yours may "
            "stand there",
        )
    free = [c.name for c in plan.channels if c.name not in fed]
    taken = {c.name for c in plan.channels}
    added: list[tuple[str, str]] = []

    def name_for(key: str) -> str:
        if free:
            return free.pop(0)
        name = _plain_name(key)
        count = 2
        while name in taken:
            name, count = f"{_plain_name(key)} {count}", count + 1
        taken.add(name)
        added.append((name, key))
        return name

    tables = [_filled(p, name_for) for p in proposals]
    pieces = [text if text.endswith("\n") or not text else text + "\n"]
    pieces += [_channel_text(name, key, url) for name, key in added]
    pieces += [_instrument_text(t, url) for t in tables]
    new_text = "".join(pieces)
    if "\r\n" in text:
        new_text = new_text.replace("\r\n", "\n").replace("\n", "\r\n")
    checked_text(new_text, library, file=str(plan_file))  # never leave a plan worse than it was
    with whole_file(plan_file, overwrite=True) as temp:
        temp.write_bytes(mark + new_text.encode("utf-8"))
        temp.chmod(plan_file.stat().st_mode & 0o777)
    return tuple(name for name, _ in added)


def write_new(
    plan_file: Path, heard: Sequence[Heard], url: str, library: ReferenceLibrary
) -> tuple[str, ...]:
    """Write a first plan around what was heard: enough to check and to record with.

    Returns
    -------
    names of its channels

    Raises
    ------
    UsageError : if nothing was heard that a plan could read
    StorageTrouble : if the file is there, or the disk refuses
    """
    proposals = _proposals(heard)
    if not proposals:
        raise UsageError(
            "nothing was heard that a plan could read", where=url, remedy="listen longer: --seconds"
        )
    names: list[tuple[str, str]] = []

    def name_for(key: str) -> str:
        name, count = _plain_name(key), 2
        while name in {n for n, _ in names}:
            name, count = f"{_plain_name(key)} {count}", count + 1
        names.append((name, key))
        return name

    tables = [_filled(p, name_for) for p in proposals]
    pieces = [
        _FIRST.format(interval=_interval_s(heard)),
        *(_channel_text(name, key, url) for name, key in names),
        *(_instrument_text(t, url) for t in tables),
    ]
    new_text = "".join(pieces)
    checked_text(new_text, library, file=str(plan_file))
    with whole_file(plan_file) as temp:
        temp.write_text(new_text, encoding="utf-8", newline="\n")
    return tuple(name for name, _ in names)


_FIRST = """# A first plan around instruments that were found. Lines marked (yours) are placeholders: they do
# not touch what is recorded, but a verdict and advice rest on them. Presets with requirements and
# sources: ovenwright plan presets
title = "First look"                # (yours)

[oven]
kind = "chamber"                    # (yours) or "tunnel", see: ovenwright plan new
name = "oven"                       # (yours)
width_m = 1.0                       # (yours)
depth_m = 1.0                       # (yours)
height_m = 1.0                      # (yours)

[product]
name = "product"                    # (yours)

[recording]
interval_s = {interval:g}
"""


def _interval_s(heard: Sequence[Heard]) -> float:
    """Return the pace of what was heard, on a number an instrument can be set to."""
    rates = [c.rate_hz for h in heard for c in h.channels if c.rate_hz > 0]
    if not rates:
        return 1.0
    wanted = 1.0 / sorted(rates)[len(rates) // 2]
    near = min(PRACTICAL_S, key=lambda s: abs(math.log(s / wanted)))
    return near if abs(math.log(near / wanted)) < 0.15 else round(wanted, 3)


def _channel_text(name: str, key: str, url: str) -> str:
    row = {"name": name, "sensor": "K", "role": "air", "note": f"heard as {key}"}
    return (
        f"\n# found at {url}: its sensor type, role and place are yours to say\n"
        "[[channels]]\n" + tomli_w.dumps(row)
    )


def _instrument_text(table: Mapping[str, Any], url: str) -> str:
    return (
        f"\n# heard at {url}: see that each name stands beside the input its sensor is plugged into\n"
        + _array_of_tables("instruments", table)
    )


def _array_of_tables(name: str, table: Mapping[str, Any]) -> str:
    """Write one item of an array of tables in full, so that a person can go on writing in it."""
    text = tomli_w.dumps({name: [dict(table)]})
    if text.startswith(f"[[{name}]]"):
        return text
    plain = {k: v for k, v in table.items() if not isinstance(v, Mapping)}
    out = [f"[[{name}]]\n", tomli_w.dumps(plain)]
    for key, inner in table.items():
        if isinstance(inner, Mapping):
            out.append(f"\n[{name}.{key}]\n" + tomli_w.dumps(dict(inner)))
    return "".join(out)


def _proposals(heard: Sequence[Heard]) -> list[dict[str, Any]]:
    """Return each proposed table once: modules that one table reads carry the same one."""
    out: list[dict[str, Any]] = []
    for h in heard:
        table = dict(h.proposal)
        if table and table not in out:
            out.append(table)
    return out


def _filled(proposal: Mapping[str, Any], name_for: Callable[[str], str]) -> dict[str, Any]:
    """Return a proposed table with the plan's channel names in it."""
    table = dict(proposal)
    if isinstance(table.get("channels"), Mapping):
        table["channels"] = {key: name_for(key) for key in table["channels"]}
    for many in ("registers", "nodes"):
        if isinstance(table.get(many), Sequence):
            table[many] = [
                {"channel": name_for(_key_of(row, table)), **_without_channel(row)}
                if row.get("tells", "reading") == "reading"
                else row
                for row in table[many]
            ]
    return table


def _key_of(row: Mapping[str, Any], table: Mapping[str, Any]) -> str:
    """Return a name to call a register or a node by: its own where the search gave one."""
    if row.get("channel"):
        return str(row["channel"])
    if "address" in row:
        return f"unit {table.get('unit_id', 1)} at {row['address']}"
    return str(row.get("node", "input"))


def _without_channel(row: Mapping[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in row.items() if k != "channel"}


def _plain_name(key: str) -> str:
    words = re.sub(r"[^\w]+", " ", key).strip()
    return words or "input"


def search(
    asking: Asking,
    library: ReferenceLibrary,
    *,
    plan_file: Path | None = None,
    write: Path | None = None,
    stopping: Stopping | None = None,
) -> Findings:
    """Look for instruments, hold them against a plan, write them into one.

    Parameters
    ----------
    asking : where and how long
    plan_file : a plan to hold it against
    write : a plan to add it to; it is held against as well

    Raises
    ------
    UsageError, PlanFaults, InstrumentTrouble, StorageTrouble : as for the parts
    """
    plan: Plan | None = None
    target = plan_file or (write if write is not None and write.exists() else None)
    if target is not None:
        from ovenwright.workflow.planning import checked_plan

        plan = checked_plan(target, library)  # before anyone waits for the search
    heard = find_instruments(asking, stopping=stopping)
    added: tuple[str, ...] = ()
    if write is not None:
        writer = write_into if write.exists() else write_new
        added = writer(write, heard, asking.url, library)
        plan = checked_text(write.read_text(encoding="utf-8-sig"), library, file=str(write))
    return Findings(
        url=asking.url,
        seconds=asking.seconds,
        heard=heard,
        against=hold_against(plan, heard, asking.url) if plan is not None else None,
        wrote=str(write) if write is not None else "",
        added=added,
    )
