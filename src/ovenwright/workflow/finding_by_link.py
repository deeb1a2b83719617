"""Each kind of link, and how it is asked what is there."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.live import Stopping
from ovenwright.domain.sources.lines import SerialPort
from ovenwright.errors import InstrumentTrouble, UsageError
from ovenwright.recording.steady_clock import SystemClock
from ovenwright.workflow.finding_asking import (
    Asking,
    check_asking,
    host_and_port,
    serial_keys,
    usual_port,
)

if TYPE_CHECKING:
    from ovenwright.sources.finding_modbus import FoundGuess

_ALIKE_K = 0.5


def find_instruments(asking: Asking, *, stopping: Stopping | None = None) -> tuple[Heard, ...]:
    """Listen at an address and return what was heard there.

    Parameters
    ----------
    asking : ``mqtt://HOST:PORT``, ``mqtts://…``, ``modbus://HOST:PORT``, ``modbus-rtu:DEVICE``,
        ``opc.tcp://HOST:PORT``, ``scpi://HOST:PORT``, ``scpi-serial:DEVICE``, ``serial:DEVICE`` or
        ``serial:`` for every port
    stopping : tells to stop earlier

    Raises
    ------
    UsageError : if the address can't be read, or an option does not suit it
    InstrumentTrouble : if nobody answers there
    """
    check_asking(asking)
    return _ASKED[asking.scheme](asking, stopping)


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
        folder=Path(),
        stopping=stopping,
        **asking.protection,
    )


def _scpi(asking: Asking, stopping: Stopping | None) -> tuple[Heard, ...]:
    from ovenwright.sources.finding_scpi import identify
    from ovenwright.sources.finding_serial import BAUDS

    way: dict[str, Any]
    if asking.scheme == "scpi-serial":
        keys = serial_keys(asking)
        if not keys.get("device"):
            raise UsageError(
                "names no port", where=asking.url, remedy="such as scpi-serial:/dev/ttyUSB0"
            )
        way = {
            "serial": SerialPort.model_validate(keys),
            "bauds": () if "baud" in keys else BAUDS,
        }
    else:
        host, port = host_and_port(asking.url, usual_port(asking.url))
        way = {"host": host, "port": port}
    return identify(
        asking.url,
        clock=SystemClock(),
        seconds=asking.seconds,
        measure=asking.measure,
        stopping=stopping,
        **way,
    )


def _modbus(asking: Asking, stopping: Stopping | None) -> tuple[Heard, ...]:
    from ovenwright.sources.finding_modbus import find_units

    first, last = asking.units
    if not 0 <= first <= last <= 247:
        raise UsageError(f"units {first} to {last} can't be asked", where="--units")
    units = range(first, last + 1)
    if asking.scheme == "modbus-rtu":
        keys = serial_keys(asking)
        if not keys.get("device"):
            raise UsageError(
                "names no port", where=asking.url, remedy="such as modbus-rtu:/dev/ttyUSB0"
            )
        port = SerialPort.model_validate(keys)
        found = find_units(serial=port, units=units, stopping=stopping)
        base: dict[str, Any] = {"kind": "modbus", "serial": _without_defaults(port)}
    else:
        parts = host_and_port(asking.url, usual_port(asking.url))
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
                        key=f"{unit.unit_id}/{g.function} {g.address}",
                        value=g.value,
                        count=1,
                        also=(f"{unit.unit_id}/input {g.address}",)
                        if _same_as_input(g, unit.guesses)
                        else (),
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


def _same_as_input(one: FoundGuess, guesses: Sequence[FoundGuess]) -> bool:
    """Whether the input registers show the same number as the holding registers."""
    return one.function == "holding" and any(
        g.function == "input"
        and (g.address, g.type) == (one.address, one.type)
        and abs(g.value - one.value) <= _ALIKE_K
        for g in guesses
    )


def _serial(asking: Asking, stopping: Stopping | None) -> tuple[Heard, ...]:
    from ovenwright.sources.finding_serial import hear_port, list_serial_ports

    keys = serial_keys(asking)
    device, baud = keys.pop("device", ""), keys.pop("baud", 0)
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
        port = hear_port(name, seconds=asking.seconds, framing=keys, stopping=stopping, **extra)
        if device and port.trouble and not port.lines:
            raise InstrumentTrouble(
                port.trouble,
                where=name,
                remedy="check that it sends by itself, cable, and how the port is set (--baud, --parity)",
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
                    "serial": {"device": name, "baud": port.baud, **keys},
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


_ASKED: Mapping[str, Callable[[Asking, Stopping | None], tuple[Heard, ...]]] = {
    "mqtt": _mqtt,
    "mqtts": _mqtt,
    "modbus": _modbus,
    "modbus-rtu": _modbus,
    "opc.tcp": _opcua,
    "scpi": _scpi,
    "scpi-serial": _scpi,
    "serial": _serial,
}
