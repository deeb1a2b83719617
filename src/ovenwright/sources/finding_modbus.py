"""Which Modbus units answer on a host or a line, and which of their registers look like temperatures."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlsplit

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.live import Clock, Stopping
from ovenwright.domain.sources.lines import SerialPort
from ovenwright.domain.sources.modbus import RegisterOrder, RegisterType
from ovenwright.errors import InstrumentTrouble, UsageError
from ovenwright.sources.modbus_link import NOT_THERE, ModbusLink, UnitRefused, UnitSilent
from ovenwright.wire.modbus_values import Guess, guess_map

BLOCK = 64
"""Registers asked for at once while looking."""
STARTS = (0, 64, 128, 256, 512, 1000, 2000, 4096)
"""Addresses where instruments often begin their tables: common practice, no source."""


_LEFT_TO_A_PERSON = (
    "what the registers mean is guessed from their numbers; compare with the instrument's display "
    "and its manual before recording"
)


def probe(
    url: str, *, seconds: float, clock: Clock, stopping: Stopping | None = None
) -> tuple[Heard, ...]:
    """Ask a host or a serial line which Modbus units answer, and guess at their temperatures.

    Parameters
    ----------
    url : ``modbus://HOST[:PORT]`` or ``modbus:///dev/ttyUSB0`` for a serial line; with
        ``?units=1-16`` for the units to try, and ``baud``, ``parity`` and ``stop_bits`` for a line
    seconds : no further unit is tried after so long
    clock : the time of day
    stopping : tells to stop early

    Returns
    -------
    one for each unit that answers

    Raises
    ------
    UsageError : if the URL can't be read
    InstrumentTrouble : if the host or port can't be reached at all
    """
    place = _place(url)
    until = _Until(seconds, clock, stopping)
    units = find_units(**place, stopping=until)
    now_ns = clock.now_ns()
    return tuple(_heard(url.partition("?")[0], unit, place, now_ns) for unit in units)


class _Until:
    """Stops after a while, or when told to."""

    def __init__(self, seconds: float, clock: Clock, stopping: Stopping | None) -> None:
        self._end_ns = clock.monotonic_ns() + round(seconds * 1e9)
        self._clock = clock
        self._stopping = stopping

    def is_set(self) -> bool:
        if self._stopping is not None and self._stopping.is_set():
            return True
        return self._clock.monotonic_ns() >= self._end_ns

    def wait(self, timeout: float) -> bool:
        time.sleep(timeout)
        return self.is_set()


def _place(url: str) -> dict[str, Any]:
    try:
        place, wrong = _read_url(url)
    except ValueError as cause:
        place, wrong = {}, str(cause).splitlines()[0]
    if wrong:
        raise UsageError(
            f"{url!r} can't be read: {wrong}",
            remedy="such as modbus://192.0.2.7:502?units=1-16 or modbus:///dev/ttyUSB0?baud=9600",
        )
    return place


def _read_url(url: str) -> tuple[dict[str, Any], str]:
    """Return what the URL says as arguments, and what is wrong with it."""
    parts = urlsplit(url)
    query = parse_qs(parts.query, strict_parsing=True) if parts.query else {}
    asked = {k: v[-1] for k, v in query.items()}
    first, _, last = asked.pop("units", "1-16").partition("-")
    units = range(int(first), int(last or first) + 1)
    place: dict[str, Any] = {"units": units}
    if parts.scheme != "modbus":
        return place, "it does not begin with modbus://"
    if not units or units[0] < 0 or units[-1] > 247:
        return place, "units go from 0 to 247"
    if parts.hostname:
        place |= {"host": parts.hostname, "port": parts.port or 502}
        return place, f"{min(asked)!r} has no meaning here" if asked else ""
    if not parts.path.strip("/"):
        return place, "there is neither host nor port"
    place["serial"] = SerialPort.model_validate({"device": parts.path} | asked)
    return place, ""


def _heard(address: str, unit: FoundUnit, place: Mapping[str, Any], now_ns: int) -> Heard:
    serial: SerialPort | None = place.get("serial")
    keys = [f"unit {unit.unit_id} {g.function} {g.address}" for g in unit.guesses]
    reached: dict[str, Any] = (
        {"serial": serial.model_dump(exclude_defaults=True)}
        if serial is not None
        else {"host": place["host"], "port": place["port"]}
    )
    proposal: dict[str, Any] = {}
    if keys:
        proposal = {"kind": "modbus"} | reached | {"unit_id": unit.unit_id}
        proposal["registers"] = [
            {"channel": key, "address": g.address, "function": g.function, "type": g.type.value}
            | ({"word_order": g.word_order.value} if g.word_order is not RegisterOrder.BIG else {})
            | ({"byte_order": g.byte_order.value} if g.byte_order is not RegisterOrder.BIG else {})
            | ({"scale": g.scale} if g.scale != 1.0 else {})
            for key, g in zip(keys, unit.guesses, strict=True)
        ]
    remark = _LEFT_TO_A_PERSON if keys else "nothing in its first registers looks like a temperature; see its manual"  # fmt: skip
    return Heard(
        address=address,
        module=unit.words(),
        channels=tuple(
            HeardChannel(key=key, value=g.value, count=1, last_ns=now_ns)
            for key, g in zip(keys, unit.guesses, strict=True)
        ),
        detail=" ".join(p for p in (unit.maker, unit.product, unit.revision) if p),
        proposal=proposal,
        remarks=(remark,),
    )


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
                    remedy="check address and port, and that nothing else holds the connection",
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
