"""Who a SCPI instrument is, and what it tells of its channels, by queries that change nothing."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.live import Clock, Stopping
from ovenwright.domain.sources.lines import SerialPort
from ovenwright.domain.sources.scpi import ScpiSource
from ovenwright.errors import InstrumentTrouble, OutOfRange
from ovenwright.sources.byte_links import ENDINGS, ByteLink, LineLink, SerialLink, TcpLink
from ovenwright.wire.reading_words import decode_unit
from ovenwright.wire.scpi_answers import (
    LONGEST,
    Identity,
    decode_error,
    decode_identity,
    decode_numbers,
)
from ovenwright.wire.scpi_setup import (
    decode_channel_list,
    decode_measured,
    decode_temperature_units,
)

ERRORS = "SYST:ERR?"
_ENDINGS = ("lf", "crlf")
_TEMPERATURES = ("degC", "degF", "K")
_MOST_ERRORS = 32
_MOST_EACH = 16
_NS = 1_000_000_000

# how a plan's field reads what the instrument measures: unit and factor
_FIELDS: dict[str, dict[str, Any]] = {
    "voltage": {"unit": "mV", "scale": 1000.0},
    "resistance": {"unit": "ohm"},
    "current": {"unit": "signal", "scale": 1000.0},
}


@dataclass(slots=True)
class _Told:
    """What one instrument answered."""

    who: Identity
    ending: str
    errors: str = ""  # the query that reads its error queue, "" where it has none
    version: str = ""
    channels: tuple[str, ...] = ()  # of its scan list
    measured: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    numbers: tuple[tuple[float, str], ...] = ()  # each with the unit written after it
    queued: list[str] = field(default_factory=list)  # errors that stood in its queue before


def identify(
    address: str,
    *,
    clock: Clock,
    host: str = "",
    port: int = 5025,
    serial: SerialPort | None = None,
    bauds: Iterable[int] = (),
    seconds: float = 10.0,
    measure: bool = False,
    stopping: Stopping | None = None,
) -> tuple[Heard, ...]:
    """Ask a SCPI instrument who it is and how it is set.

    Only queries are sent: ``*IDN?``, ``SYST:VERS?``, ``ROUT:SCAN?``, ``CONF?``, ``UNIT:TEMP?`` and
    ``FETC?``, each followed by a look into its error queue, which empties it. ``READ?`` begins a
    measurement and ends one under way, so it is sent only where asked for.

    Parameters
    ----------
    address : what people wrote, for messages
    clock : sets deadlines
    host, port : for a raw TCP connection
    serial : for a serial line; then host and port are not used
    bauds : speeds to try on the line, the one of `serial` when left out
    seconds : how long to ask at most
    measure : whether to have it measure once where it holds no readings
    stopping : tells to stop earlier

    Returns
    -------
    the one instrument; empty when it was told to stop before anything answered

    Raises
    ------
    InstrumentTrouble : if it can't be reached, or does not say who it is
    """
    ways = _ways(host, port, serial, tuple(bauds))
    asking = _Asking(clock, seconds, stopping or threading.Event(), len(ways), measure)
    trouble = "it does not answer *IDN?"
    for place, opened in ways:
        if asking.over():
            break
        try:
            byte_link = opened(asking.wait_s)
        except OSError as cause:
            raise InstrumentTrouble(
                f"nothing can be asked: {(cause.strerror or str(cause)).lower()}", where=address,
                remedy="check address and port, that it is switched on, and that nothing else holds the connection",
            ) from cause  # fmt: skip
        try:
            told = _on_link(byte_link, asking, _ENDINGS if serial is not None else _ENDINGS[:1])
        except OSError as cause:
            trouble = str(cause)
            continue
        if told is not None:
            return (_heard(address, told, place),)
    if asking.stopping.is_set():
        return ()
    raise InstrumentTrouble(
        f"something is there, but {trouble}",
        where=address,
        remedy="check that it speaks SCPI there"
        + ("" if serial is None else ", its speed and parity, and that it is set to remote")
        + "; a slow one needs longer: --seconds 30",
    )


class _Asking:
    """How long answers are waited for, and until when."""

    def __init__(
        self, clock: Clock, seconds: float, stopping: Stopping, ways: int, measure: bool
    ) -> None:
        self.clock = clock
        self.stopping = stopping
        self.measure = measure
        # at worst nobody answers *IDN? on any way, then five queries on the last
        self.wait_s = min(2.0, max(0.3, seconds / (len(_ENDINGS) * ways + 5)))
        self._end_ns = clock.monotonic_ns() + round(seconds * _NS)

    def over(self) -> bool:
        return self.stopping.is_set() or self.clock.monotonic_ns() >= self._end_ns


def _ways(
    host: str, port: int, serial: SerialPort | None, bauds: tuple[int, ...]
) -> list[tuple[dict[str, Any], Callable[[float], ByteLink]]]:
    """Return each way it may be reached: the plan's keys that say so, and what opens it."""
    if serial is None:
        return [({"host": host, "port": port}, lambda s: TcpLink(host, port, timeout_s=s))]

    def opening(line: SerialPort) -> Callable[[float], ByteLink]:
        return lambda s: SerialLink(line, timeout_s=s)

    lines = [serial.model_copy(update={"baud": b}) for b in bauds or (serial.baud,)]
    return [
        ({"serial": n.model_dump(mode="json", exclude_defaults=True)}, opening(n)) for n in lines
    ]


def _on_link(byte_link: ByteLink, asking: _Asking, endings: tuple[str, ...]) -> _Told | None:
    """Ask all there is to ask over one link; None where nobody says who it is."""
    with closing(byte_link):
        for ending in endings:
            link = LineLink(
                byte_link,
                clock=asking.clock,
                encoding="latin-1",
                longest=LONGEST,
                ending=ENDINGS[ending],
            )
            answer = _line(link, "*IDN?", asking)
            if answer is None:
                continue
            try:
                told = _Told(decode_identity(answer), ending)
            except OutOfRange as cause:
                raise OSError(f"it does not say what it is: {cause.got}") from cause
            _ask_all(link, told, asking)
            return told
    return None


def _line(link: LineLink, query: str, asking: _Asking) -> str | None:
    """Return the answer to one query, None where none comes in time."""
    if asking.over():
        return None
    link.forget()  # what came too late answers nothing
    link.send(query)
    try:
        return link.answer(asking.wait_s, asking.stopping)
    except TimeoutError:
        return None


def _ask_all(link: LineLink, told: _Told, asking: _Asking) -> None:
    told.errors = ERRORS
    told.queued = _errors(link, told, asking)

    def ask(query: str) -> str | None:
        answer = _line(link, query, asking)
        refused = _errors(link, told, asking)
        return None if refused else answer

    told.version = (ask("SYST:VERS?") or "").strip()[:16]
    told.channels = _decoded(decode_channel_list, ask("ROUT:SCAN?"))
    told.measured = _decoded(decode_measured, ask("CONF?"))
    told.units = _decoded(decode_temperature_units, ask("UNIT:TEMP?"))
    for query in ("FETC?", "READ?") if asking.measure else ("FETC?",):
        told.numbers = _decoded(_numbers, ask(query))
        if told.numbers:
            break


def _decoded(decode: Callable[[str], tuple[Any, ...]], answer: str | None) -> tuple[Any, ...]:
    try:
        return () if answer is None else decode(answer)
    except OutOfRange:
        return ()


def _numbers(answer: str) -> tuple[tuple[float, str], ...]:
    cells = decode_numbers(answer)
    if all(math.isnan(value) and written for value, _, written in cells):
        raise OutOfRange("answer", got=answer[:40], expected="numbers")
    return tuple((value, written) for value, _, written in cells)


def _errors(link: LineLink, told: _Told, asking: _Asking) -> list[str]:
    """Empty the error queue and return what stood in it; it may have none."""
    out: list[str] = []
    for _ in range(_MOST_ERRORS):
        if not told.errors:
            break
        answer = _line(link, told.errors, asking)
        try:
            code, text = decode_error(answer) if answer is not None else (0, "")
        except OutOfRange:
            continue  # a late answer to the question before
        if answer is None and not asking.over():
            told.errors = ""
        if code == 0:
            break
        out.append(f"{code}, {text}")
    return out


def _heard(address: str, told: _Told, place: dict[str, Any]) -> Heard:
    """Put what it told into a table of a plan."""
    who = told.who
    count = max(len(told.channels), len(told.measured), 1 if told.units else 0)
    count = count or len(told.numbers)
    each = len(told.numbers) // count if count and len(told.numbers) % count == 0 else 0
    fits = 0 < each <= _MOST_EACH
    fields = [_field(told, i, count) for i in range(count)]
    proposal: dict[str, Any] = {"kind": "scpi", **place}
    if who.model:
        proposal["identity"] = who.model
    if told.ending != "lf":
        proposal["ending"] = told.ending
    if told.errors != ScpiSource.model_fields["errors"].default:
        proposal["errors"] = told.errors
    if fits and each > 1:
        proposal["numbers_each"] = each
    proposal["fields"] = fields
    picked = told.numbers[::each] if fits else ()
    return Heard(
        address=address,
        module=who.model or who.maker or address,
        serial="" if who.serial == "0" else who.serial,
        channels=tuple(
            _channel(i, one, told, picked[i] if picked else None) for i, one in enumerate(fields)
        ),
        detail=" ".join(
            w
            for w in (
                who.maker,
                f"firmware {who.firmware}" if who.firmware not in ("", "0") else "",
                f"SCPI {told.version}" if told.version else "",
            )
            if w
        ),
        proposal=proposal if any("channel" in one for one in fields) else {},
        remarks=tuple(_remarks(told, count, each if fits else 0)),
    )


def _field(told: _Told, at: int, count: int) -> dict[str, Any]:
    """Return one field of the plan's table; without a channel where it is no temperature."""
    measured = _of(told.measured, at, count)
    label = f"channel {told.channels[at]}" if at < len(told.channels) else f"input {at + 1}"
    if measured in _FIELDS:
        return {"channel": label, **_FIELDS[measured]}
    if measured == "" and told.measured:
        return {}
    unit = _of(told.units, at, count)
    return {"channel": label, **({"unit": unit} if unit not in ("", "degC") else {})}


def _of(told: tuple[str, ...], at: int, count: int) -> str:
    """Return what holds for one input, where one answer may hold for all."""
    if len(told) == count:
        return told[at]
    return told[0] if len(set(told)) == 1 else ""


def _channel(
    at: int, one: dict[str, Any], told: _Told, number: tuple[float, str] | None
) -> HeardChannel:
    value, written = number if number is not None else (math.nan, "")
    unit = one.get("unit", "degC")
    of_its_own = decode_unit(written)
    if of_its_own in _TEMPERATURES and unit in _TEMPERATURES:
        unit = of_its_own
    else:
        value *= one.get("scale", 1.0)
    return HeardChannel(
        key=f"field {at + 1}",
        value=value,
        unit=unit if one else "",
        count=0 if number is None else 1,
        detail=f"channel {told.channels[at]}" if at < len(told.channels) else "",
    )


def _remarks(told: _Told, count: int, each: int) -> list[str]:
    out: list[str] = []
    if told.queued:
        out.append(f"errors that stood in its queue, now read: {'; '.join(told.queued[:4])}")
    if not count:
        out.append(
            "it tells no scan list, no function and no readings: set it up, or let it measure once "
            "with --measure, and look again"
        )
        return out
    if not told.channels and count > 1:
        out.append("it tells no scan list: which input is which is for you to find by touch")
    if not told.measured:
        out.append("it does not tell what it measures: taken for temperatures")
    elif "voltage" in told.measured:
        out.append(
            'voltages are taken for thermocouples in mV: a field with tells = "reference" has to '
            "give the temperature of the terminals"
        )
    if "current" in told.measured:
        out.append('currents are taken for transmitters in mA: sensor = "transmitter" in the plan')
    skipped = sum(not _field(told, i, count) for i in range(count))
    if skipped:
        out.append(f"{skipped} of its {count} inputs measure no temperature and are passed over")
    if not told.numbers:
        out.append("it holds no readings to look at; --measure lets it measure once")
    elif not each:
        out.append(
            f"it answers {len(told.numbers)} numbers for {count} inputs: set numbers_each and fields"
        )
    elif each > 1:
        out.append(f"it answers {each} numbers for each input; the first is taken for the reading")
    out.append(
        "it is read as it is set up now: put its scan list and sensor types into setup, so that "
        "every test sets it up alike"
    )
    return out
