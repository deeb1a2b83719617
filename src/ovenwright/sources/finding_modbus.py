"""Which Modbus units answer on a host or a line, and which of their registers look like temperatures."""

from __future__ import annotations

import time
from collections.abc import Iterable
from contextlib import closing, suppress
from dataclasses import dataclass

from ovenwright.domain.live import Stopping
from ovenwright.domain.sources.lines import SerialPort
from ovenwright.domain.sources.modbus import RegisterOrder, RegisterType
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.modbus_link import NOT_THERE, ModbusLink, UnitRefused, UnitSilent
from ovenwright.wire.modbus_values import Guess, guess_map

BLOCK = 64
"""Registers asked for at once while looking."""
STARTS = (0, 64, 128, 256, 512, 1000, 2000, 4096)
"""Addresses where instruments often begin their tables: common practice, no source."""


@dataclass(frozen=True, slots=True)
class FoundGuess:
    """A number that looks like a temperature, and how it would be read."""

    function: str
    address: int
    type: RegisterType
    word_order: RegisterOrder
    byte_order: RegisterOrder
    scale: float
    value: float


@dataclass(frozen=True, slots=True)
class FoundUnit:
    """A unit that answered."""

    unit_id: int
    maker: str
    product: str
    revision: str
    guesses: tuple[FoundGuess, ...]

    def words(self) -> str:
        """Return what it is, in one phrase for people."""
        told = " ".join(p for p in (self.maker, self.product, self.revision) if p)
        return f"unit {self.unit_id}" + (f", {told}" if told else "")


def find_units(
    *,
    host: str = "",
    port: int = 502,
    serial: SerialPort | None = None,
    units: Iterable[int] = range(1, 17),
    timeout_s: float = 0.5,
    pause_s: float = 0.02,
    starts: Iterable[int] = STARTS,
    stopping: Stopping | None = None,
) -> tuple[FoundUnit, ...]:
    """Return the units that answer, with guesses at their temperatures.

    Only reads are sent, one at a time, with a rest after each.

    Parameters
    ----------
    host, port : for Modbus TCP
    serial : for Modbus RTU; then host and port are not used
    units : unit ids to try, 1 to 247
    timeout_s : how long an answer is waited for
    pause_s : rest after each request
    starts : addresses, counted from 0, at which to look for temperatures
    stopping : tells to stop early

    Raises
    ------
    InstrumentTrouble : if the host or port can't be reached at all

    Source: Modbus application protocol V1.1b3, sections 6.3, 6.4 and 6.21.
    """
    link = ModbusLink(host=host, port=port, serial=serial, timeout_s=timeout_s)
    where = serial.device if serial is not None else f"{host}:{port}"
    found: list[FoundUnit] = []
    with closing(link):
        try:
            for unit_id in units:
                if stopping is not None and stopping.is_set():
                    break
                link.open()
                if _answers(link, unit_id, pause_s):
                    found.append(_look(link, unit_id, tuple(starts), pause_s))
        except OSError as cause:
            if not found:
                raise InstrumentTrouble(
                    f"nothing can be asked: {cause}", where=where,
                    remedy="check address and port, and that nothing else holds the connection"
                    if serial is None
                    else "check baud, parity and stop bits, and that no other program has the port open",
                ) from cause  # fmt: skip
    return tuple(found)


def _answers(link: ModbusLink, unit_id: int, pause_s: float) -> bool:
    for function in ("holding", "input"):
        try:
            link.open()
            link.read(unit_id, function, 0, 1)
        except UnitSilent:
            return False
        except UnitRefused as cause:
            return cause.code not in NOT_THERE  # what it refuses shows that it is there
        finally:
            time.sleep(pause_s)
        return True
    return False


def _look(link: ModbusLink, unit_id: int, starts: tuple[int, ...], pause_s: float) -> FoundUnit:
    told: dict[int, str] = {}
    with suppress(UnitRefused, UnitSilent):  # most instruments do not say
        told = link.identity(unit_id)
    time.sleep(pause_s)
    guesses: list[FoundGuess] = []
    for function in ("holding", "input"):
        seen: dict[int, int] = {}
        for start in starts:
            seen |= _block(link, unit_id, function, start, pause_s)
        guesses += [_found(function, g) for g in guess_map(seen)]
    return FoundUnit(unit_id, told.get(0, ""), told.get(1, ""), told.get(2, ""), tuple(guesses))


def _block(
    link: ModbusLink, unit_id: int, function: str, start: int, pause_s: float
) -> dict[int, int]:
    """Read as much as the unit allows from `start` on: half as much after each refusal."""
    count = BLOCK
    while count >= 1:
        try:
            link.open()
            registers = link.read(unit_id, function, start, count)
        except UnitRefused:
            count //= 4
            continue
        except UnitSilent:
            return {}
        finally:
            time.sleep(pause_s)
        return dict(enumerate(registers, start))
    return {}


def _found(function: str, guess: Guess) -> FoundGuess:
    return FoundGuess(
        function=function,
        address=guess.address,
        type=guess.type,
        word_order=guess.word_order,
        byte_order=guess.byte_order,
        scale=guess.scale,
        value=guess.value,
    )
