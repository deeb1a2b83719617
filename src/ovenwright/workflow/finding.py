"""Look for instruments, hold them against a plan, and write what was found into one."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.live import Stopping
from ovenwright.domain.plan import Plan
from ovenwright.errors import InstrumentTrouble, UsageError
from ovenwright.recording.steady_clock import SystemClock
from ovenwright.workflow.found_against import (
    Against,
    device_and_baud,
    hold_against,
    host_and_port,
)
from ovenwright.workflow.found_into_plan import write_into, write_new
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
        device, baud = device_and_baud(asking.url)
        port = SerialPort(device=device, baud=baud or 9600)
        found = find_units(serial=port, units=units, stopping=stopping)
        base: dict[str, Any] = {"kind": "modbus", "serial": _without_defaults(port)}
    else:
        parts = host_and_port(asking.url, 502)
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

    device, baud = device_and_baud(asking.url)
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


def _without_defaults(port: Any) -> dict[str, Any]:
    facts: dict[str, Any] = port.model_dump(mode="json", exclude_defaults=True)
    return facts


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
